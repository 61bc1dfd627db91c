"""Trace files: play one through the protocol, or write a simulated ride as one. Law: not a digit is lost or made up.

Reading is strict: what is malformed is refused with `file:line: column: what`. Playing gives each row as one sample
at the row's time, exact to a microsecond, and begins once a host listens, so that no row is spoken to nobody.
"""

from __future__ import annotations

import bisect
import csv
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sagwise_protocol import BoardHelloFeatures, Sample, StatusFaults
from sagwise_sim.board import Ability
from sagwise_sim.checks import ScenarioError
from sagwise_sim.curves import Floats
from sagwise_sim.sensors import Reading, to_wire
from sagwise_sim.simulation import SimulatedRide

LEAD_US = 200_000  # from the host's first word to the first row

_INDEXED = re.compile(r"(group)_(\d{2})_v|(temperature)_([1-9]\d?)_c")
_LIMITS = {"group": (-16.38, 16.38, 48), "temperature": (-300.0, 327.0, 16)}


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """A trace in memory. time_us: whole microseconds after the first row, rising. group_v: (n, groups).

    current_a, distance_m: (n,) or None without that column. temperature_c: (n, sensors). NaN where blank.
    """

    time_us: list[int]
    group_v: Floats
    current_a: Floats | None
    temperature_c: Floats
    distance_m: Floats | None


def read_rows(path: Path) -> Rows:
    """Read a trace CSV. Raises ScenarioError `file:line: column: what`."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            return _Reader(path, csv.reader(file, strict=True)).rows()
    except OSError as error:
        raise ScenarioError(f"{path}:1: file: cannot be read: {error.strerror}") from error


class _Reader:
    """One pass over a file, knowing where it is."""

    def __init__(self, path: Path, lines: Iterable[Sequence[str]]) -> None:
        self._path = path
        self._lines = iter(lines)
        self._line = 0

    def rows(self) -> Rows:
        header = self._next()
        if header is None:
            raise self._fault("header", "the file is empty; the first row names the columns")
        groups, sensors = self._check_header(header)
        table = np.array(list(self._values(header)), float).reshape(-1, len(header))
        if not len(table):
            raise self._fault("time_s", "no rows below the header")
        columns = {name: table[:, at] for at, name in enumerate(header)}
        return Rows(
            time_us=[round((t - columns["time_s"][0]) * 1e6) for t in columns["time_s"].tolist()],
            group_v=np.stack([columns[f"group_{at:02d}_v"] for at in range(1, groups + 1)], axis=1),
            current_a=columns.get("current_a"),
            temperature_c=_side_by_side([columns[f"temperature_{at}_c"] for at in range(1, sensors + 1)], len(table)),
            distance_m=columns.get("distance_m"),
        )

    def _next(self) -> list[str] | None:
        self._line += 1
        try:
            return list(next(self._lines))
        except StopIteration:
            return None
        except (csv.Error, UnicodeDecodeError) as error:
            raise self._fault("row", f"is no UTF-8 CSV: {error}") from error

    def _fault(self, column: str, what: str) -> ScenarioError:
        return ScenarioError(f"{self._path}:{self._line}: {column}: {what}")

    def _check_header(self, header: list[str]) -> tuple[int, int]:
        """How many groups and temperature sensors there are."""
        found: dict[str, list[int]] = {"group": [], "temperature": []}
        for name in header:
            if header.count(name) > 1:
                raise self._fault(name, "this column is there twice")
            match = _INDEXED.fullmatch(name)
            if match:
                found[match[1] or match[3]].append(int(match[2] or match[4]))
            elif name not in ("time_s", "current_a", "distance_m"):
                raise self._fault(name, "unknown column; see the trace format")
        if "time_s" not in header:
            raise self._fault("time_s", "this column is missing")
        for kind, numbers in found.items():
            if sorted(numbers) != list(range(1, len(numbers) + 1)) or len(numbers) > _LIMITS[kind][2]:
                raise self._fault(kind, f"numbered {sorted(numbers)}; allowed: 1 to {_LIMITS[kind][2]} without gaps")
        if not found["group"]:
            raise self._fault("group_01_v", "this column is missing")
        return len(found["group"]), len(found["temperature"])

    def _values(self, header: list[str]) -> Iterable[list[float]]:
        before_us, first_s = -1, math.nan
        while (row := self._next()) is not None:
            if len(row) != len(header):
                raise self._fault("row", f"has {len(row)} fields, the header {len(header)}")
            values = [self._value(name, text) for name, text in zip(header, row, strict=True)]
            time_s = values[header.index("time_s")]
            first_s = time_s if math.isnan(first_s) else first_s
            time_us = round((time_s - first_s) * 1e6)
            if time_us <= before_us:
                raise self._fault("time_s", f"{time_s!r} does not rise by at least 1 µs")
            before_us = time_us
            yield values

    def _value(self, name: str, text: str) -> float:
        if not text and name != "time_s":
            return math.nan
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        low, high = _range(name)
        if "_" in text or not low <= value <= high:
            raise self._fault(name, f"{text!r} is no number the wire carries; allowed: {low:g} to {high:g}")
        return value


def _range(name: str) -> tuple[float, float]:
    if name == "time_s":
        return -1e12, 1e12
    if name == "current_a":
        return -2e6, 2e6
    if name == "distance_m":
        return 0.0, 42_949_672.0
    return _LIMITS[name.partition("_")[0]][:2]


def _side_by_side(columns: list[Floats], count: int) -> Floats:
    return np.stack(columns, axis=1) if columns else np.empty((count, 0))


class TracePlayer:
    """Rows as a `board.Source`. Waits for the host's first word, then plays each row at its time."""

    def __init__(self, rows: Rows) -> None:
        self._rows = rows
        self._start_us: int | None = None
        self._now_us = 0
        span_us = max(rows.time_us[-1], 1)
        self.rate_mhz = max(1, round(max(len(rows.time_us) - 1, 1) * 1e9 / span_us))
        self.ability = _ability(rows, self.rate_mhz)
        self.ill = StatusFaults(0)

    @property
    def finished(self) -> bool:
        """Whether the last row has been played."""
        return self._start_us is not None and self._now_us >= self._start_us + self._rows.time_us[-1]

    def next_us(self, after_us: int) -> int | None:
        """When the first row after a moment is due; None while nobody listens, and at the end."""
        if self._start_us is None:
            return None
        at = bisect.bisect_right(self._rows.time_us, after_us - self._start_us)
        return self._start_us + self._rows.time_us[at] if at < len(self._rows.time_us) else None

    def advance_to(self, at_us: int) -> None:
        """Time passes."""
        self._now_us = at_us

    def sample(self) -> Sample:
        """The row that is due now."""
        assert self._start_us is not None, "no sample is due before the host has spoken"
        at = bisect.bisect_right(self._rows.time_us, self._now_us - self._start_us) - 1
        rows = self._rows
        return to_wire(
            Reading(
                rows.group_v[at],
                rows.temperature_c[at],
                math.nan if rows.current_a is None else float(rows.current_a[at]),
                math.nan if rows.distance_m is None else float(rows.distance_m[at]),
            )
        )

    def set_rate(self, rate_mhz: int) -> None:
        """A trace has the rate it has; the hello offers no other."""

    def host_spoke(self, at_us: int) -> None:
        """The first word starts the playing."""
        if self._start_us is None:
            self._start_us = at_us + LEAD_US


def _ability(rows: Rows, rate_mhz: int) -> Ability:
    features = BoardHelloFeatures.BUTTON | BoardHelloFeatures.BUZZER
    if rows.current_a is not None:
        features |= BoardHelloFeatures.CURRENT
    if rows.distance_m is not None:
        features |= BoardHelloFeatures.DISTANCE
    sensors = rows.temperature_c.shape[1]
    return Ability(
        groups=rows.group_v.shape[1],
        temperatures=sensors,
        features=features,
        voltage_step_uv=500,
        current_step_ma=0 if rows.current_a is None else 1,
        temperature_step_centi_c=1 if sensors else 0,
        distance_step_cm=0 if rows.distance_m is None else 1,
        rate_min_mhz=rate_mhz,
        rate_max_mhz=rate_mhz,
        fallback=None,  # nobody knows which cells a trace is of
    )


def write_trace(path: Path, ride: SimulatedRide) -> None:
    """Write the readings of a ride at the wire's resolution. Raises OSError."""
    columns: list[tuple[str, Floats, str]] = [("time_s", ride.time_s, "%.6f")]
    columns += _numbered("group_{:02d}_v", ride.group_v, "%.4f")
    if ride.current_a is not None:
        columns.append(("current_a", ride.current_a, "%.3f"))
    columns += _numbered("temperature_{}_c", ride.temperature_c, "%.2f")
    if ride.distance_m is not None:
        columns.append(("distance_m", ride.distance_m, "%.2f"))
    _write(path, columns)


def write_truth(path: Path, ride: SimulatedRide) -> None:
    """Write what no board can know, one row a sample: true current, and each group's rest, equilibrium and charge."""
    columns: list[tuple[str, Floats, str]] = [("time_s", ride.time_s, "%.6f")]
    columns.append(("current_a", ride.true_current_a, "%.4f"))
    columns += _numbered("group_{:02d}_loaded_v", ride.loaded_v, "%.6f")
    columns += _numbered("group_{:02d}_rest_v", ride.rest_v, "%.6f")
    columns += _numbered("group_{:02d}_ocv_v", ride.ocv_v, "%.6f")
    columns += _numbered("group_{:02d}_soc", ride.soc, "%.6f")
    _write(path, columns)


def _numbered(name: str, values: Floats, form: str) -> list[tuple[str, Floats, str]]:
    return [(name.format(at + 1), values[:, at], form) for at in range(values.shape[1])]


def _write(path: Path, columns: list[tuple[str, Floats, str]]) -> None:
    forms = [form for _, _, form in columns]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([name for name, _, _ in columns])
        for row in zip(*(values.tolist() for _, values, _ in columns), strict=True):
            writer.writerow(["" if math.isnan(v) else form % v for v, form in zip(row, forms, strict=True)])

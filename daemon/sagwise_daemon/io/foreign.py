"""Any CSV read through a mapping. Law: a file is taken whole or refused whole, and every bad row is named by its line,
up to a limit that a person can still read.

Also for a trace of our own that `trace` refuses at its first fault: here all of them are found.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from io import TextIOWrapper
from pathlib import Path

import numpy as np

from sagwise_daemon.config.mapping import AMPERES, CELSIUS, ISO, METRES, SEPARATORS, TIMES, VOLTS, Mapped
from sagwise_daemon.domain.model import Floats
from sagwise_daemon.errors import TraceError
from sagwise_daemon.io.trace import (
    CURRENT_RANGE,
    DISTANCE_RANGE,
    GROUP,
    STEP_ROWS,
    TEMPERATURE,
    TEMPERATURE_RANGE,
    TIME_RANGE,
    VOLTS_RANGE,
    Step,
    Trace,
)

TOLD = 20  # bad rows
SHOWN = 30

Read = Callable[[str], float]


class _NoNumberError(ValueError):
    """A field that is no value; its words say why."""


@dataclass(frozen=True, slots=True)
class _Column:
    """One column that is wanted: its place in the file, how it is read, and what it may be."""

    name: str
    place: int
    read: Read
    low: float
    high: float
    unit: str
    blank: bool = True


def read_foreign(path: Path, mapped: Mapped, series: int, step: Step = lambda done, of: None) -> Trace:
    """A CSV as a trace. series: groups of the pack. step: told how many bytes are read of how many.

    Raises TraceError, one line that names the file and every bad row by its line, up to `TOLD` of them.
    """
    groups = len(mapped.groups.columns)
    if groups != series:
        raise TraceError(f"{path}: the mapping names {groups} groups, the pack has {series}; choose the right pack")
    table = _Reader(path, mapped, step).table()
    volts = table[:, 1 : 1 + groups]
    after = 1 + groups
    current = table[:, after] if mapped.current else None
    after += bool(mapped.current)
    sensors = len(mapped.temperatures.columns) if mapped.temperatures else 0
    return Trace(
        time_s=table[:, 0].copy(),
        group_v=np.ascontiguousarray(volts if mapped.groups.first == "negative" else volts[:, ::-1]),
        current_a=current,
        temperature_c=table[:, after : after + sensors].copy(),
        distance_m=table[:, after + sensors].copy() if mapped.distance else None,
    )


def own_trace(header: Sequence[str]) -> Mapped:
    """The mapping that a trace of our own with that header would have."""
    found: dict[str, object] = {
        "time": {"column": "time_s"},
        "groups": {"columns": [name for name in header if GROUP.fullmatch(name)]},
    }
    sensors = [name for name in header if TEMPERATURE.fullmatch(name)]
    if "current_a" in header:
        found["current"] = {"column": "current_a"}
    if sensors:
        found["temperatures"] = {"columns": sensors}
    if "distance_m" in header:
        found["distance"] = {"column": "distance_m"}
    return Mapped.model_validate(found)


def every_fault(path: Path, first: TraceError) -> TraceError:
    """All bad rows of a trace of our own, where `first` is of a row; else `first` itself."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            header = next(csv.reader(file, strict=True), [])
        mapped = own_trace(header)
        _Reader(path, mapped, lambda done, of: None).table()
    except TraceError as all_of_them:
        return all_of_them
    except (OSError, ValueError, csv.Error):
        return first
    return first


class _Reader:
    """One pass over one file."""

    def __init__(self, path: Path, mapped: Mapped, step: Step) -> None:
        self._path, self._mapped, self._step = path, mapped, step
        self._faults: list[str] = []
        self._bad = 0
        self._last_s = -math.inf

    def table(self) -> Floats:
        """(rows, columns) in SI units, in the order of the mapping's names."""
        try:
            with self._path.open("rb") as raw, TextIOWrapper(raw, "utf-8-sig", newline="") as file:
                size = self._path.stat().st_size
                rows = csv.reader(file, delimiter=SEPARATORS[self._mapped.file.separator], strict=True)
                found = list(self._values(rows, lambda: self._step(raw.tell(), size)))
        except OSError as fault:
            raise TraceError(f"{self._path}: cannot be read ({fault.strerror}); give the path of a CSV file") from None
        except (UnicodeDecodeError, csv.Error) as fault:
            raise TraceError(f"{self._path}: is no CSV in UTF-8 ({fault}); save it as one") from None
        if self._bad:
            more = f"; and {self._bad - len(self._faults)} more" if self._bad > len(self._faults) else ""
            rows_are = "1 bad row" if self._bad == 1 else f"{self._bad} bad rows"
            raise TraceError(f"{self._path}: {rows_are}, nothing is stored: {'; '.join(self._faults)}{more}")
        if not found:
            raise TraceError(f"{self._path}: has no rows below its header; there is nothing to import")
        return np.array(found)

    def _values(self, rows: Iterator[list[str]], step: Callable[[], None]) -> Iterator[list[float]]:
        for _ in range(self._mapped.file.skip_lines):
            next(rows, None)
        header = [name.strip() for name in next(rows, [])]
        columns = list(self._columns(header))
        for number, row in enumerate(rows):
            if number % STEP_ROWS == 0:
                step()
            if not row:
                continue  # an empty line at the end
            line = rows.line_num  # type: ignore[attr-defined]
            values = self._row(line, row, len(header), columns)
            if values is not None:
                yield values

    def _columns(self, header: list[str]) -> Iterator[_Column]:
        for name in self._mapped.names:
            if header.count(name) != 1:
                what = "is missing" if name not in header else "is there more than once"
                raise TraceError(f"{self._path}: column {name!r} {what}; the file has {', '.join(header)[:300]}")
        decimal, mapped = self._mapped.file.decimal, self._mapped

        def column(name: str, scale: float, offset: float, allowed: tuple[float, float], unit: str) -> _Column:
            return _Column(name, header.index(name), _number(decimal, scale, offset), *allowed, unit)

        time = mapped.time
        reads = _moment if time.unit == ISO else _number(decimal, TIMES[time.unit], 0.0)
        yield _Column(time.column, header.index(time.column), reads, *TIME_RANGE, "s", blank=False)
        for name in mapped.groups.columns:
            yield column(name, VOLTS[mapped.groups.unit], 0.0, VOLTS_RANGE, "V")
        if mapped.current:
            sign = 1.0 if mapped.current.positive == "discharge" else -1.0
            yield column(mapped.current.column, sign * AMPERES[mapped.current.unit], 0.0, CURRENT_RANGE, "A")
        for name in mapped.temperatures.columns if mapped.temperatures else ():
            assert mapped.temperatures is not None
            yield column(name, *CELSIUS[mapped.temperatures.unit], TEMPERATURE_RANGE, "degC")
        if mapped.distance:
            yield column(mapped.distance.column, METRES[mapped.distance.unit], 0.0, DISTANCE_RANGE, "m")

    def _row(self, line: int, row: list[str], width: int, columns: Sequence[_Column]) -> list[float] | None:
        """The row's values; None where it is bad, and that is noted."""
        if len(row) != width:
            self._bad_row(line, f"has {len(row)} fields, the header {width}")
            return None
        try:
            values = [_value(column, row[column.place]) for column in columns]
        except _NoNumberError as fault:
            self._bad_row(line, str(fault))
            return None
        if values[0] <= self._last_s:
            self._bad_row(line, f"its time, {values[0]:.10g} s, does not come after {self._last_s:.10g} s")
            return None
        self._last_s = values[0]
        return values

    def _bad_row(self, line: int, why: str) -> None:
        self._bad += 1
        if len(self._faults) < TOLD:
            self._faults.append(f"line {line}: {why}")


def _value(column: _Column, text: str) -> float:
    """A field's value in SI units, NaN where it is blank. Raises _NoNumberError."""
    text = text.strip()
    if not text:
        if column.blank:
            return math.nan
        raise _NoNumberError(f"{column.name} is blank; every row has a time")
    try:
        value = column.read(text)
    except (ValueError, OverflowError):
        shown = text if len(text) <= SHOWN else text[:SHOWN] + "…"
        raise _NoNumberError(f"{column.name} is {shown!r}, no number") from None
    if not column.low <= value <= column.high:
        allowed = f"allowed is {column.low:g} to {column.high:g}, so its unit is wrong"
        raise _NoNumberError(f"{column.name} is {value:.10g} {column.unit}; {allowed}")
    return value


def _number(decimal: str, scale: float, offset: float) -> Read:
    def read(text: str) -> float:
        if decimal == ",":
            if "." in text:
                raise ValueError
            text = text.replace(",", ".")
        if not text.isascii() or "_" in text:
            raise ValueError
        value = float(text)
        if not math.isfinite(value):
            raise ValueError
        return value * scale + offset if (scale, offset) != (1.0, 0.0) else value

    return read


def _moment(text: str) -> float:
    moment = datetime.fromisoformat(text)
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()

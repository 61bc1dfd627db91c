"""The side file of an exported ride, written and read. Law: what a trace cannot carry, in plain JSON; read strictly,
since a ride that comes back half is worse than one that does not.

`format` 2: `ride` (the stored row, and its start as ISO 8601); `trace` (SHA-256 of the CSV and its rows); `pack` as
ridden; `boots` of the board with their wall time and whether it was trusted; `gaps`; `events`, oldest first;
`estimates`, at most one a second, each figure by group; `summary`; `notes`. Times with `_s` count from the ride's first
sample, as the trace's do; what is unknown is null. Format 1 had neither trace nor estimates nor summary.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from sagwise_daemon.domain.model import AlarmEvent, AlarmState, Basis, Estimates, Floats, Pack, Priority
from sagwise_daemon.domain.ports import Ride, StoredEvent
from sagwise_daemon.domain.ride.kinds import KINDS
from sagwise_daemon.errors import InputError
from sagwise_daemon.io.store import Boot, Gap
from sagwise_daemon.io.store.columns import OCV, RESISTANCE, REST, SIGMA, SOC, Table
from sagwise_daemon.io.store.known_packs import pack_of
from sagwise_daemon.io.store.rides import StoredRides

T = TypeVar("T")
FORMAT = 2
LARGEST_BYTES = 200_000_000
# Each figure with its block in the store and the decimals that its steps need.
FIGURES = {
    "rest_v": (REST, 4),
    "rest_sigma_v": (SIGMA, 4),
    "ocv_v": (OCV, 4),
    "resistance_mohm": (RESISTANCE, 2),
    "soc": (SOC, 3),
}


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """A side file. sha256: of the trace that it belongs to, None where it does not say. ride: figures of the row."""

    pack: Pack
    sha256: str | None
    ride: Mapping[str, Any]
    boots: tuple[Boot, ...]
    gaps: tuple[Gap, ...]
    events: tuple[tuple[float | None, float, AlarmEvent], ...]
    estimates: Estimates | None
    summary: Mapping[str, Any] | None


def side_document(
    rides: StoredRides, ride: Ride, sha256: str, rows: int, summary: Mapping[str, Any] | None
) -> dict[str, Any]:
    """The side file of a stored ride."""
    events = rides.events(ride.ride_id, limit=rides.event_count(ride.ride_id))
    return {
        "format": FORMAT,
        "ride": {**asdict(ride), "started": _iso(ride.started_unix_s)},
        "trace": {"sha256": sha256, "rows": rows},
        "pack": rides.pack(ride.ride_id),
        "boots": [
            {
                "boot_id": boot.boot_id,
                "first_time_s": boot.first_time_us / 1e6,
                "uptime_us": boot.uptime_us,
                "unix_s": boot.unix_s,
                "trusted": boot.trusted,
            }
            for boot in rides.boots(ride.ride_id)
        ],
        "gaps": [
            {
                "cause": gap.cause,
                "first_time_s": gap.first_time_us / 1e6,
                "last_time_s": gap.last_time_us / 1e6,
                "samples": gap.samples,
            }
            for gap in rides.gaps(ride.ride_id)
        ],
        "events": [_event(stored) for stored in reversed(events)],
        "estimates": _estimates(rides.estimates(ride.ride_id)),
        "summary": summary,
        "notes": [ride.note] if ride.note else [],
    }


def read_side(path: Path) -> Side:
    """The side file at `path`. Raises InputError, one line naming what is wrong in it."""
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise InputError(f"{path}: larger than {LARGEST_BYTES} bytes; this is no side file of ours")
        told = json.loads(path.read_text(encoding="utf-8"), parse_constant=_refuse_constant)
    except (OSError, UnicodeDecodeError, ValueError, RecursionError) as fault:
        raise InputError(
            f"{path}: cannot be read as JSON ({fault}); export the ride again, or move the file away"
        ) from None
    if not isinstance(told, dict) or told.get("format") not in (1, FORMAT):
        raise InputError(f"{path}: is no side file of format 1 or {FORMAT}; move it away to import the trace alone")
    part = _Parts(path, told)
    return Side(
        pack=part("pack", pack_of),
        sha256=part("trace", lambda trace: None if trace is None else str(trace["sha256"])),
        ride=part("ride", _row),
        boots=part("boots", lambda rows: tuple(map(_boot, rows))),
        gaps=part("gaps", lambda rows: tuple(map(_gap, rows))),
        events=part("events", lambda rows: tuple(map(_event_of, rows))),
        estimates=part("estimates", _estimates_of),
        summary=part("summary", lambda summary: None if summary is None else dict(summary)),
    )


class _Parts:
    """Reads one part after another, and names the one that is wrong."""

    def __init__(self, path: Path, told: Mapping[str, Any]) -> None:
        self._path, self._told = path, told

    def __call__(self, name: str, read: Callable[[Any], T]) -> T:
        try:
            return read(self._told.get(name))
        except (KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError) as fault:
            why = f"{type(fault).__name__}: {fault}"
            hint = "move the file away to import the trace alone"
            raise InputError(f"{self._path}: {name} is not as an export writes it ({why}); {hint}") from None


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is no JSON")


def _row(row: Mapping[str, Any]) -> dict[str, Any]:
    if row.get("kind", "ride") not in KINDS:
        raise ValueError(f"kind {row['kind']!r}; allowed are {', '.join(KINDS)}")
    if not math.isfinite(row["started_unix_s"]):
        raise ValueError("started_unix_s is not finite")
    if not isinstance(row["started_trusted"], bool) or not isinstance(row.get("note", ""), str):
        raise ValueError("started_trusted is true or false, note a text")
    return dict(row)


def _boot(row: Mapping[str, Any]) -> Boot:
    first_us = round(float(row["first_time_s"]) * 1e6)
    return Boot(int(row["boot_id"]), first_us, int(row["uptime_us"]), float(row["unix_s"]), bool(row["trusted"]))


def _gap(row: Mapping[str, Any]) -> Gap:
    first_us, last_us = (round(float(row[key]) * 1e6) for key in ("first_time_s", "last_time_s"))
    return Gap(str(row["cause"]), first_us, last_us, None if row["samples"] is None else int(row["samples"]))


def _event(stored: StoredEvent) -> dict[str, Any]:
    event = asdict(stored.event)
    del event["time_s"]  # the core's clock of that day means nothing to a reader
    return {"event_id": stored.event_id, "time_s": stored.ride_s, "unix_s": stored.unix_s, **event}


def _event_of(row: Mapping[str, Any]) -> tuple[float | None, float, AlarmEvent]:
    at_s = None if row["time_s"] is None else float(row["time_s"])
    event = AlarmEvent(
        time_s=0.0 if at_s is None else at_s,
        rule=str(row["rule"]),
        group=None if row["group"] is None else int(row["group"]),
        to=AlarmState(row["to"]),
        priority=Priority(row["priority"]),
        value=None if row["value"] is None else float(row["value"]),
        limit=None if row["limit"] is None else float(row["limit"]),
        unit=str(row["unit"]),
        basis=None if row["basis"] is None else Basis(row["basis"]),
        by=None if row["by"] is None else str(row["by"]),
    )
    return at_s, float(row["unix_s"]), event


def _estimates(table: Table | None) -> dict[str, Any] | None:
    if table is None:
        return None
    found: dict[str, Any] = {"time_s": [round(one / 1e6, 6) for one in table.time_us.tolist()]}
    for name, (block, digits) in FIGURES.items():
        found[name] = [[_plain(one, digits) for one in group] for group in table.floats(block).tolist()]
    return found


def _estimates_of(told: Mapping[str, Any] | None) -> Estimates | None:
    if told is None:
        return None
    time_s = np.array(told["time_s"], float)
    if not len(time_s) or np.any(np.diff(time_s) <= 0.0):
        raise ValueError("its times do not rise")
    columns = {name: _grid(told[name], len(time_s)) for name in FIGURES}
    unknown = np.isnan(columns["rest_v"])
    return Estimates(
        time_s=time_s,
        resistance_25c_mohm=np.full(unknown.shape, np.nan),
        unknown=unknown.astype(np.int8),
        **columns,
    )


def _grid(groups: Sequence[Sequence[float | None]], rows: int) -> Floats:
    """(rows, groups)."""
    values = np.array([[math.nan if one is None else one for one in group] for group in groups], float)
    if values.ndim != 2 or values.shape[1] != rows:
        raise ValueError(f"its groups do not have {rows} values each")
    return np.ascontiguousarray(values.T)


def _plain(value: float, digits: int) -> float | None:
    return round(value, digits) if math.isfinite(value) else None


def _iso(unix_s: float) -> str | None:
    try:
        return datetime.fromtimestamp(unix_s, UTC).isoformat()
    except (ValueError, OverflowError, OSError):
        return None

"""A whole record put into a store at once. Law: it is there with everything or not at all, whatever happens meanwhile.

The record is written into a file of its own first, by the same steps as a live ride, and then copied in one short
transaction: a daemon that records into the same store waits for milliseconds.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Connection, Engine, delete, insert, select, update
from sqlalchemy.exc import SQLAlchemyError

from sagwise_daemon.domain.model import AlarmEvent, Estimates, Pack, Readings
from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store.columns import signed
from sagwise_daemon.io.store.engine import reader_engine, writer_engine
from sagwise_daemon.io.store.ids import Ids
from sagwise_daemon.io.store.inbox import NewEvent
from sagwise_daemon.io.store.rides import Boot, Gap
from sagwise_daemon.io.store.snapshot import Snapshot, take
from sagwise_daemon.io.store.state import HostMoment, RideState
from sagwise_daemon.io.store.summaries import VERSION
from sagwise_daemon.io.store.tables import boots, events, gaps, metadata, packs, rides, summaries
from sagwise_daemon.io.store.writing import Batch, end_ride, store_batch, store_event

ROWS_A_BATCH = 1200
FIGURES = (
    *("duration_s", "samples", "energy_wh", "charge_ah", "distance_m"),
    *("current_max_a", "loaded_min_v", "rest_min_v", "alarms"),
)
_NUMBERED = {"chunks": "chunk_id", "pieces": "piece_id", "gaps": "gap_id"}

Step = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, eq=False)
class Coming:
    """A record on its way in. readings: the first at 0 s. boots: in turn, at least one. estimates: at most 1 Hz.

    events: the ride's time (None where nobody knows), wall time, event; oldest first. origin: SHA-256 of its trace.
    figures: those of `FIGURES` that are to stand as they were; summary: the document, if it is to.
    """

    pack: Pack
    kind: str
    started_unix_s: float
    started_trusted: bool
    ended_by: str
    readings: Readings
    boots: tuple[Boot, ...]
    estimates: Estimates | None
    events: tuple[tuple[float | None, float, AlarmEvent], ...]
    origin: str
    gaps: tuple[Gap, ...] = ()
    name: str | None = None
    note: str = ""
    figures: Mapping[str, Any] = field(default_factory=dict)
    summary: Mapping[str, Any] | None = None


def already(path: Path, origin: str) -> int | None:
    """The record that was imported from that trace, None where there is none. Raises StoreError."""
    engine = reader_engine(path)
    try:
        with engine.connect() as connection:
            query = select(rides.c.ride_id).where(rides.c.origin == origin, rides.c.deleted_unix_s.is_(None))
            found = connection.execute(query.limit(1)).scalar()
    except SQLAlchemyError as fault:
        raise StoreError(f"{path}: the store cannot be read: {fault}") from fault
    finally:
        engine.dispose()
    return None if found is None else int(found)


def add(path: Path, coming: Coming, step: Step = lambda done, of: None) -> int:
    """Put a record into the store at `path`; its number. step: told how many rows are done of how many.

    Raises StoreError, and then nothing is stored.
    """
    try:
        with tempfile.TemporaryDirectory(prefix="sagwise-import-") as folder:
            scratch = writer_engine(Path(folder) / "ride.sqlite")
            try:
                metadata.create_all(scratch)
                _write(scratch, coming, step)
                return _copy(scratch, path, coming)
            finally:
                scratch.dispose()
    except (SQLAlchemyError, OSError) as fault:
        raise StoreError(f"{path}: the ride cannot be stored: {fault}") from fault


def _write(scratch: Engine, coming: Coming, step: Step) -> None:
    """The record as ride 1 of a store of its own."""
    state, rows = _state(coming), len(coming.readings)
    for first in range(0, rows, ROWS_A_BATCH):
        part = slice(first, min(first + ROWS_A_BATCH, rows))
        with scratch.begin() as connection:
            state = store_batch(connection, state, _batch(coming, part))
        step(part.stop, rows)
    with scratch.begin() as connection:
        for number, (ride_s, unix_s, event) in enumerate(coming.events, 1):
            placed = None if ride_s is None else state
            moved = event if ride_s is None else replace(event, time_s=ride_s)
            store_event(connection, placed, NewEvent(number, 1, unix_s, moved, Future()))
        end_ride(connection, state, coming.ended_by)
        _complete(connection, coming)


def _state(coming: Coming) -> RideState:
    first = coming.boots[0]
    return RideState(
        ride_id=1,
        pack=coming.pack.name,
        series=coming.pack.series,
        snapshot=take(coming.pack),
        started_unix_s=coming.started_unix_s,
        started_trusted=coming.started_trusted,
        boot_id=first.boot_id,
        uptime_us=first.uptime_us,
        heard=HostMoment("", 0.0),
        zero_s=0.0,
        kind=coming.kind,
    )


def _batch(coming: Coming, part: slice) -> Batch:
    """Some readings with the board's stamps, and the estimates that belong to their time."""
    readings = list(coming.readings.rows(part))
    time_us = np.rint(coming.readings.time_s[part] * 1e6).astype(np.int64)
    boot = np.searchsorted([one.first_time_us for one in coming.boots], time_us, side="right") - 1
    stamped = []
    for reading, at_us, number in zip(readings, time_us.tolist(), np.maximum(boot, 0).tolist(), strict=True):
        mine = coming.boots[number]
        uptime_us = mine.uptime_us + at_us - mine.first_time_us
        stamped.append(replace(reading, boot_id=mine.boot_id, uptime_us=uptime_us))
    estimates = []
    if coming.estimates is not None:
        last = part.stop >= len(coming.readings)
        ends = (-np.inf if not part.start else stamped[0].time_s, np.inf if last else _next_s(coming, part))
        first, after = np.searchsorted(coming.estimates.time_s, ends)
        estimates = [coming.estimates.row(number) for number in range(first, after)]
    return Batch(stamped, [0.0] * len(stamped), estimates)


def _next_s(coming: Coming, part: slice) -> float:
    return float(coming.readings.time_s[part.stop])


def _complete(connection: Connection, coming: Coming) -> None:
    """What a live ride would not know of itself."""
    named = {"ride_name": coming.name, "note": coming.note, "origin": coming.origin}
    figures = {key: coming.figures[key] for key in FIGURES if key in coming.figures}
    connection.execute(update(rides).values(**named, **figures))
    connection.execute(delete(boots))
    for boot in coming.boots:
        moment = {"unix_s": boot.unix_s, "trusted": boot.trusted, "monotonic_s": 0.0, "host_boot": ""}
        stamp = {"boot_id": boot.boot_id, "first_time_us": boot.first_time_us, "uptime_us": signed(boot.uptime_us)}
        connection.execute(insert(boots).values(ride_id=1, **stamp, **moment))
    for gap in coming.gaps:
        span = {"first_time_us": gap.first_time_us, "last_time_us": gap.last_time_us, "samples": gap.samples}
        connection.execute(insert(gaps).values(ride_id=1, cause=gap.cause, **span))


def _copy(scratch: Engine, path: Path, coming: Coming) -> int:
    """Ride 1 of the scratch store as a new ride of the real one."""
    with scratch.begin() as connection:
        found = {
            table: [dict(row) for row in connection.execute(select(table)).mappings()]
            for table in metadata.sorted_tables
            if "ride_id" in table.c
        }
    target = writer_engine(path)
    try:
        with target.begin() as connection:
            ride_id = Ids("ride", 1).reserve(connection)[0]
            numbers = Ids("event", max(1, len(found[events]))).reserve(connection)
            for row, number in zip(found[events], numbers, strict=False):
                row["event_id"] = number
            found[rides][0]["pack_id"] = _pack_id(connection, take(coming.pack))
            for table, rows in found.items():
                _insert(connection, table, rows, ride_id)
            if coming.summary is not None:
                _add_summary(connection, ride_id, coming.summary)
    finally:
        target.dispose()
    return ride_id


def _insert(connection: Connection, table: Any, rows: Sequence[dict[str, Any]], ride_id: int) -> None:
    own = _NUMBERED.get(table.name)
    if rows:
        connection.execute(
            insert(table), [{**{k: v for k, v in row.items() if k != own}, "ride_id": ride_id} for row in rows]
        )


def _add_summary(connection: Connection, ride_id: int, summary: Mapping[str, Any]) -> None:
    text = json.dumps(summary, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    connection.execute(insert(summaries).values(ride_id=ride_id, version=VERSION, document=text))


def _pack_id(connection: Connection, snapshot: Snapshot) -> int:
    query = select(packs.c.pack_id).where(packs.c.digest == snapshot.digest)
    found = connection.execute(query).scalar()
    if found is None:
        row = {"digest": snapshot.digest, "name": snapshot.name, "series": snapshot.series, "snapshot": snapshot.text}
        connection.execute(insert(packs).values(row))
        found = connection.execute(query).scalar_one()
    return int(found)

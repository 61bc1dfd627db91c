"""The way out of the store: `ports.Rides`. Law: a reader holds its transaction only while it fetches rows.

A long reader would keep the write-ahead log from being checked in, and it would grow; so blobs are fetched first
and decoded afterwards, and chunks and pieces in one statement, or a fold between two would be seen half. Safe from any
thread; every call may wait for the disk. Faults of the file are StoreError.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from sqlalchemy import CompoundSelect, Connection, Engine, Row, Select, select, tuple_, union_all
from sqlalchemy.exc import SQLAlchemyError

from sagwise_daemon.domain.chart import encode_chart, pick_channels
from sagwise_daemon.domain.model import AlarmEvent, AlarmState, Basis, Priority, Readings
from sagwise_daemon.domain.ports import ALL_RIDES, Envelope, Ride, RideFilter, StoredEvent
from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store.codec import CodecError
from sagwise_daemon.io.store.columns import ESTIMATES, SAMPLES, Table, from_bytes, join, unsigned
from sagwise_daemon.io.store.envelope import Channel, Reduction, channels_of, chosen
from sagwise_daemon.io.store.known_packs import document_of
from sagwise_daemon.io.store.levels import sources
from sagwise_daemon.io.store.overview import kept, points_of
from sagwise_daemon.io.store.tables import boots, chunks, events, gaps, overviews, packs, pieces, rides
from sagwise_daemon.io.store.wanted import chosen_by
from sagwise_daemon.io.store.whole import readings_of

T = TypeVar("T")
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Boot:
    """A boot of the board within a ride. first_time_us: the ride's time when it was first heard, then at
    uptime_us.
    """

    boot_id: int
    first_time_us: int
    uptime_us: int
    unix_s: float
    trusted: bool


@dataclass(frozen=True, slots=True)
class Gap:
    """Where samples are missing: cause "queue_full", "order" or "restart"; samples None where nobody counted."""

    cause: str
    first_time_us: int
    last_time_us: int
    samples: int | None


@dataclass(frozen=True, slots=True)
class Shape:
    """What a chart has to know of a ride. levels: whether they are stored; thinned: whether samples are gone."""

    duration_s: float
    samples: int
    channels: dict[str, Channel]
    levels: bool
    thinned: bool


class StoredRides:
    """Rides as they lie on the disk; also those that still go on, up to the last flush."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def rides(self, limit: int = 100, before_id: int | None = None, wanted: RideFilter = ALL_RIDES) -> Sequence[Ride]:
        """Newest first by their start; `before_id` goes on behind that ride. Raises KeyError where it is none."""
        query = _rides().order_by(rides.c.started_unix_s.desc(), rides.c.ride_id.desc()).limit(max(0, limit))
        query = query.where(*chosen_by(wanted))
        if before_id is not None:
            query = query.where(tuple_(rides.c.started_unix_s, rides.c.ride_id) < self._place(before_id))
        return [_ride(row) for row in self._rows(query)]

    def ride(self, ride_id: int) -> Ride:
        """Raises KeyError where there is none."""
        return _ride(self._row(_rides().where(rides.c.ride_id == ride_id), ride_id))

    def channels(self, ride_id: int) -> Sequence[str]:
        """Names that `envelope` takes for this ride. Raises KeyError."""
        return list(self.shape(ride_id).channels)

    def envelope(
        self,
        ride_id: int,
        channels: Sequence[str],
        points: int,
        start_s: float | None = None,
        end_s: float | None = None,
    ) -> Envelope:
        """Raises KeyError for an unknown ride, ValueError naming an unknown channel or an empty span."""
        shape = self.shape(ride_id)
        start_s = 0.0 if start_s is None else start_s
        # A ride of a single sample has no length, yet it can be looked at.
        end_s = max(shape.duration_s, start_s + 1e-3) if end_s is None else end_s
        reduction = Reduction(chosen(shape.channels, channels), points, start_s, end_s)
        reduction.add(self.charted(ride_id, shape, reduction, (start_s, end_s), points))
        return reduction.result()

    def overview(self, ride_id: int, channels: Sequence[str]) -> bytes:
        """As the port has it. What is stored for it is sent as it lies; what is not is read from the levels."""
        try:
            found = kept(self._engine, ride_id)
        except (sqlite3.Error, SQLAlchemyError) as fault:
            raise StoreError(f"the store cannot be read: {fault}") from fault
        if found is not None:
            names, body = found
            if all(name in names for name in channels):
                return pick_channels(body, [names.index(name) for name in channels])
        return encode_chart(self.envelope(ride_id, channels, points_of(self.shape(ride_id).samples)))

    def has_overview(self, ride_id: int) -> bool:
        """Whether the overview of a ride is stored, which is soon after its end."""
        return bool(self._rows(select(overviews.c.ride_id).where(overviews.c.ride_id == ride_id)))

    def charted(
        self, ride_id: int, shape: Shape, reduction: Reduction, span_s: tuple[float, float], points: int
    ) -> Iterator[Table]:
        """What a chart of the part `span_s` in so many points has to take in, levels where they are fine enough."""
        span_us = (span_s[1] - span_s[0]) / points * 1e6
        for kind in (SAMPLES, ESTIMATES):
            if reduction.wanted(kind):
                level, beneath = sources(kind, span_us, thinned=shape.thinned) if shape.levels else (kind, ())
                yield from self._tables(ride_id, level, beneath, wanted=reduction.wanted(level), span_s=span_s)

    def events(self, ride_id: int | None = None, limit: int = 200) -> Sequence[StoredEvent]:
        """Newest first; of one ride, or of all. `event.time_s` is the core's clock of its time, `ride_s` the
        ride's.
        """
        query = select(events).order_by(events.c.unix_s.desc(), events.c.event_id.desc()).limit(max(0, limit))
        if ride_id is not None:
            query = query.where(events.c.ride_id == ride_id)
        return [_event(row) for row in self._rows(query)]

    def event_count(self, ride_id: int) -> int:
        """How many events a ride has."""
        return len(self._rows(select(events.c.event_id).where(events.c.ride_id == ride_id)))

    def pack(self, ride_id: int) -> dict[str, Any]:
        """The pack as it was ridden; empty where its facts are lost or damaged. Raises KeyError."""
        query = select(packs.c.snapshot).join(rides).where(rides.c.ride_id == ride_id)
        return document_of(self._row(query, ride_id).snapshot)

    def packs_named(self, name: str) -> dict[int, dict[str, Any]]:
        """The pack of every ride with one of that name, as `pack` has it."""
        query = select(rides.c.ride_id, packs.c.snapshot).join(packs).where(packs.c.name == name)
        texts = {row.ride_id: row.snapshot for row in self._rows(query)}
        facts = {text: document_of(text) for text in set(texts.values())}
        return {ride_id: facts[text] for ride_id, text in texts.items()}

    def boots(self, ride_id: int) -> Sequence[Boot]:
        """The board's boots in a ride, in turn."""
        query = select(boots).where(boots.c.ride_id == ride_id).order_by(boots.c.first_time_us)
        return [
            Boot(row.boot_id, row.first_time_us, unsigned(row.uptime_us), row.unix_s, row.trusted)
            for row in self._rows(query)
        ]

    def gaps(self, ride_id: int) -> Sequence[Gap]:
        """Where samples of a ride are missing, in turn."""
        query = select(gaps).where(gaps.c.ride_id == ride_id).order_by(gaps.c.first_time_us, gaps.c.gap_id)
        return [Gap(row.cause, row.first_time_us, row.last_time_us, row.samples) for row in self._rows(query)]

    def samples(self, ride_id: int) -> Table | None:
        """Every sample of a ride as integers of the wire; None where there is none, and where the ride was thinned.
        Raises KeyError.
        """
        return self._whole(ride_id, SAMPLES)

    def readings(self, ride_id: int) -> Readings | None:
        """The same as readings, in half the memory."""
        ride = self.ride(ride_id)
        return None if ride.thinned else readings_of(self.recorded(ride_id, SAMPLES), ride.samples)

    def estimates(self, ride_id: int) -> Table | None:
        """Every stored estimate of a ride, None where there is none. Raises KeyError."""
        return self._whole(ride_id, ESTIMATES)

    def recorded(self, ride_id: int, kind: int) -> Iterator[Table]:
        """Samples or estimates of a ride as they were recorded, a chunk at a time."""
        return self._tables(ride_id, kind)

    def _whole(self, ride_id: int, kind: int) -> Table | None:
        thinned = self.ride(ride_id).thinned
        tables = [] if kind == SAMPLES and thinned else list(self._tables(ride_id, kind))
        return join(tables) if tables else None

    def shape(self, ride_id: int) -> Shape:
        """What a chart has to know of a ride. Raises KeyError."""
        row = self._row(_rides().where(rides.c.ride_id == ride_id), ride_id)
        current, distance = row.current_max_a is not None, row.distance_m is not None
        known = channels_of(row.series, row.temperatures, current=current, distance=distance)
        return Shape(row.duration_s, row.samples, known, row.levels, row.thinned)

    def _tables(
        self,
        ride_id: int,
        kind: int,
        beneath: Sequence[int] = (),
        *,
        wanted: Collection[int] | None = None,
        span_s: tuple[float, float] | None = None,
    ) -> Iterator[Table]:
        """Chunks of a kind, pieces of it and of the kinds beneath, in order of time, those that touch the span. A
        damaged one is left out, as a gap would be.
        """
        folded = select(chunks.c.chunk_id, chunks.c.first_time_us, chunks.c.blob)
        folded = folded.where(chunks.c.ride_id == ride_id, chunks.c.kind == kind)
        fresh = select(pieces.c.piece_id, pieces.c.first_time_us, pieces.c.blob)
        fresh = fresh.where(pieces.c.ride_id == ride_id, pieces.c.kind.in_((kind, *beneath)))
        if span_s is not None:
            first, last = (round(second * 1e6) for second in span_s)
            folded = folded.where(chunks.c.first_time_us <= last, chunks.c.last_time_us >= first)
            fresh = fresh.where(pieces.c.first_time_us <= last, pieces.c.last_time_us >= first)
        query = union_all(folded, fresh).order_by("first_time_us")
        for row in self._rows(query):
            try:
                yield from_bytes(row.blob, wanted)
            except CodecError as fault:
                _log.warning("ride %d, chunk %d: %s", ride_id, row.chunk_id, fault)

    def _place(self, ride_id: int) -> tuple[float, int]:
        row = self._row(select(rides.c.started_unix_s).where(rides.c.ride_id == ride_id), ride_id)
        return row.started_unix_s, ride_id

    def _row(self, query: Select[Any], ride_id: int) -> Row[Any]:
        found = self._rows(query)
        if not found:
            raise KeyError(f"there is no ride {ride_id}")
        return found[0]

    def _rows(self, query: Select[Any] | CompoundSelect[Any]) -> Sequence[Row[Any]]:
        return self._read(lambda connection: connection.execute(query).all())

    def _read(self, work: Callable[[Connection], T]) -> T:
        try:
            with self._engine.connect() as connection:
                return work(connection)
        except SQLAlchemyError as fault:
            raise StoreError(f"the store cannot be read: {fault}") from fault


def _rides() -> Select[Any]:
    more = (rides.c.ride_name.label("name"), rides.c.deleted_unix_s.is_not(None).label("deleted"))
    return select(rides, packs.c.name.label("pack"), packs.c.series, *more).join(packs)


def _ride(row: Row[Any]) -> Ride:
    return Ride(**{name: getattr(row, name) for name in Ride.__dataclass_fields__})


def _event(row: Row[Any]) -> StoredEvent:
    event = AlarmEvent(
        time_s=row.time_s,
        rule=row.rule,
        group=row.group_number,
        to=AlarmState(row.to_state),
        priority=Priority(row.priority),
        value=row.value,
        limit=row.limit_value,
        unit=row.unit,
        basis=None if row.basis is None else Basis(row.basis),
        by=row.by,
    )
    ride_s = None if row.ride_time_us is None else row.ride_time_us / 1e6
    return StoredEvent(row.event_id, row.ride_id, row.unix_s, event, ride_s)

"""What the writer's thread does while nobody waits for it. Law: one step takes milliseconds and leaves the store whole.

Three works, in this order: levels for rides that were recorded before there were any, the overview of rides that have
ended, and room: beyond its budget the store drops samples at full rate, those of the oldest ride first. Levels,
estimates, summary and events of every ride stay, and a ride that goes on is never touched.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator

from sqlalchemy import Connection, Engine, delete, exists, func, insert, select, update

from sagwise_daemon.io.store import overview
from sagwise_daemon.io.store.columns import COARSE_ESTIMATES, ESTIMATES, LEVELS, SAMPLES, Table, join
from sagwise_daemon.io.store.envelope import Reduction, chosen
from sagwise_daemon.io.store.folding import chunk_row
from sagwise_daemon.io.store.levels import extremes
from sagwise_daemon.io.store.rides import StoredRides
from sagwise_daemon.io.store.tables import chunks, overviews, pieces, rides, summaries

LOOK_EVERY_S = 30.0
CHUNKS_A_STEP = 10
ROWS_A_CHUNK = 600
# Room is made in one go down to this part of the budget, so that not every minute of riding begins it anew.
DOWN_TO = 0.95

_log = logging.getLogger(__name__)


class Housework:
    """Steps through what is to be done. budget_bytes: how large the store may grow, None for no limit."""

    def __init__(self, engine: Engine, stored: StoredRides, budget_bytes: int | None = None) -> None:
        self._engine = engine
        self._stored = stored
        self._budget_bytes = budget_bytes
        self._going: Iterator[None] | None = None
        self._look_at_s = 0.0
        self._hopeless: set[int] = set()
        self._told_full = False

    def look_soon(self) -> None:
        """Something has changed that may be work."""
        self._look_at_s = 0.0

    def step(self) -> bool:
        """One step. False when there is nothing to do for now."""
        if self._going is None:
            if time.monotonic() < self._look_at_s:
                return False
            self._going, self._look_at_s = self._work(), time.monotonic() + LOOK_EVERY_S
        try:
            next(self._going)
        except StopIteration:
            self._going = None
            return False
        except Exception as fault:  # the disk may be full or a file torn: recording goes on, this is tried again
            _log.warning("the store's housework has to wait: %s", fault)
            self._going = None
            return False
        return True

    def _work(self) -> Iterator[None]:
        for ride_id in self._without_overview():
            self._hopeless.add(ride_id)  # until it went well
            yield from make_overview(self._engine, self._stored, ride_id)
            self._hopeless.discard(ride_id)
        yield from self._make_room()

    def _without_overview(self) -> list[int]:
        has_one = exists().where(overviews.c.ride_id == rides.c.ride_id)
        query = select(rides.c.ride_id).where(rides.c.ended_by.is_not(None), ~has_one).order_by(rides.c.ride_id.desc())
        with self._engine.begin() as connection:
            found = connection.execute(query).scalars().all()
        return [ride_id for ride_id in found if ride_id not in self._hopeless]

    def _make_room(self) -> Iterator[None]:
        if self._budget_bytes is None or self._used_bytes() <= self._budget_bytes:
            return
        while self._used_bytes() > DOWN_TO * self._budget_bytes:
            with self._engine.begin() as connection:
                ride_id = oldest_at_full_rate(connection)
                if ride_id is not None:
                    thin(connection, ride_id)
            if ride_id is None:
                self._tell_full()
                return
            yield
        self._told_full = False

    def _used_bytes(self) -> int:
        with self._engine.begin() as connection:
            return used_bytes(connection)

    def _tell_full(self) -> None:
        if not self._told_full:
            _log.warning(
                "the store is larger than its budget and no ride has samples at full rate left to drop: "
                "raise store.budget_mb or delete rides"
            )
        self._told_full = True


def used_bytes(connection: Connection) -> int:
    """Bytes of the file that hold something; freed pages are used again before the file grows."""
    pages, free, size = (
        int(connection.exec_driver_sql(f"PRAGMA {name}").scalar_one())
        for name in ("page_count", "freelist_count", "page_size")
    )
    return (pages - free) * size


def oldest_at_full_rate(connection: Connection) -> int | None:
    """The ride that was recorded first of those that have ended and have samples at full rate, and everything that is
    made from them: levels, an overview and a summary.
    """
    at_full_rate = exists().where(chunks.c.ride_id == rides.c.ride_id, chunks.c.kind == SAMPLES)
    made = [exists().where(table.c.ride_id == rides.c.ride_id) for table in (overviews, summaries)]
    query = select(func.min(rides.c.ride_id)).where(rides.c.ended_by.is_not(None), rides.c.levels, at_full_rate, *made)
    found = connection.execute(query).scalar()
    return None if found is None else int(found)


def thin(connection: Connection, ride_id: int) -> None:
    """Drop a ride's first chunks of samples at full rate, and say so in its row."""
    mine = select(chunks.c.chunk_id).where(chunks.c.ride_id == ride_id, chunks.c.kind == SAMPLES)
    first = connection.execute(mine.order_by(chunks.c.first_time_us).limit(CHUNKS_A_STEP)).scalars().all()
    connection.execute(delete(chunks).where(chunks.c.chunk_id.in_(first)))
    was = connection.execute(select(rides.c.thinned).where(rides.c.ride_id == ride_id)).scalar()
    if not was:
        _log.info("ride %d is thinned to make room: the extremes of every 2 s are left of its samples", ride_id)
        connection.execute(update(rides).where(rides.c.ride_id == ride_id).values(thinned=True))


def make_overview(engine: Engine, stored: StoredRides, ride_id: int) -> Iterator[None]:
    """Make and store a ride's overview, and before that its levels if it has none."""
    if not stored.shape(ride_id).levels:
        yield from make_levels(engine, stored, ride_id)
    shape = stored.shape(ride_id)
    points, span_s = overview.points_of(shape.samples), (0.0, max(shape.duration_s, 1e-3))
    reduction = Reduction(chosen(shape.channels, overview.kept_channels(shape.channels)), points, *span_s)
    for table in stored.charted(ride_id, shape, reduction, span_s, points):
        reduction.add([table])
        yield
    with engine.begin() as connection:
        overview.store(connection, ride_id, reduction.result())
    yield


def make_levels(engine: Engine, stored: StoredRides, ride_id: int) -> Iterator[None]:
    """Make a ride's levels anew from its samples and estimates. A ride that was thinned must not come here."""
    rows: list[dict[str, object]] = []
    for kind in (SAMPLES, ESTIMATES):
        made: list[Table] = []
        for table in stored.recorded(ride_id, kind):
            made.append(extremes(table))
            yield
        for level in _whole_levels(made):
            for first in range(0, level.rows, ROWS_A_CHUNK):
                rows.append(chunk_row(ride_id, level.rows_at(range(first, min(first + ROWS_A_CHUNK, level.rows)))))
                yield
    with engine.begin() as connection:
        forget_levels(connection, ride_id)
        if rows:
            connection.execute(insert(chunks), rows)
        connection.execute(update(rides).where(rides.c.ride_id == ride_id).values(levels=True))
    yield


def forget_levels(connection: Connection, ride_id: int) -> None:
    """Drop a ride's levels and its overview."""
    for table in (chunks, pieces):
        connection.execute(delete(table).where(table.c.ride_id == ride_id, table.c.kind.in_(LEVELS)))
    connection.execute(delete(overviews).where(overviews.c.ride_id == ride_id))
    connection.execute(update(rides).where(rides.c.ride_id == ride_id).values(levels=False))


def _whole_levels(made: list[Table]) -> list[Table]:
    """The level made from one kind's chunks, and where there is one the level above it."""
    if not made:
        return []
    level = join(made)
    return [level] if level.kind == COARSE_ESTIMATES else [level, extremes(level)]


def run_all(steps: Iterator[None], between: Callable[[], object] = lambda: None) -> None:
    """All steps of a work at once, for those that have the time."""
    for _ in steps:
        between()

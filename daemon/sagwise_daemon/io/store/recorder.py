"""The way into the store. Law: no call waits for the disk, except `flush`, `unfinished` and `close` which say so.

Safe from any thread. Identifiers are given at once from a reserve (`ids`). Two processes may record into one
store; SQLite lets one of them write at a time.
"""

from __future__ import annotations

import math
import threading
import time
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Engine
from sqlalchemy.exc import SQLAlchemyError

from sagwise_daemon.domain.model import AlarmEvent, Estimate, Reading
from sagwise_daemon.domain.ride.kinds import RIDE
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.clock import host_boot
from sagwise_daemon.io.store.engine import writer_engine
from sagwise_daemon.io.store.housework import Housework
from sagwise_daemon.io.store.ids import Ids
from sagwise_daemon.io.store.inbox import SAMPLES_MAX, Date, End, Flush, Inbox, Keep, NewEvent, Open, Order, Sample
from sagwise_daemon.io.store.resume import left_open
from sagwise_daemon.io.store.rides import StoredRides
from sagwise_daemon.io.store.snapshot import take
from sagwise_daemon.io.store.state import HostMoment, RideStart, RideState
from sagwise_daemon.io.store.writer import Writer

CLOSE_TIMEOUT_S = 10.0
RIDE_BLOCK = 4
EVENT_BLOCK = 4096  # a pack of 48 groups can raise hundreds of events in one step


@dataclass(frozen=True, slots=True)
class UnfinishedRide:
    """A ride that the last run left open. boot_id, uptime_us: the board's stamp of its last stored sample.

    away_s: seconds since that sample arrived, None if the host was rebooted since. samples: how many are stored.
    """

    ride_id: int
    boot_id: int
    uptime_us: int
    pack: str
    series: int
    samples: int
    away_s: float | None
    kind: str = RIDE


class Recorder:
    """Takes rides, samples and events; a thread of its own stores them."""

    def __init__(
        self, path: Path, readers: Engine, samples_max: int = SAMPLES_MAX, budget_bytes: int | None = None
    ) -> None:
        """Starts the writer's thread. budget_bytes: as for `Store.open`. Raises StoreError if the store cannot be
        written.
        """
        self._path = path
        self._readers = readers
        self._guard = threading.Lock()
        self._closed = self._looked = False
        self._series: dict[int, int] = {}
        self._estimate_second: dict[int, int] = {}
        self._host_boot = host_boot()
        self._inbox = Inbox(samples_max)
        self._ride_ids, self._event_ids = Ids("ride", RIDE_BLOCK), Ids("event", EVENT_BLOCK)
        self._engine = writer_engine(path)
        pools = (self._ride_ids, self._event_ids)
        try:
            with self._engine.begin() as connection:
                reserved = [pool.reserve(connection) for pool in pools]
        except SQLAlchemyError as fault:
            self._engine.dispose()
            raise StoreError(f"{path}: the store cannot be written: {fault}") from fault
        for pool, numbers in zip(pools, reserved, strict=True):
            pool.add(numbers)
        housework = Housework(self._engine, StoredRides(readers), budget_bytes)
        self._writer = Writer(self._engine, self._inbox, pools, self._host_boot, housework)
        self._writer.start()

    def begin_ride(self, start: RideStart) -> int:
        """A new ride's id. Its row is stored with its first samples or event.

        Raises ValueError for a pack with figures that are not finite, StoreError when closed, or when rides began
        while nothing could be written until no identifier was left.
        """
        snapshot = take(start.pack)
        began_s = start.started_monotonic_s
        heard = HostMoment(self._host_boot, time.monotonic() if began_s is None else began_s)
        ride_id = self._ride_ids.take()
        if ride_id is None:
            raise StoreError(f"{self._path}: the store cannot be written, so no ride can begin; see the log")
        with self._guard:
            self._series[ride_id] = start.pack.series
        state = RideState(
            ride_id=ride_id,
            pack=start.pack.name,
            series=start.pack.series,
            snapshot=snapshot,
            started_unix_s=start.started_unix_s,
            started_trusted=start.started_trusted,
            boot_id=start.boot_id,
            uptime_us=start.uptime_us,
            heard=heard,
            zero_s=start.time_s,
            kind=start.kind,
        )
        self._order(Open(state))
        return ride_id

    def append(self, ride_id: int, reading: Reading) -> None:
        """Keep a reading; its arrays must not be changed afterwards.

        Raises KeyError for a ride that is not open, ValueError if the groups are not the pack's or time_s is not
        finite.
        """
        if reading.group_v.shape != (self._series[ride_id],):
            raise ValueError(
                f"ride {ride_id}: a reading of {reading.group_v.size} groups, its pack has {self._series[ride_id]}"
            )
        self._put(ride_id, reading)

    def append_estimate(self, ride_id: int, estimate: Estimate) -> None:
        """Keep the first estimate of each second of the core's clock. Raises as `append`."""
        if estimate.rest_v.shape != (self._series[ride_id],):
            raise ValueError(f"ride {ride_id}: an estimate with {estimate.rest_v.size} groups, not the pack's")
        second = math.floor(estimate.time_s)
        if self._estimate_second.get(ride_id) != second:
            self._estimate_second[ride_id] = second
            self._put(ride_id, estimate)

    def event(
        self, event: AlarmEvent, ride_id: int | None, unix_s: float, *, trusted: bool = True
    ) -> tuple[int, Future[None]]:
        """The event's id at once, and a future that is done when the event is committed with full sync. trusted:
        whether `unix_s` is; if not, it is put right when `date` is called.

        The future fails with StoreError if it could not be stored; the store then goes on trying. The id is 0 when
        nothing could be written for so long that no identifier is left; that event is not kept.
        """
        done: Future[None] = Future()
        event_id = self._event_ids.take()
        if event_id is None:
            done.set_exception(StoreError(f"{self._path}: the store cannot be written; see the log"))
            return 0, done
        try:
            told = None if trusted else HostMoment(self._host_boot, time.monotonic())
            self._order(NewEvent(event_id, ride_id, unix_s, event, done, told))
        except StoreError as fault:
            done.set_exception(fault)
        return event_id, done

    def end_ride(self, ride_id: int, ended_by: str) -> None:
        """The ride is over; what waits of it is stored first. Raises KeyError for a ride that is not open."""
        with self._guard:
            del self._series[ride_id]
            self._estimate_second.pop(ride_id, None)
        self._order(End(ride_id, ended_by))

    def date(self, known: WallTime) -> None:
        """Date what this boot of the host has recorded without a trusted clock. Raises StoreError when closed."""
        self._order(Date(known))

    def keep(self, row: Keep) -> None:
        """Keep what was learnt about a pack (`memory`), in place of what was there. Raises StoreError when closed."""
        self._order(row)

    def flush(self, timeout_s: float = CLOSE_TIMEOUT_S) -> None:
        """Wait until everything given so far is committed. Raises StoreError if it is not."""
        done: Future[None] = Future()
        self._order(Flush(done))
        self._wait(done, timeout_s)

    def unfinished(self) -> UnfinishedRide | None:
        """The ride that the last run left open, now open again for `append` or `end_ride`; reads the disk once.

        Older ones left open, or one whose last chunk is damaged, end as "power". None when there is none (any
        more): what is open later is this run's own, though its end may not be on the disk yet. Raises StoreError.
        """
        if self._looked:
            return None
        try:
            with self._readers.connect() as connection:
                left = left_open(connection, list(self._series))
        except SQLAlchemyError as fault:
            raise StoreError(f"{self._path}: the store cannot be read: {fault}") from fault
        self._looked = True
        for state in left:
            self._series[state.ride_id] = state.series
            self._order(Open(state))
        whole = [state for state in left if state.tail is not None or not state.totals.samples]
        for state in left:
            if state not in whole[:1]:
                self.end_ride(state.ride_id, "power")
        return self._describe(whole[0]) if whole else None

    def failing(self) -> bool:
        """Whether nothing can be written at present; what comes is kept and tried again."""
        return self._writer.failing

    def behind_s(self) -> float:
        """For how long the oldest reading has waited to be stored; 0 when none waits."""
        oldest_s = self._inbox.oldest_s()
        return 0.0 if oldest_s is None else time.monotonic() - oldest_s

    def close(self) -> None:
        """Store what waits, end the thread and release the store. Raises StoreError if something is not stored."""
        done: Future[None] = Future()
        with self._guard:
            if self._closed:
                return
            self._closed = True
            self._inbox.order(Flush(done, last=True))
        try:
            self._wait(done, CLOSE_TIMEOUT_S)
        finally:
            self._writer.join(CLOSE_TIMEOUT_S)
            self._engine.dispose()

    def _put(self, ride_id: int, item: Reading | Estimate) -> None:
        if not math.isfinite(item.time_s):
            raise ValueError(f"ride {ride_id}: time_s is {item.time_s}, it has to be finite")
        if self._closed:
            raise StoreError(f"{self._path}: the store is closed")
        self._inbox.put(Sample(ride_id, item, time.monotonic()))

    def _order(self, order: Order) -> None:
        with self._guard:
            if self._closed:
                raise StoreError(f"{self._path}: the store is closed")
            self._inbox.order(order)

    def _wait(self, done: Future[None], timeout_s: float) -> None:
        try:
            done.result(timeout_s)
        except TimeoutError as fault:
            raise StoreError(f"{self._path}: not stored within {timeout_s:g} s") from fault

    def _describe(self, state: RideState) -> UnfinishedRide:
        boot_id, uptime_us = state.last_stamp
        same = bool(self._host_boot) and state.heard.boot == self._host_boot
        return UnfinishedRide(
            ride_id=state.ride_id,
            boot_id=boot_id,
            uptime_us=uptime_us,
            pack=state.pack,
            series=state.series,
            samples=state.totals.samples,
            away_s=time.monotonic() - state.heard.monotonic_s if same else None,
            kind=state.kind,
        )

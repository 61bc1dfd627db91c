"""The one thread that writes. Law: an event is committed before anything that waits with it, and nothing ends the
thread.

Orders are worked off in turn as they come; events go into a transaction of their own at once. Samples are stored
every `FLUSH_EVERY_S`. What cannot be stored (disk full, file read-only) stays in memory and is tried again at the
next flush: samples in the inbox, under its bound; events in a list of their own, without one, although their
futures have failed already: an alarm belongs in the record even if it gets there late.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import IntegrityError

from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store.dating import date_events, date_rides
from sagwise_daemon.io.store.housework import Housework
from sagwise_daemon.io.store.ids import Ids
from sagwise_daemon.io.store.inbox import Date, End, Flush, Inbox, Keep, Loss, NewEvent, Open, Order, merge
from sagwise_daemon.io.store.state import RideState
from sagwise_daemon.io.store.writing import (
    Batch,
    batches,
    end_ride,
    ensure_ride,
    keep_learnt,
    store_batch,
    store_event,
)

FLUSH_EVERY_S = 1.8  # with the commit itself under the 2 s that may be lost
RETRY_EVERY_S = 1.0  # while nothing can be written
# Housework steps only while so much time is left before the next flush, and rests between steps.
STEP_BEFORE_S = 0.05
STEP_REST_S = 0.01
SAMPLES_A_COMMIT = 1200

_log = logging.getLogger(__name__)


class Writer:
    """Takes from the inbox and writes through `engine`, in its own thread from `start` to `join`."""

    def __init__(self, engine: Engine, inbox: Inbox, pools: Sequence[Ids], boot: str, housework: Housework) -> None:
        self._engine = engine
        self._inbox = inbox
        self._pools = pools
        self._boot = boot
        self._housework = housework
        self._rides: dict[int, RideState] = {}
        self._ending: dict[int, str] = {}
        self._losses: dict[int, Loss] = {}
        self._late: list[NewEvent] = []
        self._keeping: dict[str, Keep] = {}
        self._known: WallTime | None = None
        self._failing = False
        self._thread = threading.Thread(target=self._run, name="store-writer", daemon=True)

    def start(self) -> None:
        """Begin writing."""
        self._thread.start()

    @property
    def failing(self) -> bool:
        """Whether the last write failed; it is tried again."""
        return self._failing

    def join(self, timeout_s: float) -> bool:
        """Wait for the end, which a `Flush(last=True)` brings. False: it still runs."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        due = time.monotonic() + FLUSH_EVERY_S
        running = True
        while running:
            orders = self._inbox.orders(self._wait_s(due), until_pressing=not self._failing)
            flushes = self._take_in(orders)
            ended = any(isinstance(order, End) for order in orders)
            pressed = self._inbox.pressing and not self._failing
            if flushes or ended or pressed or time.monotonic() >= due:
                due = time.monotonic() + FLUSH_EVERY_S
                fault = self._flush()
                if fault is not None:
                    due = time.monotonic() + RETRY_EVERY_S
                self._reserve()  # before the answer: whoever waits for it may begin the next ride at once
                self._answer(flushes, fault)
            running = not any(flush.last for flush in flushes)
            self._reserve()
        self._attempt(self._give_back)

    def _wait_s(self, due: float) -> float:
        """How long to wait for orders, after a step of housework where there is time for one."""
        left_s = due - time.monotonic()
        if left_s > STEP_BEFORE_S and not self._failing and self._housework.step():
            return STEP_REST_S
        return left_s

    def _reserve(self) -> None:
        """Identifiers for the callers, before they run out."""
        for pool in self._pools:
            if pool.low:
                reserved: list[range] = []
                if self._attempt(lambda connection: reserved.append(pool.reserve(connection))) is None:  # noqa: B023
                    pool.add(reserved[0])

    def _give_back(self, connection: Connection) -> None:
        for pool in self._pools:
            pool.give_back(connection)

    def _take_in(self, orders: list[Order]) -> list[Flush]:
        """Work off orders but for flushes, which are returned. Neighbouring events share a transaction."""
        flushes, new = [], []
        for order in orders:
            match order:
                case Open():
                    self._rides[order.state.ride_id] = order.state
                case NewEvent():
                    new.append(order)
                case End():
                    self._ending[order.ride_id] = order.ended_by
                case Keep():
                    self._keeping[order.pack_digest] = order
                case Date():
                    self._known = order.known
                case Flush():
                    flushes.append(order)
        if new:
            self._store_events(new)
        return flushes

    def _store_events(self, new: list[NewEvent]) -> None:
        fault = self._attempt(lambda connection: self._events_in(connection, new))
        if isinstance(fault, IntegrityError) and len(new) > 1:
            for one in new:
                self._store_events([one])
            return
        for event in new:
            _settle(event, fault)
        if fault is not None and not isinstance(fault, IntegrityError):
            self._late.extend(new)  # an IntegrityError says that it never can be stored

    def _events_in(self, connection: Connection, new: list[NewEvent]) -> dict[int, RideState]:
        changed: dict[int, RideState] = {}
        for event in new:
            state = None
            if event.ride_id in self._rides:
                state = changed.get(event.ride_id, self._rides[event.ride_id])
                changed[event.ride_id] = state = ensure_ride(connection, state)
            store_event(connection, state, event)
        return changed

    def _flush(self) -> BaseException | None:
        """Store all that waits. Returns the fault that stopped it."""
        if self._late:
            late, self._late = self._late, []
            self._store_events(late)
        fault: BaseException | None = None
        while fault is None:
            taken = self._inbox.take(SAMPLES_A_COMMIT)
            for order in self._inbox.opened():  # a ride may begin, and bring samples, while others are stored
                self._rides[order.state.ride_id] = order.state
            for ride_id, loss in self._inbox.losses().items():
                merge(self._losses, ride_id, loss)
            work = batches(taken, self._losses, self._boot)
            ending = {} if self._inbox.waiting else dict(self._ending)
            if not work and not ending:
                return self._date() or self._keep() or (StoreError("events are not stored yet") if self._late else None)
            fault = self._attempt(lambda connection: self._batches_in(connection, work, ending))  # noqa: B023
            if fault is None:
                self._inbox.stored()
                self._losses = {}
                self._forget(ending)
            else:
                self._inbox.give_back(taken)
        return fault

    def _date(self) -> BaseException | None:
        """Date what waited for a trusted clock, also rides that go on."""
        known = self._known
        if known is None:
            return None

        def work(connection: Connection) -> dict[int, RideState]:
            states = {ride_id: ensure_ride(connection, state) for ride_id, state in self._rides.items()}
            started = date_rides(connection, known)
            date_events(connection, known)
            return {
                ride_id: replace(state, started_unix_s=started[ride_id], started_trusted=True)
                if ride_id in started
                else state
                for ride_id, state in states.items()
            }

        fault = self._attempt(work)
        if fault is None:
            self._known = None
        return fault

    def _keep(self) -> BaseException | None:
        """Store what was learnt; only the newest of each pack has waited."""
        if not self._keeping:
            return None

        def work(connection: Connection) -> None:
            for row in self._keeping.values():
                keep_learnt(connection, row)

        fault = self._attempt(work)
        if fault is None:
            self._keeping.clear()
        return fault

    def _batches_in(
        self, connection: Connection, work: dict[int, Batch], ending: dict[int, str]
    ) -> dict[int, RideState]:
        changed = {
            ride_id: store_batch(connection, self._rides[ride_id], batch)
            for ride_id, batch in work.items()
            if ride_id in self._rides
        }
        for ride_id, ended_by in ending.items():
            if ride_id in self._rides:
                end_ride(connection, changed.get(ride_id, self._rides[ride_id]), ended_by)
        return changed

    def _forget(self, ended: dict[int, str]) -> None:
        for ride_id in ended:
            self._rides.pop(ride_id, None)
            self._ending.pop(ride_id, None)
            self._housework.look_soon()

    def _attempt(self, work: Callable[[Connection], dict[int, RideState] | None]) -> BaseException | None:
        """One transaction. The states it made count only if it is committed."""
        try:
            with self._engine.begin() as connection:
                changed = work(connection)
        except Exception as fault:  # whatever it was, the thread has to live on and say so
            if not self._failing:
                _log.error("the store cannot be written, will try again: %s", fault)
            self._failing = not isinstance(fault, IntegrityError)  # which is of that row, not of the disk
            return fault
        self._rides.update(changed or {})
        if self._failing:
            _log.warning("the store can be written again")
        self._failing = False
        return None

    def _answer(self, flushes: list[Flush], fault: BaseException | None) -> None:
        for flush in flushes:
            if fault is None:
                flush.done.set_result(None)
            else:
                flush.done.set_exception(StoreError(f"the store could not be written: {fault}"))


def _settle(event: NewEvent, fault: BaseException | None) -> None:
    """Tell whoever waits, once; one that gave up waiting is not told."""
    if event.done.done() or not event.done.set_running_or_notify_cancel():
        return
    if fault is None:
        event.done.set_result(None)
    else:
        event.done.set_exception(StoreError(f"event {event.event_id} ({event.event.rule}) is not stored: {fault}"))

"""Core, ride and store for one pack. Law: the same steps for a live ride and for one made from a trace.

What a ride records begins with the pre-roll before its first movement, and a ride that was cut off goes on when the
same boot of the board is heard again in time. A charge begins with its first current; while the bike stands, one
reading a minute is kept. Called from one thread; never blocks.
"""

from __future__ import annotations

import logging
import math
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Protocol

from sagwise_daemon.domain.core import learnt, new_state, other_pack, retune, step, views, weak_groups
from sagwise_daemon.domain.estimate import Learnt, Weakness
from sagwise_daemon.domain.model import AlarmEvent, Estimate, Event, Outcomes, Pack, Reading, RideEnded, Silence
from sagwise_daemon.domain.ports import Memory
from sagwise_daemon.domain.ride.bounds import Begin, End, RideBounds, RideSettings
from sagwise_daemon.domain.ride.kinds import RIDE, STANDING
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store import RideStart, UnfinishedRide
from sagwise_daemon.outlets import EventOutlet, Moment

log = logging.getLogger(__name__)

PREROLL_ROWS = 12_000  # 120 s at 100 Hz, so that a pre-roll is bounded whatever the board's clock does
STANDING_EVERY_S = 60.0  # a bike may stand for weeks

WEAK_EVERY_S = 5.0  # what is found in minutes need not be asked for at every reading
KEEP_EVERY_S = 180.0  # what was learnt: a power cut loses no more than this
OTHER_CELLS = (
    "The resistance of the pack is not that of its earlier rides, so nothing learnt from them is used: if cells were"
    " changed, give the pack file another name."
)

Step = tuple[Reading, Estimate | None]


@dataclass(frozen=True, slots=True, eq=False)
class Stored:
    """One event on its way to the disk."""

    event_id: int
    done: Future[None]


class RideRecorder(Protocol):
    """What a flow records into; see `io.store.Recorder`."""

    def begin_ride(self, start: RideStart) -> int: ...

    def append(self, ride_id: int, reading: Reading) -> None: ...

    def append_estimate(self, ride_id: int, estimate: Estimate) -> None: ...

    def event(
        self, event: AlarmEvent, ride_id: int | None, unix_s: float, *, trusted: bool = True
    ) -> tuple[int, Future[None]]: ...

    def end_ride(self, ride_id: int, ended_by: str) -> None: ...

    def unfinished(self) -> UnfinishedRide | None: ...


class Flow:
    """Core, ride and store for one pack. `wall` looks at the host's clocks. memory: what rides teach, None for none."""

    def __init__(
        self,
        pack: Pack,
        recorder: RideRecorder,
        settings: RideSettings,
        wall: Callable[[], WallTime],
        outlets: Sequence[EventOutlet] = (),
        memory: Memory | None = None,
    ) -> None:
        self._pack = pack
        self._recorder = recorder
        self._wall = wall
        self._outlets = outlets
        self._memory = memory
        self._state = new_state(pack, self._recall())
        self._learnt_s = -math.inf
        self._notice: str | None = None
        self._weak: tuple[Weakness, ...] = ()
        self._weak_s = -math.inf
        self._bounds = RideBounds(settings)
        self._preroll_s = settings.preroll_s
        self._before: deque[Step] = deque(maxlen=PREROLL_ROWS)
        self._kept_s = -math.inf
        self._unfinished = self._left()
        self.ride_id: int | None = None
        self.moment = Moment()

    def take(self, event: Event) -> list[Stored]:
        """One event through the core; what it brought goes to store and outlets. Returns the events being stored."""
        self._state, outcomes = step(self._state, event)
        change = self._change(event)
        cut_off = isinstance(change, End) and change.ended_by == "link"  # this reading is no part of that ride
        if isinstance(event, Reading):
            self.moment = Moment(event, outcomes.estimate, energy=outcomes.energy)
            if not cut_off:
                self._record(event, outcomes.estimate)
            self._learn(event.time_s)
        stored = []
        if isinstance(change, Begin):
            stored = self.end_ride(change.kind)
            self._begin(change)
        stored += self._publish(outcomes)
        if isinstance(change, End):
            stored += self.end_ride(change.ended_by)
        if isinstance(event, Reading) and cut_off:
            self._record(event, outcomes.estimate)
        self.moment = self._moment(outcomes)
        return stored

    @property
    def riding(self) -> bool:
        """Whether a ride goes on."""
        return self._bounds.riding

    def retune(self, pack: Pack) -> list[Stored]:
        """Other alarm settings of the same pack, from the next reading on. Returns the events being stored."""
        self._pack = pack
        outcomes = retune(self._state, pack)
        stored = self._publish(outcomes)
        self.moment = self._moment(outcomes)
        return stored

    def end_ride(self, ended_by: str) -> list[Stored]:
        """End the ride that goes on, if one does; alarms that only wait to be seen end with it."""
        self._close_left()
        if self.ride_id is None:
            return []
        self._keep_learnt()
        self._state, outcomes = step(self._state, RideEnded())
        stored = self._publish(outcomes)
        self._recorder.end_ride(self.ride_id, ended_by)
        log.info("ride %d ended: %s", self.ride_id, ended_by)
        self.ride_id = None
        self.moment = self._moment(outcomes)
        return stored

    def _moment(self, outcomes: Outcomes) -> Moment:
        return Moment(
            reading=self.moment.reading,
            estimate=self.moment.estimate,
            alarms=views(self._state),
            sound=outcomes.sound,
            ride_id=self.ride_id,
            notice=self._notice,
            energy=self.moment.energy,
            weak=self._weak,
        )

    def _publish(self, outcomes: Outcomes) -> list[Stored]:
        return [self._store(event) for event in outcomes.events]

    def _store(self, event: AlarmEvent) -> Stored:
        wall = self._wall()
        event_id, done = self._recorder.event(event, self.ride_id, wall.unix_s, trusted=wall.trusted)
        for outlet in self._outlets:
            outlet.offer(event)
        return Stored(event_id, done)

    # What rides teach.

    def _recall(self) -> Learnt | None:
        if self._memory is None:
            return None
        try:
            return self._memory.recall(self._pack)
        except StoreError as fault:
            log.warning("%s; the ride begins without it", fault)
            return None

    def _learn(self, time_s: float) -> None:
        """Keep what the ride that goes on has taught, every few minutes; name weak groups; say so once where the cells
        are others."""
        if not 0 <= time_s - self._weak_s < WEAK_EVERY_S:
            self._weak_s, self._weak = time_s, weak_groups(self._state)
        if self._notice is None and other_pack(self._state):
            self._notice = OTHER_CELLS
            log.warning(OTHER_CELLS)
        if self.ride_id is not None and not 0 <= time_s - self._learnt_s < KEEP_EVERY_S:
            self._learnt_s = time_s
            self._keep_learnt()

    def _keep_learnt(self) -> None:
        known = None if self._memory is None else learnt(self._state)
        if self._memory is not None and known is not None:
            self._memory.keep(self._pack, known)

    # Rides.

    def _change(self, event: Event) -> Begin | End | None:
        """What the event begins or ends."""
        if isinstance(event, Reading):
            if self._unfinished is not None:
                self._take_up_or_close(event)
            return self._bounds.reading(event)
        if isinstance(event, Silence):
            return self._bounds.silence(event.age_s)
        return None

    def _record(self, reading: Reading, estimate: Estimate | None) -> None:
        if not self._bounds.riding or self.ride_id is None:
            self._keep_before(reading, estimate)
        if self.ride_id is not None and not self._stands_still(reading.time_s):
            self._append(self.ride_id, reading, estimate)

    def _stands_still(self, time_s: float) -> bool:
        """Whether the bike stands and a reading of this minute is kept."""
        return self._bounds.kind == STANDING and 0 <= time_s - self._kept_s < STANDING_EVERY_S

    def _keep_before(self, reading: Reading, estimate: Estimate | None) -> None:
        settings = self._bounds.settings
        keep_s = max(self._preroll_s + settings.begin_after_s, settings.charge_after_s)
        self._before.append((reading, estimate))
        while self._before[0][0].time_s < reading.time_s - keep_s:
            self._before.popleft()

    def _append(self, ride_id: int, reading: Reading, estimate: Estimate | None) -> None:
        self._kept_s = reading.time_s
        self._recorder.append(ride_id, reading)
        if estimate is not None:
            self._recorder.append_estimate(ride_id, estimate)

    def _begin(self, begun: Begin) -> None:
        """A record began; a ride takes in the pre-roll before its first movement, a charge its own beginning."""
        since_s = begun.time_s - (self._preroll_s if begun.kind == RIDE else 0.0)
        rows = [row for row in self._before if row[0].time_s >= since_s]
        self._before.clear()
        first, last, wall = rows[0][0], rows[-1][0], self._wall()
        self.ride_id = self._number(
            RideStart(
                pack=self._pack,
                boot_id=first.boot_id,
                started_unix_s=wall.unix_s - (last.time_s - first.time_s),
                started_trusted=wall.trusted,
                uptime_us=first.uptime_us,
                time_s=first.time_s,
                kind=begun.kind,
                started_monotonic_s=wall.monotonic_s - (last.time_s - first.time_s),
            )
        )
        if self.ride_id is None:
            return
        log.info("%s %d begins", begun.kind, self.ride_id)
        for reading, estimate in rows:
            self._append(self.ride_id, reading, estimate)

    def _number(self, start: RideStart) -> int | None:
        """None where the store has taken nothing for so long that it cannot take this ride either: a ride that is not
        recorded is watched like any other."""
        try:
            return self._recorder.begin_ride(start)
        except StoreError as fault:
            log.error("%s", fault)
            return None

    def _left(self) -> UnfinishedRide | None:
        """What the last run left open; a store that cannot say so keeps no new ride from being watched."""
        try:
            return self._recorder.unfinished()
        except StoreError as fault:
            log.error("%s; a ride that was cut off does not go on", fault)
            return None

    def _take_up_or_close(self, reading: Reading) -> None:
        """The first reading after a start decides: the same boot and pack within the standstill time goes on."""
        left, self._unfinished = self._unfinished, None
        assert left is not None
        away_s = (reading.uptime_us - left.uptime_us) * 1e-6
        same = left.boot_id == reading.boot_id and left.pack == self._pack.name
        if same and 0 < away_s <= self._bounds.settings.end_after_s:
            self.ride_id = left.ride_id
            self._bounds.resume(reading.time_s, left.kind)
            log.info("ride %d goes on after %.1f s away", left.ride_id, away_s)
        else:
            self._unfinished = left
            self._close_left()

    def _close_left(self) -> None:
        """A ride that was cut off and does not go on ends where the power did."""
        if self._unfinished is not None:
            self._recorder.end_ride(self._unfinished.ride_id, "power")
            log.info("ride %d was cut off and is closed", self._unfinished.ride_id)
            self._unfinished = None

"""What rides teach on its way through the daemon. Law: kept while riding and at the end, used at the start, and never
in the way of riding.
"""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import dataclass, field

import pytest

from sagwise_daemon.domain.core import learnt
from sagwise_daemon.domain.estimate import Learnt
from sagwise_daemon.domain.model import AlarmEvent, Estimate, Pack, Reading
from sagwise_daemon.domain.ride.bounds import RideSettings
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.errors import StoreError
from sagwise_daemon.flow import KEEP_EVERY_S, OTHER_CELLS, Flow
from sagwise_daemon.io.store import RideStart


class Recorder:
    """Rides begin and end, and nobody keeps them."""

    def begin_ride(self, start: RideStart) -> int:
        return 1

    def append(self, ride_id: int, reading: Reading) -> None:
        assert ride_id

    def append_estimate(self, ride_id: int, estimate: Estimate) -> None:
        assert ride_id

    def event(
        self, event: AlarmEvent, ride_id: int | None, unix_s: float, *, trusted: bool = True
    ) -> tuple[int, Future[None]]:
        done: Future[None] = Future()
        done.set_result(None)
        return 1, done

    def end_ride(self, ride_id: int, ended_by: str) -> None:
        assert ride_id

    def unfinished(self) -> None:
        return None


@dataclass
class Memory:
    """As the store's, in a list."""

    known: Learnt | None = None
    broken: bool = False
    kept: list[Learnt] = field(default_factory=list)

    def recall(self, pack: Pack) -> Learnt | None:
        if self.broken:
            raise StoreError("what was learnt cannot be read: disk on fire")
        return self.known

    def keep(self, pack: Pack, learnt: Learnt) -> None:
        self.kept.append(learnt)


def ride(ridden, memory: Memory | None, **changes) -> Flow:
    ride = ridden(**changes)
    wall = lambda: WallTime(1.7e9, True, 0.0, "boot")  # noqa: E731
    flow = Flow(ride.pack, Recorder(), RideSettings(), wall, memory=memory)
    for reading in ride.readings():
        flow.take(reading)
    return flow


@pytest.mark.slow
def test_what_a_ride_teaches_is_kept_every_few_minutes_and_at_its_end(ridden) -> None:
    memory = Memory()
    flow = ride(ridden, memory, used=0.35, rest_s=30.0)
    seconds = len(ridden(used=0.35, rest_s=30.0).readings()) / 4
    while_riding = len(memory.kept)
    assert 2 <= while_riding <= seconds / KEEP_EVERY_S + 1
    flow.end_ride("stopped")
    assert len(memory.kept) == while_riding + 1
    assert [one.rides for one in memory.kept] == [1] * len(memory.kept)


@pytest.mark.slow
def test_the_next_start_begins_with_it(ridden) -> None:
    memory = Memory()
    ride(ridden, memory, used=0.35).end_ride("stopped")
    again = Memory(known=memory.kept[-1])
    ride(ridden, again, used=0.1).end_ride("stopped")
    assert again.kept[-1].rides == 2


@pytest.mark.slow
def test_a_memory_that_cannot_be_read_does_not_stop_the_ride(ridden, caplog: pytest.LogCaptureFixture) -> None:
    flow = ride(ridden, Memory(broken=True), used=0.05)
    assert flow.moment.estimate is not None
    assert "disk on fire" in caplog.text


@pytest.mark.slow
def test_other_cells_are_said_once_and_shown(ridden, caplog: pytest.LogCaptureFixture) -> None:
    state, _ = ridden(used=0.1).ride()
    flow = ride(ridden, Memory(known=learnt(state)), ohm=0.0085, used=0.1)
    assert flow.moment.notice == OTHER_CELLS
    assert caplog.text.count(OTHER_CELLS) == 1


@pytest.mark.slow
def test_without_a_memory_nothing_is_kept(ridden) -> None:
    ride(ridden, None, used=0.05).end_ride("stopped")

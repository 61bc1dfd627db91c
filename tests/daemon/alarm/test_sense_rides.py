"""Random simulated rides through the whole core: is each sensing fault named, and nothing else?

What is asked: of the injected faults at least 95 % named correctly, and at most 1 % of rides with a false name (the
project's own requirement). Half the faults are the simulator's, half are laid over its readings here.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field

import pytest
from faulty_rides import OVERLAID, SIMULATORS, FaultyRide, Named, faulty_ride

from sagwise_daemon.domain.core import new_state, take
from sagwise_daemon.domain.model import AlarmState

SENSING = ("sense_open", "sense_crossed", "reading_stuck", "current_sensor")
AT_ONCE = 512
# A shift of the current's zero shows only where the throttle is closed: it is given a ride of ten minutes.
SECONDS = {"current_offset": 600.0}


@dataclass
class Score:
    """What became of the rides, by fault."""

    rides: Counter[str] = field(default_factory=Counter)
    named: Counter[str] = field(default_factory=Counter)
    false: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))

    def add(self, seed: int, ride: FaultyRide) -> None:
        names = sensing_names(ride)
        self.rides[ride.fault] += 1
        self.named[ride.fault] += ride.expected in names
        if wrong := names - {ride.expected}:
            self.false[ride.fault].append(f"seed {seed}: {sorted(map(str, wrong))} instead of {ride.expected}")

    def falsely(self) -> int:
        return sum(map(len, self.false.values()))

    def table(self) -> str:
        rows = [f"{fault:18} {self.named[fault]:3} of {count:3}" for fault, count in sorted(self.rides.items())]
        return "\n".join([*rows, f"false in {self.falsely()} of {self.rides.total()} rides", str(dict(self.false))])


def sensing_names(ride: FaultyRide) -> set[Named]:
    state = new_state(ride.pack)
    names: set[Named] = set()
    for first in range(0, len(ride.readings), AT_ONCE):
        taken = take(state, ride.readings.rows(slice(first, first + AT_ONCE)))
        raised = [event for event in taken.events if event.to is AlarmState.UNACKNOWLEDGED]
        names |= {(event.rule, event.group) for event in raised if event.rule in SENSING}
    return names


def score(seeds: range, faults: tuple[str, ...], seconds: float) -> Score:
    found = Score()
    for seed in seeds:
        fault = faults[seed % len(faults)]
        found.add(seed, faulty_ride(seed, fault, seconds=SECONDS.get(fault, seconds)))
    return found


@pytest.mark.slow
def test_forty_rides_name_their_faults_and_no_other() -> None:
    faults = tuple(fault for fault in (*SIMULATORS, *OVERLAID) if fault not in SECONDS)
    found = score(range(20_000, 20_030), faults, 110.0)
    healthy = score(range(20_030, 20_040), ("healthy",), 110.0)
    print(found.table(), healthy.table(), sep="\n")
    assert found.named.total() >= 0.95 * found.rides.total(), found.table()
    assert found.falsely() + healthy.falsely() == 0, found.table() + healthy.table()


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_two_hundred_rides_with_a_fault_and_two_hundred_without() -> None:
    found = score(range(30_000, 30_200), (*SIMULATORS, *OVERLAID), 150.0)
    healthy = score(range(31_000, 31_200), ("healthy",), 150.0)
    print(found.table(), healthy.table(), sep="\n")
    assert found.named.total() >= 0.95 * found.rides.total(), found.table()
    assert found.falsely() + healthy.falsely() <= 4, found.table() + healthy.table()

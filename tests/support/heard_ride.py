"""What the daemon's core makes of an out-and-back ride. Law: it is told readings and nothing that only the truth knows.

A ride that could not have come home is one whose pack reached its reserve on the way back. It is missed when nothing
sounded before the rider turned, or only when a turn at once would no longer have helped. A ride that could is one with
at least the contract's margin of 15 % to spare at the turn, by the truth; wolf is cried when the rule speaks during it
before the bike is home, the rider having said at the turn that the bike heads home. In between, 0 to 15 % to spare, the
contract wants the rule to speak, so neither counts.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from out_and_back import Floats, Ride

from sagwise_daemon.domain.core import new_state, step, take
from sagwise_daemon.domain.estimate import Learnt
from sagwise_daemon.domain.model import Acknowledge, AlarmState

AT_ONCE = 250  # readings told together; which changes nothing but the time it takes
MARGIN = 0.15


@dataclass
class Heard:
    """raised: moments of turn_back, with the true Wh drawn then. left_wh, left_sigma_wh, home_wh: (rows,) as said."""

    ride: Ride
    raised: list[tuple[float, float]]
    left_wh: Floats
    left_sigma_wh: Floats
    home_wh: Floats

    @property
    def verdict(self) -> str:
        """One of "could not", "missed", "could", "wolf", "between"."""
        ride = self.ride
        if ride.home_s is None:
            in_time = [drawn for moment, drawn in self.raised if moment <= ride.turned_s and ride.end_wh >= 2 * drawn]
            return "could not" if in_time else "missed"
        if ride.slack < 1.0 + MARGIN:
            return "between"
        return "wolf" if any(moment <= ride.home_s for moment, _ in self.raised) else "could"


def hear(
    ride: Ride, chemistry: str = "measured", told: bool = True, whole: bool = True, learnt: Learnt | None = None
) -> Heard:
    """Tell a new core the ride. told: the rider says when the bike turns. whole: not only as far as it is judged by.
    learnt: what earlier rides left.
    """
    state, readings = new_state(ride.plan.pack(chemistry), learnt), ride.readings
    if not whole:
        judged_s = ride.turned_s if ride.home_s is None else ride.home_s
        readings = readings.rows(slice(0, int(np.searchsorted(readings.time_s, judged_s, side="right"))))
    turned = int(np.searchsorted(readings.time_s, ride.turned_s, side="right"))
    marks = sorted({0, turned, *range(0, len(readings), AT_ONCE), len(readings)})
    raised, said = [], []
    for first, end in pairwise(mark for mark in marks if mark <= len(readings)):
        if first == turned and told:
            state, _ = step(state, Acknowledge("page", "turn_back"))
        taken = take(state, readings.rows(slice(first, end)))
        made = taken.estimates
        said.append(np.stack([made.energy_left_wh, made.energy_left_sigma_wh, made.energy_home_wh]))
        raised += [
            (event.time_s, float(np.interp(event.time_s, ride.readings.time_s, ride.drawn_wh)))
            for event in taken.events
            if event.rule == "turn_back" and event.to is AlarmState.UNACKNOWLEDGED
        ]
    return Heard(ride, raised, *np.concatenate(said, axis=1))


def verdicts(heard: Iterable[Heard]) -> dict[str, list[int]]:
    """Seeds by what came of the ride; what was missed could not come home, and wolf is cried on one that could."""
    seeds: dict[str, list[int]] = {name: [] for name in ("could not", "missed", "could", "wolf", "between")}
    for one in heard:
        seeds[one.verdict].append(one.ride.plan.seed)
    return seeds

"""Other settings of the low-cell alarm over a ride that was. Law: the live engine judges them, with the live rule.

A `Grid` is an engine that watches `rest_low` many times over, once for each setting, and the sensing faults that put
it aside. It is given the readings of a replay with the estimates made of them, so the estimates are made once. Beside
each stands a plain buzzer with the same limit and delay: the yardstick.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sagwise_daemon.domain.alarm.causes import SENSING
from sagwise_daemon.domain.alarm.engine import Engine, by_default
from sagwise_daemon.domain.alarm.rules import TABLE
from sagwise_daemon.domain.alarm.yardstick import Buzzer
from sagwise_daemon.domain.model import AlarmEvent, AlarmState, Estimates, Floats, Pack, Readings
from sagwise_daemon.domain.ride.summary import running_wh

RULE = "rest_low"
FLOOR = "loaded_floor"
MAX_SETTINGS = 1000
AT_ONCE = 200_000  # values judged together: their arrays stay in the caches of a small processor


@dataclass(frozen=True, slots=True)
class Setting:
    """What is tried of `rest_low`; its deadband, off-delay and latching stay the pack's."""

    limit_v: float
    on_delay_s: float


@dataclass(frozen=True, slots=True)
class Warnings:
    """What the rider would have heard, nobody acknowledging; None: there is no such thing, or it is unknown.

    raises: when it began to sound, on the trace's clock, and for which group from 1; in the order of time. to_end_s,
    to_end_wh: from the first of them to the ride's last row, and the net energy drawn in that time. to_floor_s,
    to_floor_wh: the same to the moment `loaded_floor` first sounded; negative where that was before.
    """

    raises: tuple[tuple[float, int], ...]
    to_end_s: float | None = None
    to_end_wh: float | None = None
    to_floor_s: float | None = None
    to_floor_wh: float | None = None

    @property
    def count(self) -> int:
        return len(self.raises)

    @property
    def groups(self) -> int:
        """How many groups were warned of; where `count` is larger, some came back."""
        return len({group for _, group in self.raises})

    def heard(self, follow_s: float) -> int:
        """As a rider counts: what begins to sound within `follow_s` of a warning that counts is one with it."""
        counted, last_s = 0, -math.inf
        for time_s, _ in self.raises:
            if time_s - last_s > follow_s:
                counted, last_s = counted + 1, time_s
        return counted

    @property
    def first_s(self) -> float | None:
        return self.raises[0][0] if self.raises else None

    @property
    def first_group(self) -> int | None:
        return self.raises[0][1] if self.raises else None


@dataclass(frozen=True, slots=True)
class Tried:
    """One setting, and the plain buzzer with the same limit and delay."""

    setting: Setting
    rest: Warnings
    plain: Warnings


class Grid:
    """Judges the rows it is given by every setting; `raises`: when each began to sound, and for which group."""

    def __init__(self, pack: Pack, settings: Sequence[Setting]) -> None:
        if not 1 <= len(settings) <= MAX_SETTINGS:
            raise ValueError(f"settings: {len(settings)} are not allowed; try 1 to {MAX_SETTINGS} at once")
        (rule,) = (rule for rule in TABLE if rule.name == RULE)
        base = replace(pack.rules[RULE], enabled=True)
        self.settings = tuple(settings)
        tried = [
            (str(place), rule, replace(base, limit=setting.limit_v, on_delay_s=setting.on_delay_s))
            for place, setting in enumerate(settings)
        ]
        faults = [watched for watched in by_default(pack) if watched[1].name in SENSING]
        self._engine = Engine(pack, [*tried, *faults])
        self._rows = max(1, AT_ONCE // (len(settings) * pack.series))
        self.raises: tuple[list[tuple[float, int]], ...] = tuple([] for _ in settings)

    def take(self, readings: Readings, estimates: Estimates, shortfall_v: Floats) -> None:
        """Readings as the core took them, and what the estimator made of them."""
        for first in range(0, len(readings), self._rows):
            rows = slice(first, first + self._rows)
            self._note(self._engine.readings(readings.rows(rows), estimates.rows(rows), shortfall_v[rows]))

    def silence(self, age_s: float) -> None:
        """Nothing has come for `age_s` seconds."""
        self._note(self._engine.silence(age_s))

    def _note(self, events: Sequence[AlarmEvent]) -> None:
        for event in events:
            if event.to is AlarmState.UNACKNOWLEDGED and event.group is not None and event.rule not in SENSING:
                self.raises[int(event.rule)].append((event.time_s, event.group))

    def tell(self, readings: Readings, events: Sequence[AlarmEvent]) -> tuple[Tried, ...]:
        """What each setting would have told. readings: the whole ride; events: those of its own settings."""
        ride = _Ride(readings, events)
        buzzer = Buzzer(readings.time_s, readings.group_v)
        return tuple(
            Tried(setting, ride.warnings(raises), ride.warnings(buzzer.sounded(setting.limit_v, setting.on_delay_s)))
            for setting, raises in zip(self.settings, self.raises, strict=True)
        )


class _Ride:
    """Energy drawn by any moment, the end, and the first time the floor was reached."""

    def __init__(self, readings: Readings, events: Sequence[AlarmEvent]) -> None:
        self._time_s, self._wh = readings.time_s, running_wh(readings)
        self._end_s = float(readings.time_s[-1])
        self._floor_s = floor_s(events)

    def warnings(self, raises: Sequence[tuple[float, int]]) -> Warnings:
        if not raises:
            return Warnings(())
        first_s = min(raises)[0]
        return Warnings(
            tuple(sorted(raises)),
            self._end_s - first_s,
            self._drawn_wh(first_s, self._end_s),
            None if self._floor_s is None else self._floor_s - first_s,
            None if self._floor_s is None else self._drawn_wh(first_s, self._floor_s),
        )

    def _drawn_wh(self, from_s: float, to_s: float) -> float | None:
        start, end = np.interp([from_s, to_s], self._time_s, self._wh)
        drawn = float(end - start)
        return None if math.isnan(drawn) else drawn


def floor_s(events: Sequence[AlarmEvent]) -> float | None:
    """When `loaded_floor` first sounded, None where it never did."""
    sounded = (event.time_s for event in events if event.rule == FLOOR and event.to is AlarmState.UNACKNOWLEDGED)
    return min(sounded, default=None)

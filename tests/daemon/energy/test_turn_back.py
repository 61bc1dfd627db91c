"""The rule `turn_back`: its limit, deadband, delays, and what is not known; and who tells that the bike has turned.

Figures: the project's contract, common practice, no published source.
"""

from __future__ import annotations

from math import nan
from typing import Any

import numpy as np
import pytest

from sagwise_daemon.domain.alarm.engine import Engine
from sagwise_daemon.domain.core import new_state, step, take
from sagwise_daemon.domain.model import (
    Acknowledge,
    AlarmEvent,
    AlarmState,
    Cell,
    Energy,
    Estimate,
    Estimates,
    Pack,
    Priority,
    Reading,
    Readings,
)
from sagwise_daemon.domain.pack.chemistry import OcvCurve, built_in_curve
from sagwise_daemon.domain.pack.profile import build_pack

pytestmark = pytest.mark.slow

GROUPS = 3


def a_pack(**rule: Any) -> Pack:
    cell = Cell("nmc", 4.5, 4.2, 2.8, 14.0, None, *built_in_curve("nmc"))
    return build_pack("Otter", GROUPS, 5, cell, {"turn_back": rule})


class Bench:
    """Tells an engine energies, ten readings a second."""

    def __init__(self, **rule: Any) -> None:
        self.engine = Engine(a_pack(**rule))
        self.tick = 0
        self.events: list[AlarmEvent] = []

    def say(self, seconds: float, left: float, home: float, counted: float | None = None) -> list[AlarmEvent]:
        before = len(self.events)
        flat, fine = np.full(GROUPS, 3.7), np.full(GROUPS, 0.5)
        energy = Energy(left, 1.0, left if counted is None else counted, home)
        for _ in range(round(seconds * 10)):
            now = self.tick * 0.1
            made = Estimate(now, flat, 0.01 * fine, flat, fine, fine, fine, np.zeros(GROUPS, np.int8))
            reading = Reading(now, flat + 0.001 * (self.tick % 2), 10.0 + self.tick % 3, np.array([20.0]))
            self.events += [
                event
                for event in self.engine.readings(Readings.one(reading), Estimates.of([made], [energy]))
                if event.rule == "turn_back"
            ]
            self.tick += 1
        return self.events[before:]


def test_raises_after_ten_seconds_and_clears_after_thirty() -> None:
    one = Bench()
    assert one.say(60, left=115.1, home=100.0) == []
    assert one.say(10, left=114.9, home=100.0) == []
    (raised,) = one.say(0.2, left=114.9, home=100.0)
    assert (raised.group, raised.to, raised.priority) == (None, AlarmState.UNACKNOWLEDGED, Priority.MEDIUM)
    assert (raised.limit, raised.unit) == (0.15, "1")
    assert raised.value == pytest.approx(0.149)
    assert one.say(60, left=119.9, home=100.0) == [], "inside the deadband it stands"
    assert one.say(30, left=120.1, home=100.0) == []
    (cleared,) = one.say(0.2, left=120.1, home=100.0)
    assert cleared.to is AlarmState.RETURN_UNACKNOWLEDGED


def test_the_pack_file_sets_the_margin() -> None:
    one = Bench(margin=0.5)
    assert one.say(11, left=149.0, home=100.0)[0].limit == 0.5


@pytest.mark.parametrize(("left", "home"), [(nan, 100.0), (50.0, nan), (nan, nan)])
def test_what_is_unknown_neither_raises_nor_clears(left: float, home: float) -> None:
    one = Bench()
    assert one.say(60, left=left, home=home) == []
    assert len(one.say(11, left=100.0, home=100.0)) == 1
    assert one.say(120, left=left, home=home) == []


def test_with_a_group_unknown_what_the_others_allow_may_raise_but_not_clear() -> None:
    one = Bench()
    assert one.say(60, left=nan, home=100.0, counted=200.0) == []
    assert len(one.say(11, left=nan, home=100.0, counted=110.0)) == 1
    assert one.say(60, left=nan, home=100.0, counted=200.0) == []
    assert len(one.say(31, left=200.0, home=100.0)) == 1


def test_at_home_there_is_nothing_to_object_to() -> None:
    one = Bench()
    assert one.say(60, left=0.0, home=0.0) == []


def test_an_empty_pack_on_its_way_is_too_little() -> None:
    one = Bench()
    (raised,) = one.say(11, left=0.0, home=5.0)
    assert raised.value == -1.0


class OnTheWay:
    """A pack three quarters full, ridden through the core at 60 A with short pauses."""

    def __init__(self) -> None:
        self.pack = a_pack()
        self.state = new_state(self.pack)
        self.curve = OcvCurve(*built_in_curve("nmc"))
        self.soc, self.tick = 0.75, 0
        self.events: list[AlarmEvent] = []

    def ride(self, seconds: float) -> Energy:
        told: list[Reading] = []
        for _ in range(round(seconds * 5)):
            current = 0.0 if self.tick < 75 else 60.0 if self.tick // 25 % 4 else 5.0
            self.soc -= current * 0.2 / 3600.0 / 22.5
            volts = self.curve.volts(np.full(GROUPS, self.soc)) - 0.0025 * current + 0.001 * (self.tick % 2)
            told.append(Reading(self.tick * 0.2, volts, current, np.array([25.0])))
            self.tick += 1
        taken = take(self.state, _columns(told))
        self.events += [event for event in taken.events if event.rule == "turn_back"]
        return taken.energy

    def acknowledge(self, by: str, rule: str | None = None) -> None:
        self.state, outcomes = step(self.state, Acknowledge(by, rule))
        self.events += [event for event in outcomes.events if event.rule == "turn_back"]

    def until_raised(self) -> None:
        while not self.events:
            self.ride(5.0)


def _columns(told: list[Reading]) -> Readings:
    return Readings(
        np.array([r.time_s for r in told]),
        np.array([r.group_v for r in told]),
        np.array([r.current_a for r in told]),
        np.array([r.temperature_c for r in told]),
        np.array([r.distance_m for r in told]),
    )


def test_the_button_on_a_sounding_turn_back_means_that_the_bike_turns() -> None:
    trip = OnTheWay()
    trip.until_raised()
    before = trip.ride(1.0)
    trip.acknowledge("button")
    assert trip.events[-1].to is AlarmState.ACKNOWLEDGED
    after = trip.ride(120.0)
    assert after.home_wh < before.home_wh - 5.0
    assert len(trip.events) == 2 or trip.events[-1].to is AlarmState.NORMAL


def test_the_button_for_another_alarm_does_not() -> None:
    trip = OnTheWay()
    before = trip.ride(200.0)
    trip.acknowledge("button")
    assert trip.ride(60.0).home_wh > before.home_wh + 3.0


def test_said_beforehand_the_way_home_counts_down_and_nothing_sounds() -> None:
    trip = OnTheWay()
    before = trip.ride(300.0)
    assert trip.events == []
    trip.acknowledge("page", "turn_back")
    assert trip.ride(60.0).home_wh < before.home_wh - 3.0
    trip.ride(220.0)
    assert trip.events == []


def test_one_reading_brings_the_same_energy_as_many() -> None:
    one, many = OnTheWay(), OnTheWay()
    energies = [one.ride(0.2) for _ in range(600)]
    assert many.ride(120.0) == energies[-1]
    assert step(one.state, Acknowledge("page"))[1].energy is None

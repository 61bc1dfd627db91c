"""A ride begins and ends by itself.

The times and thresholds are the project's own defaults: common practice, no published source.
"""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sagwise_daemon.domain.model import Reading
from sagwise_daemon.domain.ride.bounds import Begin, End, RideBounds, RideSettings
from sagwise_daemon.domain.ride.kinds import CHARGE, RIDE, STANDING

NAN = float("nan")
DT = 0.1


class Rider:
    """Feeds readings at 10 Hz and keeps what the bounds say."""

    def __init__(self, **chosen: Any) -> None:
        self.bounds = RideBounds(RideSettings(**chosen))
        self.tick = 0
        self.said: list[Begin | End] = []

    @property
    def time_s(self) -> float:
        return self.tick * DT

    def go(self, seconds: float, current: float = 0.0, speed: float = NAN, v: Any = 3.8, noise: float = 0.0) -> None:
        rng = np.random.default_rng(self.tick)
        for _ in range(round(seconds / DT)):
            group_v = np.broadcast_to(np.asarray(v, float), (4,)) + rng.normal(0.0, noise, 4)
            distance = NAN if np.isnan(speed) else 1000.0 + self.tick * DT * speed
            said = self.bounds.reading(Reading(self.time_s, group_v, current, np.empty(0), distance))
            self.said += [said] if said else []
            self.tick += 1


def test_current_begins_a_ride_after_a_second_and_dates_it_back() -> None:
    rider = Rider()
    rider.go(20, current=0.5)
    rider.go(1.0, current=30.0)
    assert rider.said == []
    rider.go(0.1, current=30.0)
    assert rider.said == [Begin(pytest.approx(20.0))]
    rider.go(600, current=30.0)
    assert len(rider.said) == 1


def test_a_single_spike_begins_nothing_but_short_pauses_do_not_matter() -> None:
    rider = Rider()
    for _ in range(10):
        rider.go(0.5, current=30.0)
        rider.go(2.0)
    assert rider.said == []
    for _ in range(3):
        rider.go(0.5, current=30.0)
        rider.go(0.3)
    assert len(rider.said) == 1


def test_standstill_ends_it_after_three_minutes_and_a_blip_keeps_it() -> None:
    rider = Rider()
    rider.go(10, current=30.0)
    last_s = rider.time_s - DT
    rider.go(170, current=0.2)
    rider.go(0.1, current=8.0)
    last_s = rider.time_s - DT
    rider.go(179.8, current=0.2)
    assert len(rider.said) == 1
    rider.go(0.5, current=0.2)
    assert rider.said[1:] == [End(pytest.approx(last_s + 180.0), "standstill")]
    rider.go(10, current=30.0)
    assert len(rider.said) == 3, "and the next one begins"


def test_charging_is_not_riding() -> None:
    rider = Rider()
    rider.go(59, current=-10.0)
    assert rider.said == []
    rider.go(10, current=30.0)
    rider.go(200, current=-10.0)
    assert rider.said[0].kind == RIDE and isinstance(rider.said[1], End)


def test_a_charger_begins_a_charge_after_a_minute_and_dates_it_back() -> None:
    rider = Rider()
    rider.go(5)
    rider.go(70, current=-4.0)
    assert rider.said == [Begin(pytest.approx(5.0), CHARGE)]
    rider.go(3600, current=-4.0)
    rider.go(100)
    rider.go(60, current=-2.0)
    last_s = rider.time_s - DT
    assert len(rider.said) == 1, "a pause of the charger ends nothing"
    rider.go(181)
    assert rider.said[1:] == [End(pytest.approx(last_s + 180.0), "standstill")]


def test_a_noisy_sensor_hides_no_charger_and_an_offset_is_none() -> None:
    rider = Rider()
    for _ in range(80):
        rider.go(0.9, current=-2.0)
        rider.go(0.1, current=-0.4)
    assert [said.kind for said in rider.said] == [CHARGE]
    idle = Rider()
    idle.go(600, current=-0.8)
    assert idle.said == []


def test_braking_down_a_hill_is_no_charge() -> None:
    rider = Rider()
    rider.go(10, current=30.0, speed=4.0)
    rider.go(600, current=-15.0, speed=8.0)
    assert [said.kind for said in rider.said] == [RIDE]


def test_half_an_hour_of_nothing_is_standing_until_somebody_rides_or_charges() -> None:
    rider = Rider()
    rider.go(1800)
    assert rider.said == []
    rider.go(10)
    assert [said.kind for said in rider.said] == [STANDING]
    rider.go(61, current=-5.0)
    assert [said.kind for said in rider.said] == [STANDING, CHARGE]
    rider.go(5, current=40.0)
    assert [said.kind for said in rider.said] == [STANDING, CHARGE, RIDE]
    rider.go(181)
    assert rider.said[-1] == End(rider.said[-1].time_s, "standstill") and rider.bounds.kind is None
    rider.go(1801)
    assert rider.said[-1].kind == STANDING


def test_a_lost_link_ends_a_charge_and_standing() -> None:
    for current, kind in ((-5.0, CHARGE), (0.0, STANDING)):
        rider = Rider(stand_after_s=60.0)
        rider.go(70, current=current)
        assert [said.kind for said in rider.said] == [kind]
        assert rider.bounds.silence(60.0) == End(rider.time_s - DT, "link")
        rider.tick += 700
        rider.go(30, current=current)
        assert len(rider.said) == 1, "what was before the gap does not count for the next"


def test_rolling_without_power_is_riding_and_keeps_a_ride() -> None:
    rider = Rider()
    rider.go(10, current=0.0, speed=0.0)
    rider.go(10, current=0.0, speed=4.0)
    assert [type(said) for said in rider.said] == [Begin]
    rider.go(400, current=-5.0, speed=4.0)
    assert len(rider.said) == 1


def test_a_stray_pulse_or_a_counter_that_begins_anew_is_no_motion() -> None:
    bounds = RideBounds(RideSettings())
    metres = [500.0] * 50 + [501.0] * 50 + [0.0] * 50 + [1.0] * 50
    for tick, metre in enumerate(metres):
        assert bounds.reading(Reading(tick * DT, np.full(4, 3.8), 0.0, np.empty(0), metre)) is None


def test_without_a_current_sensor_the_common_voltage_speaks() -> None:
    rider = Rider()
    rider.go(60, current=NAN, v=3.80, noise=0.002)
    assert rider.said == [], "noise is no load"
    began_s = rider.time_s
    for _ in range(5):
        rider.go(2, current=NAN, v=3.70, noise=0.002)
        rider.go(0.4, current=NAN, v=3.78, noise=0.002)
    assert [type(said) for said in rider.said] == [Begin]
    assert rider.said[0].time_s == pytest.approx(began_s)
    rider.go(200, current=NAN, v=3.79, noise=0.002)
    assert [type(said) for said in rider.said] == [Begin, End]


def test_one_bad_group_is_not_the_common_voltage() -> None:
    rider = Rider()
    for tick in range(60):
        rider.go(1, current=NAN, v=[3.8, 3.8, 3.8, 3.8 - 0.5 * (tick % 2)])
    rider.go(5, current=NAN, v=NAN)
    assert rider.said == []


def test_a_lost_link_ends_the_ride_with_its_last_sample_once() -> None:
    rider = Rider()
    rider.go(10, current=30.0)
    last_s = rider.time_s - DT
    assert rider.bounds.silence(59.9) is None
    assert rider.bounds.silence(60.0) == End(last_s, "link")
    assert rider.bounds.silence(61.0) is None


def test_a_reading_after_a_long_gap_ends_the_ride_too() -> None:
    rider = Rider()
    rider.go(10, current=30.0)
    last_s = rider.time_s - DT
    rider.tick += 700
    rider.go(0.1, current=30.0)
    assert rider.said[1:] == [End(last_s, "link")]
    rider.go(2, current=30.0)
    assert isinstance(rider.said[2], Begin)


def test_a_resumed_ride_gets_its_whole_standstill() -> None:
    bounds = RideBounds(RideSettings())
    bounds.resume(1000.0)
    assert bounds.riding
    said = [bounds.reading(Reading(1000.0 + i, np.full(4, 3.8), 0.0)) for i in range(1, 181)]
    assert said[:-1] == [None] * 179
    assert said[-1] == End(1180.0, "standstill")


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([0.1, 0.7, 5.0, 70.0, 200.0]), st.sampled_from([0.0, 40.0, NAN, -9.0])),
        max_size=60,
    )
)
def test_begins_and_ends_take_turns_and_never_overlap(steps: list[tuple[float, float]]) -> None:
    bounds, time_s, said = RideBounds(RideSettings()), 0.0, []
    for dt, current in steps:
        time_s += dt
        said += [bounds.reading(Reading(time_s, np.full(2, 3.8), current))]
        said += [bounds.silence(dt)]
    bounded = [one for one in said if one]
    kind: str | None = None
    for one in bounded:
        if isinstance(one, End):
            assert kind is not None
            kind = None
        else:
            assert one.kind != kind and (kind, one.kind) != (RIDE, CHARGE)
            kind = one.kind
    assert all(a.time_s <= b.time_s for a, b in itertools.pairwise(one for one in bounded if isinstance(one, End)))

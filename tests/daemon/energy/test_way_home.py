"""The way home: what was used going out, until the rider says otherwise. Figures by hand."""

from __future__ import annotations

from math import isnan, nan

import pytest

from sagwise_daemon.domain.ride.way_home import WayHome


class Ride:
    """Rides on at a power, by default without a distance counter."""

    def __init__(self) -> None:
        self.way = WayHome()
        self.time_s, self.counter_m = 0.0, nan
        self.way.add(0.0, 0.0, nan)

    def on(self, seconds: float, watts: float, mps: float | None = None) -> None:
        for _ in range(round(seconds)):
            self.time_s += 1.0
            if mps is not None:
                self.counter_m = mps if isnan(self.counter_m) else self.counter_m + mps
            self.way.add(self.time_s, watts, self.counter_m)


def test_unknown_until_power_is_measured() -> None:
    way = WayHome()
    for second in range(100):
        way.add(float(second), nan, 10.0 * second)
    assert isnan(way.home_wh)


def test_outbound_it_is_what_was_used_net_of_regeneration() -> None:
    ride = Ride()
    ride.on(360, 1000.0)
    ride.on(36, -500.0)
    assert ride.way.home_wh == pytest.approx(95.0, abs=0.5)


def test_a_stop_at_the_far_end_changes_nothing() -> None:
    ride = Ride()
    ride.on(360, 1000.0)
    ride.on(3600, 0.0)
    assert ride.way.home_wh == pytest.approx(100.0, abs=0.3)


def test_time_unseen_is_ridden_at_the_mean_power() -> None:
    ride = Ride()
    ride.on(360, 1000.0)
    ride.time_s += 35.0
    ride.on(1, 0.0)
    assert ride.way.home_wh == pytest.approx(110.0, abs=0.3)
    ride.time_s += 7200.0
    ride.on(1, 0.0)
    assert ride.way.home_wh < 145.0, "of hours without a reading two minutes at most were ridden"


def test_told_of_the_turn_it_counts_down_and_past_home_up_again() -> None:
    ride = Ride()
    ride.on(360, 1000.0)
    assert not ride.way.heading_home
    ride.way.turned()
    assert ride.way.heading_home
    assert ride.way.home_wh == pytest.approx(100.0, abs=0.3)
    ride.on(180, 1000.0)
    assert ride.way.home_wh == pytest.approx(50.0, abs=0.3)
    ride.way.turned()
    assert ride.way.home_wh == pytest.approx(50.0, abs=0.3), "said again on the way home, it changes nothing"
    ride.on(180, 1000.0)
    assert ride.way.home_wh == pytest.approx(0.0, abs=0.5)
    ride.on(72, 1000.0)
    assert not ride.way.heading_home
    assert ride.way.home_wh == pytest.approx(20.0, abs=0.5)
    ride.way.turned()
    ride.on(36, 1000.0)
    assert ride.way.home_wh == pytest.approx(10.0, abs=0.7)


def test_with_distance_the_way_home_is_as_long_as_the_way_out() -> None:
    """Out 3,600 m for 100 Wh; back 1,800 m have cost only 25: half of the way is still to go, at the whole's rate."""
    ride = Ride()
    ride.on(360, 1000.0, mps=10.0)
    ride.way.turned()
    ride.on(180, 500.0, mps=10.0)
    whole = 125.0 / 5400.0
    assert ride.way.home_wh == pytest.approx(1800.0 * whole, rel=0.03)


def test_a_way_that_has_become_dearer_is_taken_at_the_dearer_rate() -> None:
    ride = Ride()
    ride.on(600, 600.0, mps=10.0)
    assert ride.way.home_wh == pytest.approx(100.0, rel=0.01)
    ride.on(200, 1800.0, mps=10.0)
    assert ride.way.home_wh > 1.2 * 200.0
    ride.on(600, 300.0, mps=10.0)
    assert ride.way.home_wh == pytest.approx(250.0, rel=0.01), "a cheap stretch does not make the way home cheap"


def test_the_counter_may_begin_anew() -> None:
    ride = Ride()
    ride.on(360, 1000.0, mps=10.0)
    before = ride.way.home_wh
    ride.counter_m = 0.0
    ride.on(1, 1000.0, mps=10.0)
    assert ride.way.home_wh == pytest.approx(before, rel=0.01)


def test_a_charger_is_home_and_a_descent_is_not() -> None:
    ride = Ride()
    ride.on(720, 1000.0)
    ride.on(200, -600.0)
    assert ride.way.home_wh == pytest.approx(166.6, abs=1.0)
    ride.on(1, 10.0)
    ride.on(310, -600.0)
    assert ride.way.home_wh == pytest.approx(0.0, abs=0.1)
    ride.on(36, 1000.0)
    assert ride.way.home_wh == pytest.approx(10.0, abs=0.5)


def test_charged_at_the_far_end_of_a_descent_it_is_never_negative() -> None:
    ride = Ride()
    ride.on(36, 1000.0)
    ride.on(120, -2000.0)
    assert ride.way.home_wh == 0.0
    ride.on(36, 1000.0)
    assert ride.way.home_wh > 9.0

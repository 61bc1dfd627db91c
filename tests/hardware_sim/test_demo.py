"""What the demonstration promises, read off the truth. Law: these are the figures the page will be judged by."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from sagwise_sim.scenario import load
from sagwise_sim.simulation import SimulatedRide, simulate

LIMIT_V, FLOOR_V, WEAK = 3.30, 2.80, 6  # group 7


@pytest.fixture(scope="module")
def demo() -> SimulatedRide:
    return simulate(load("demo"))


@pytest.fixture(scope="module")
def crossing(demo: SimulatedRide) -> int:
    """The first sample at which the weak group's true rest is below the limit."""
    return int(np.argmax(demo.rest_v[:, WEAK] < LIMIT_V))


def test_it_starts_at_rest_near_a_quarter(demo: SimulatedRide) -> None:
    early = demo.time_s < 12.0
    assert abs(demo.true_current_a[early]).max() < 0.5
    assert 0.20 < demo.soc[0].min() < demo.soc[0].max() < 0.26


def test_five_deep_sags_come_first_with_every_rest_well_above(demo: SimulatedRide, crossing: int) -> None:
    sag = (demo.rest_v - demo.loaded_v).min(axis=1)  # every group at once
    deep = sag > 0.25
    starts = np.flatnonzero(deep[1:] & ~deep[:-1]) + 1
    well_above = [at for at in starts if demo.rest_v[at].min() > LIMIT_V + 0.05]
    assert len(well_above) >= 5
    assert demo.time_s[well_above[4]] < 90.0


def test_the_weak_group_alone_truly_falls_below(demo: SimulatedRide, crossing: int) -> None:
    assert 105.0 < demo.time_s[crossing] < 140.0
    assert (demo.rest_v[crossing:, WEAK] < LIMIT_V).all()
    assert np.delete(demo.rest_v, WEAK, axis=1).min() > LIMIT_V + 0.045


def test_groups_do_not_spread_before_that(demo: SimulatedRide, crossing: int) -> None:
    """A spread alarm (0.10 V of rest voltage) would spoil the story."""
    assert np.ptp(demo.rest_v[:crossing], axis=1).max() < 0.095


def test_the_floor_is_never_touched(demo: SimulatedRide) -> None:
    assert demo.group_v.min() > FLOOR_V + 0.02


def test_a_plain_threshold_shrieks_early_and_often(demo: SimulatedRide, crossing: int) -> None:
    """Below 3.30 V loaded for 1 s; at or above it re-arms."""
    below = demo.group_v.min(axis=1) < LIMIT_V
    edges = np.flatnonzero(np.diff(np.r_[False, below, False].astype(int)))
    sounded = [a for a, b in edges.reshape(-1, 2) if demo.time_s[min(b, len(below) - 1)] - demo.time_s[a] > 1.0]
    early = [at for at in sounded if demo.time_s[at] < demo.time_s[crossing] - 10.0]
    assert len(early) >= 5


def test_afterwards_the_ride_is_gentle_and_stops(demo: SimulatedRide, crossing: int) -> None:
    later = demo.time_s > demo.time_s[crossing] + 12.0
    assert 2.0 < demo.true_current_a[later].max() < 20.0
    assert demo.true_current_a[-200:].max() < 0.5
    assert demo.time_s[-1] < 240.0


def test_current_stays_below_the_packs_rating(demo: SimulatedRide) -> None:
    """Five cells of 30 A each, and the overcurrent alarm at 1.1 times that."""
    assert demo.current_a is not None
    assert demo.current_a.max() < 165.0


@cache
def earlier(name: str) -> SimulatedRide:
    return simulate(load(name))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["otter_morning", "otter_hills", "otter_cold"])
def test_earlier_rides_end_healthy(name: str) -> None:
    ride = earlier(name)
    assert ride.rest_v.min() > LIMIT_V + 0.05
    assert np.ptp(ride.rest_v, axis=1).max() < 0.08
    assert ride.distance_m is not None
    assert ride.distance_m[-1] > 3000.0
    assert ride.temperature_c.max() < 55.0
    assert ride.group_v.min() > FLOOR_V
    assert ride.group_v.max() < 4.22


@pytest.mark.slow
def test_the_cold_ride_would_set_off_a_plain_buzzer() -> None:
    ride = earlier("otter_cold")
    assert ride.group_v.min() < LIMIT_V < ride.rest_v.min()

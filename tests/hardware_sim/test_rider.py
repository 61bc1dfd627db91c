"""The rider by his statistics. Law: every bound is one that a dull or a mad rider would break."""

from __future__ import annotations

import numpy as np
import pytest

from sagwise_sim.rider import TICK_S, BikeSpec, Rider, Segment

BIKE = BikeSpec(peak_a=150.0, regen_a=30.0, idle_a=0.2)


def ride(*segments: Segment, seed: int = 1, bike: BikeSpec = BIKE) -> tuple[np.ndarray, np.ndarray, Rider]:
    """Current and speed of every tick."""
    rider = Rider(segments, bike, np.random.default_rng(seed))
    ticks = round(sum(segment.duration_s for segment in segments) / TICK_S)
    rows = np.array([(rider.tick(), rider.speed_mps) for _ in range(ticks)])
    return rows[:, 0], rows[:, 1], rider


def test_same_seed_same_ride_other_seed_another() -> None:
    first, again, other = (ride(Segment("ride", 60.0), seed=seed)[0] for seed in (1, 1, 2))
    assert (first == again).all()
    assert not (first == other).all()


def test_current_stays_within_the_controller() -> None:
    current, _, _ = ride(Segment("ride", 900.0, 1.0), Segment("regen", 30.0, 1.0), Segment("climb", 60.0, 1.0))
    assert current.max() <= 150.2 + 1e-9
    assert current.min() >= -29.8 - 1e-9
    assert current.max() > 140.0
    assert current.min() < -15.0


def test_riding_comes_in_bursts() -> None:
    current, _, _ = ride(Segment("ride", 1800.0, 0.8))
    hard = current > 0.5 * 0.8 * 150.0
    pulls = np.count_nonzero(hard[1:] & ~hard[:-1])
    assert 3.0 < pulls / 30.0 < 20.0  # a minute
    assert 0.15 < hard.mean() < 0.60
    assert 0.10 < (current < 1.0).mean() < 0.50
    assert (current < -1.0).mean() > 0.005


def test_intensity_scales_the_current() -> None:
    gentle, hard = (ride(Segment("ride", 900.0, level))[0].mean() for level in (0.3, 0.9))
    assert 2.0 < hard / gentle < 4.5


def test_rest_brings_the_bike_to_a_stand() -> None:
    current, speed, _ = ride(Segment("cruise", 20.0, 0.3), Segment("rest", 20.0))
    assert speed.max() > 3.0
    assert speed[-200:].max() == 0.0
    assert current[-200:] == pytest.approx(BIKE.idle_a, abs=1e-6)


def test_coasting_takes_no_more_than_the_electronics() -> None:
    current, speed, _ = ride(Segment("cruise", 20.0, 0.4), Segment("coast", 10.0))
    assert current[-100:] == pytest.approx(BIKE.idle_a, abs=0.05)
    assert speed[-1] < speed[400]


def test_regeneration_ends_when_the_bike_stands() -> None:
    current, speed, _ = ride(Segment("cruise", 15.0, 0.4), Segment("regen", 60.0, 1.0), bike=BikeSpec(hills=0.0))
    assert current.min() < -20.0
    assert speed[-1] < 0.5
    assert current[-20:].min() > -1.0


def test_a_climb_takes_more_than_the_flat_at_the_same_speed() -> None:
    flat = BikeSpec(hills=0.0)
    _, level, _ = ride(Segment("cruise", 60.0, 0.3), bike=flat)
    _, climbing, _ = ride(Segment("climb", 60.0, 0.3), bike=flat)
    assert climbing[-1] < level[-1]


def test_distance_is_the_integral_of_speed() -> None:
    _, speed, rider = ride(Segment("ride", 300.0, 0.6))
    assert rider.distance_m == pytest.approx(speed.sum() * TICK_S, rel=0.001)
    assert rider.distance_m > 500.0


def test_after_the_last_segment_the_bike_rests() -> None:
    _, _, rider = ride(Segment("cruise", 5.0, 0.5))
    for _ in range(600):
        rider.tick()
    assert rider.speed_mps == 0.0
    assert rider.current_a == pytest.approx(BIKE.idle_a, abs=1e-6)

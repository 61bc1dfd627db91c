"""The current sensor's zero: taken where nothing moves, and from nothing else. Ten readings a second, currents in C."""

from __future__ import annotations

import numpy as np
import pytest

from sagwise_daemon.domain.estimate.standstill import IDLE_C, MOST_C, Standstill


def stand(
    zero: Standstill, c: float, seconds: float, noise: float = 0.02, volts_per_s: float = 0.0, metres_per_s: float = 0.0
) -> Standstill:
    rng = np.random.default_rng(5)
    for row in range(round(seconds * 10)):
        volts = 3.7 + volts_per_s * row / 10 + rng.normal(0, 0.001)
        zero.add(c + rng.normal(0, noise), 0.1, volts, metres_per_s * row / 10 if metres_per_s else np.nan)
    return zero


def loaded(zero: Standstill) -> Standstill:
    zero.add(2.0, 0.1, 3.5, np.nan)
    return zero


@pytest.mark.parametrize("c", [0.0, 0.02, 0.09])
def test_ten_seconds_show_the_zero(c: float) -> None:
    zero = stand(Standstill(), c, 10.0)
    assert zero.known
    assert zero.offset_c == pytest.approx(c - IDLE_C, abs=0.006)
    assert abs(zero.offset_c - (c - IDLE_C)) < 2 * zero.sigma_c


def test_a_turning_wheel_or_moving_voltages_show_nothing() -> None:
    assert not stand(Standstill(), 0.05, 20.0, metres_per_s=1.0).known
    assert not stand(Standstill(), 0.05, 20.0, volts_per_s=-0.004).known


def test_a_throttle_held_open_a_little_shows_nothing() -> None:
    zero = Standstill()
    for row in range(300):
        zero.add(0.06 + 0.08 * np.sin(row / 12), 0.1, 3.7, np.nan)
    assert not zero.known


def test_a_charger_is_no_offset_but_the_pause_after_a_load_is() -> None:
    assert not stand(Standstill(), -0.08, 60.0).known
    after = stand(loaded(Standstill()), -0.08, 10.0)
    assert after.offset_c == pytest.approx(-0.08 - IDLE_C, abs=0.006)


def test_a_charger_plugged_in_later_leaves_the_zero_alone() -> None:
    zero = stand(loaded(Standstill()), 0.01, 10.0)
    before = zero.offset_c
    stand(zero, 0.01, 30.0)
    stand(zero, -0.10, 600.0)
    assert zero.offset_c == pytest.approx(before, abs=0.004)


def test_what_is_larger_than_any_offset_is_left() -> None:
    assert not stand(Standstill(), MOST_C + 0.03, 60.0).known


def test_a_crawl_once_the_zero_is_known_does_not_move_it() -> None:
    zero = stand(loaded(Standstill()), 0.01, 20.0)
    before = zero.offset_c
    stand(zero, 0.10, 20.0)
    assert zero.offset_c == pytest.approx(before, abs=0.001)


def test_it_starts_from_the_last_ride_and_refuses_nonsense() -> None:
    zero = Standstill()
    zero.start_from(0.03, 0.004)
    assert zero.offset_c == 0.03
    zero.start_from(0.5, 0.004)
    zero.start_from(np.nan, np.inf)
    assert zero.offset_c == 0.03

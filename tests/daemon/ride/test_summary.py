"""Running totals against sums done another way: closed forms and numpy's trapezoid rule."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sagwise_daemon.domain.model import Estimate, Reading
from sagwise_daemon.domain.ride.summary import Summary

NAN = float("nan")


def total(time_s: Any, current_a: Any, v: Any = 4.0, groups: int = 16, distance_m: Any = NAN) -> Summary:
    one = Summary(groups)
    rows = np.broadcast_arrays(time_s, current_a, v, distance_m)
    for t, i, volts, d in np.stack(rows, axis=1).tolist():
        one.reading(Reading(t, np.full(groups, volts), i, np.empty(0), d))
    return one


@pytest.mark.slow
@pytest.mark.slow
@pytest.mark.parametrize("dt", [0.1, 1.0])
def test_an_hour_at_ten_amperes(dt: float) -> None:
    """10 A for 1 h at 64 V: 10 Ah and 640 Wh, by definition."""
    one = total(np.arange(round(3600 / dt) + 1) * dt, 10.0)
    assert one.charge_ah == pytest.approx(10.0)
    assert one.energy_wh == pytest.approx(640.0)
    assert one.duration_s == pytest.approx(3600.0)
    assert one.current_max_a == 10.0


@pytest.mark.slow
def test_regen_counts_against_discharge() -> None:
    time_s = np.arange(36001) * 0.1
    one = total(time_s, np.where(time_s < 1800, 20.0, -5.0))
    assert one.charge_ah == pytest.approx(7.5, abs=1e-3)
    assert one.current_max_a == 20.0


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.floats(0.001, 0.5), st.floats(-200, 400)), min_size=2, max_size=60))
def test_agrees_with_numpys_trapezoid(rows: list[tuple[float, float]]) -> None:
    steps, current = np.array(rows).T
    time_s = np.cumsum(steps)
    trapezoid = getattr(np, "trapezoid", None) or np.trapz
    one = total(time_s, current, v=3.7)
    assert one.charge_ah * 3600 == pytest.approx(trapezoid(current, time_s), abs=1e-6)
    assert one.energy_wh * 3600 == pytest.approx(trapezoid(current * 3.7 * 16, time_s), abs=1e-3)


def test_a_gap_counts_for_half_a_second() -> None:
    one = total(np.array([0.0, 0.1, 10.1, 10.2]), 36.0)
    assert one.charge_ah * 100 == pytest.approx(0.1 + 0.5 + 0.1)
    assert one.duration_s == pytest.approx(10.2)


def test_blank_current_is_bridged_up_to_half_a_second_and_then_held_that_long() -> None:
    short = total(np.arange(6) * 0.1, np.array([36.0, NAN, NAN, NAN, NAN, 36.0]))
    assert short.charge_ah * 100 == pytest.approx(0.5)
    long = total(np.arange(9) * 0.1, np.array([36.0, *[NAN] * 7, 36.0]))
    assert long.charge_ah * 100 == pytest.approx(0.5)


def test_without_current_the_totals_are_unknown_not_zero() -> None:
    one = total(np.arange(100) * 0.1, NAN)
    assert np.isnan([one.charge_ah, one.energy_wh, one.current_max_a, one.distance_m]).all()


def test_a_group_that_cannot_be_read_counts_as_the_mean_of_the_others() -> None:
    one = Summary(4)
    for t in range(11):
        one.reading(Reading(t * 0.1, np.array([4.0, NAN, 3.0, 3.5]), 10.0))
    assert one.energy_wh * 3600 == pytest.approx(14.0 * 10.0)


def test_lowest_of_each_group() -> None:
    one = Summary(2)
    one.reading(Reading(0.0, np.array([3.9, NAN])))
    one.reading(Reading(0.1, np.array([3.5, 3.6])))
    one.reading(Reading(0.2, np.array([NAN, 3.7])))
    np.testing.assert_array_equal(one.loaded_min_v, [3.5, 3.6])
    unknown = np.full(2, NAN)
    for rest in ([NAN, NAN], [3.8, NAN], [3.7, NAN]):
        estimate = Estimate(0.0, np.array(rest), *[unknown] * 5, np.zeros(2, np.int8))
        one.estimate(estimate)
    np.testing.assert_array_equal(one.rest_min_v, [3.7, NAN])


def test_distance_runs_on_over_a_counter_that_begins_anew() -> None:
    metres = np.array([500.0, 510.0, NAN, 520.0, 0.0, 4.0, 4.0, 9.0])
    assert total(np.arange(8) * 0.1, 1.0, distance_m=metres).distance_m == pytest.approx(29.0)

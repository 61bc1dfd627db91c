"""The resistance of a load step against the standard's worked case, and the search for steps."""

from __future__ import annotations

import numpy as np
import pytest

from sagwise_daemon.domain.estimate.resistance import Steps, median_rows, step_resistance


def test_worked_case_of_iec_61960_3() -> None:
    """IEC 61960-3 two-step method, 5 Ah cell: 1 A at 3.660 V, then 5 A at 3.560 V, gives 25.0 mΩ."""
    assert step_resistance(np.array([3.660]), 1.0, np.array([3.560]), 5.0) * 1e3 == pytest.approx([25.0])


def play_step(low: float, high: float, ohm: float, lag: int = 0, rate: int = 10, rises: int = 4) -> Steps:
    steps = Steps(2)
    period = 8 * rate
    current = np.where(np.arange(rises * period) % period < period // 2, low, high)
    for k, amps in enumerate(current):
        seen = current[max(k - lag, 0)]
        steps.add(k / rate, np.array([3.7, 3.6]) - ohm * amps, float(seen), 1.0)
    return steps


@pytest.mark.parametrize("lag", [0, 1, 2, 3])
@pytest.mark.parametrize("rate", [10, 20, 50])
def test_step_is_found_whatever_the_rate_and_lag(rate: int, lag: int) -> None:
    steps = play_step(0.0, 3.0, 0.02, lag * rate // 10, rate)
    assert steps.r_25 == pytest.approx([0.02, 0.02], rel=0.01)
    assert steps.step_c == pytest.approx(3.0)


def test_a_rise_from_a_load_is_brought_to_one_from_rest() -> None:
    """Butler and Volmer at a transfer coefficient of one half: overpotential (2RT/F) asinh(i / 2 i0)."""
    thermal_v, exchange_c, ohm = 2 * 8.314462618 * 298.15 / 96485.33212, 0.25, 0.006
    drop = lambda c: ohm * c + thermal_v * np.arcsinh(c / (2 * exchange_c))  # noqa: E731

    def found(low: float, high: float) -> float:
        steps = Steps(1)
        for k in range(400):
            c = high if k % 80 >= 40 else low
            steps.add(k / 10, np.array([3.7 - float(drop(c))]), c, 1.0)
        return float(steps.r_25[0])

    from_rest, under_load = (drop(3.0) - drop(0.0)) / 3.0, (drop(4.0) - drop(1.0)) / 3.0
    assert under_load < 0.75 * from_rest  # what the rise itself shows
    assert found(0.0, 3.0) == pytest.approx(from_rest, rel=0.01)
    assert found(1.0, 4.0) == pytest.approx(from_rest, rel=0.12)  # the share that bends is not this cell's own


def test_small_steps_and_fewer_than_three_say_nothing() -> None:
    assert np.isnan(play_step(0.0, 0.9, 0.02, rises=8).r_25).all()
    assert np.isnan(play_step(0.0, 3.0, 0.02, rises=2).r_25).all()


def test_one_rise_counts_once() -> None:
    steps = play_step(0.0, 3.0, 0.02, rises=3)
    assert np.isfinite(steps.r_25).all()
    assert np.isnan(play_step(0.0, 3.0, 0.02, rises=2).r_25).all()


def test_readings_on_two_sides_of_a_loss_are_no_step() -> None:
    steps = Steps(1)
    for k in range(100):
        if k % 30 == 15:
            steps.interrupt(k * 0.1)
        steps.add(k * 0.1, np.array([3.7]), 3.0 * (k % 30 >= 15), 1.0)
    assert np.isnan(steps.r_25).all()


def test_group_invalid_during_its_steps_stays_unknown_alone() -> None:
    steps = Steps(2)
    for k in range(400):
        amps = 3.0 * (k % 80 >= 40)
        steps.add(k * 0.1, np.array([3.7 - 0.02 * amps, np.nan]), amps, 2.0)
    assert steps.r_25[0] == pytest.approx(0.01, rel=0.01)  # brought to 25 degC by the factor of 2
    assert np.isnan(steps.r_25[1])


def test_median_leaves_out_the_unknown() -> None:
    rows = np.array([[1.0, np.nan, np.nan], [5.0, 2.0, np.nan], [3.0, 4.0, np.nan]])
    found = median_rows(rows)
    assert found[:2] == pytest.approx([3.0, 3.0])
    assert np.isnan(found[2])

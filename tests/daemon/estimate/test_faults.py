"""What is missing or broken makes an answer unknown with its reason, and never reaches the groups that are known."""

from __future__ import annotations

import numpy as np
import pytest

from sagwise_daemon.domain import estimate
from sagwise_daemon.domain.model import Reading, Unknown

pytestmark = pytest.mark.slow


@pytest.fixture
def ride(bench):
    return bench.circuit().ride(minutes=3.5)


def test_current_lost_holds_half_a_second_then_the_voltages_alone_speak(bench, ride) -> None:
    ride.current_a[900:920] = np.nan
    found = bench.play(bench.pack(6), ride)
    unknown, resistance = bench.column(found, "unknown")[:, 0], bench.column(found, "resistance_mohm")[:, 0]
    assert set(unknown[899:]) == {Unknown.KNOWN}  # two seconds are bridged by one true step
    assert np.isfinite(resistance[899:904]).all()
    assert np.isnan(resistance[905:920]).all()
    assert np.isfinite(resistance[920:]).all()


def test_long_loss_of_current_is_a_gap_and_then_known_again(bench, ride) -> None:
    ride.current_a[900:1000] = np.nan
    found = bench.play(bench.pack(6), ride)
    unknown, rest = bench.column(found, "unknown")[:, 0], bench.column(found, "rest_v")
    assert set(unknown[905:1000]) == {Unknown.KNOWN}
    assert np.sqrt(np.mean((rest[905:1000] - ride.rest[905:1000]) ** 2)) < 0.02
    assert unknown[1000] == Unknown.GAP
    back = 1000 + int(np.argmax(unknown[1000:] == Unknown.KNOWN))
    assert back < 1300
    error = rest[back:] - ride.rest[back:]
    assert np.sqrt(np.mean(error**2)) < 0.02


@pytest.mark.parametrize("reading", [np.nan, 0.0, -4.0, 7.5])
def test_invalid_group_is_unknown_and_harms_no_other(bench, ride, reading: float) -> None:
    sound = bench.column(bench.play(bench.pack(6), ride), "rest_v")
    ride.volts[900:1500, 3] = reading
    found = bench.play(bench.pack(6), ride)
    unknown, rest = bench.column(found, "unknown"), bench.column(found, "rest_v")
    assert set(unknown[900:1500, 3]) == {Unknown.INVALID}
    assert np.isnan(rest[900:1500, 3]).all()
    others = [0, 1, 2, 4, 5]
    assert set(unknown[900:1500, others].ravel()) == {Unknown.KNOWN}
    assert np.abs(rest[900:, others] - sound[900:, others]).max() < 0.010
    assert unknown[-1, 3] == Unknown.KNOWN
    assert abs(rest[-1, 3] - ride.rest[-1, 3]) < 0.02


def test_all_readings_invalid_for_a_while(bench, ride) -> None:
    ride.volts[900:1000] = np.nan
    found = bench.play(bench.pack(6), ride)
    unknown = bench.column(found, "unknown")
    assert set(unknown[900:1000].ravel()) == {Unknown.INVALID}
    assert set(unknown[1100:].ravel()) == {Unknown.KNOWN}


def test_group_that_falls_at_once_is_not_explained_away(bench, ride) -> None:
    """A cell group that drops by 0.4 V with no load to blame: not a sag. The answer is unknown, or low."""
    ride.volts[900:, 2] -= 0.4
    ride.current_a[900:] = 0.0
    rest = bench.column(bench.play(bench.pack(6), ride), "rest_v")[950:1300, 2]
    believed_high = np.isfinite(rest) & (rest > ride.volts[950:1300, 2] + 0.1)
    assert believed_high.mean() < 0.02


def test_gap_of_two_seconds_is_bridged(bench, ride) -> None:
    keep = np.r_[0:900, 920:2100]
    short = type(ride)(**{name: values[keep] for name, values in vars(ride).items()})
    found = bench.play(bench.pack(6), short)
    assert set(bench.column(found, "unknown")[800:].ravel()) == {Unknown.KNOWN}
    error = bench.column(found, "rest_v")[900:] - short.rest[900:]
    assert np.sqrt(np.mean(error**2)) < 0.012


@pytest.mark.parametrize("minutes", [0.5, 10.0])
def test_reboot_after_a_gap_begins_honestly(bench, ride, minutes: float) -> None:
    keep = np.r_[0:900, 901:2100]
    cut = type(ride)(**{name: values[keep] for name, values in vars(ride).items()})
    cut.time_s = cut.time_s + np.where(np.arange(len(keep)) >= 900, minutes * 60, 0.0)
    found = bench.play(bench.pack(6), cut)
    assert set(found[900].unknown) == {Unknown.GAP}
    rest, sigma = bench.column(found, "rest_v")[900:], bench.column(found, "rest_sigma_v")[900:]
    known = np.isfinite(rest)
    assert known[-1].all()
    assert np.mean(np.abs(rest - cut.rest[900:])[known] < 2 * sigma[known]) > 0.9


def test_time_standing_still_changes_nothing(bench, ride) -> None:
    state = estimate.new(bench.pack(6))
    last = bench.play(bench.pack(6), ride, state)[-1]
    again = estimate.update(state, Reading(last.time_s, ride.volts[-1], float(ride.current_a[-1])))
    assert again.rest_v == pytest.approx(last.rest_v, abs=0.003)


def test_a_group_that_rises_with_the_load_has_no_resistance_rather_than_one_below_zero(bench, ride) -> None:
    """A tap that gives way moves its two groups in opposite directions, before the ride has shown three steps."""
    ride.current_a[:] = np.where(ride.time_s < 20.0, 0.0, 30.0 + 20.0 * np.sin(ride.time_s))
    ride.volts = ride.rest - (ride.current_a * 0.0035)[:, None]
    away = np.where(ride.time_s > 24.0, 0.012 * ride.current_a, 0.0)
    ride.volts[:, 2] += away
    ride.volts[:, 3] -= away
    found = bench.column(bench.play(bench.pack(6), ride), "resistance_mohm")
    assert np.isnan(found[240:, 2]).any()
    assert not (found <= 0.0).any()

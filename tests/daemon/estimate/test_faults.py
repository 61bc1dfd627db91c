"""What is missing or broken makes an answer unknown with its reason, and never reaches the groups that are known."""

from __future__ import annotations

import numpy as np
import pytest
from sagwise_daemon.domain import estimate
from sagwise_daemon.domain.model import Reading, Unknown


@pytest.fixture
def ride(bench):
    return bench.circuit().ride(minutes=5)


def test_current_lost_holds_half_a_second_then_unknown(bench, ride) -> None:
    ride.current_a[1500:1520] = np.nan
    unknown = bench.column(bench.play(bench.pack(6), ride), "unknown")[:, 0]
    assert unknown[1499] == Unknown.KNOWN
    assert set(unknown[1500:1504]) == {Unknown.KNOWN}
    assert set(unknown[1505:1520]) == {Unknown.NO_CURRENT}
    assert unknown[1520] == Unknown.KNOWN  # two seconds are bridged by one true step


def test_long_loss_of_current_is_a_gap_and_then_known_again(bench, ride) -> None:
    ride.current_a[1500:1600] = np.nan
    found = bench.play(bench.pack(6), ride)
    unknown = bench.column(found, "unknown")[:, 0]
    assert set(unknown[1505:1600]) == {Unknown.NO_CURRENT}
    assert unknown[1600] == Unknown.GAP
    back = 1600 + int(np.argmax(unknown[1600:] == Unknown.KNOWN))
    assert back < 1900
    error = bench.column(found, "rest_v")[back:] - ride.rest[back:]
    assert np.sqrt(np.mean(error**2)) < 0.02


def test_no_current_sensor_says_so_for_every_group(bench, ride) -> None:
    ride.current_a[:] = np.nan
    found = bench.play(bench.pack(6), ride)
    assert set(bench.column(found, "unknown").ravel()) == {Unknown.NO_CURRENT}
    assert np.isnan(bench.column(found, "rest_v")).all()


@pytest.mark.parametrize("reading", [np.nan, 0.0, -4.0, 7.5])
def test_invalid_group_is_unknown_and_harms_no_other(bench, ride, reading: float) -> None:
    sound = bench.column(bench.play(bench.pack(6), ride), "rest_v")
    ride.volts[1500:2500, 3] = reading
    found = bench.play(bench.pack(6), ride)
    unknown, rest = bench.column(found, "unknown"), bench.column(found, "rest_v")
    assert set(unknown[1500:2500, 3]) == {Unknown.INVALID}
    assert np.isnan(rest[1500:2500, 3]).all()
    others = [0, 1, 2, 4, 5]
    assert set(unknown[1500:2500, others].ravel()) == {Unknown.KNOWN}
    assert np.abs(rest[1500:, others] - sound[1500:, others]).max() < 0.010
    assert unknown[-1, 3] == Unknown.KNOWN
    assert abs(rest[-1, 3] - ride.rest[-1, 3]) < 0.02


def test_all_readings_invalid_for_a_while(bench, ride) -> None:
    ride.volts[1500:1600] = np.nan
    found = bench.play(bench.pack(6), ride)
    unknown = bench.column(found, "unknown")
    assert set(unknown[1500:1600].ravel()) == {Unknown.INVALID}
    assert set(unknown[1700:].ravel()) == {Unknown.KNOWN}


def test_group_that_falls_at_once_is_not_explained_away(bench, ride) -> None:
    """A cell group that drops by 0.4 V with no load to blame: not a sag. The answer is unknown, or low."""
    ride.volts[1500:, 2] -= 0.4
    ride.current_a[1500:] = 0.0
    rest = bench.column(bench.play(bench.pack(6), ride), "rest_v")[1550:1900, 2]
    believed_high = np.isfinite(rest) & (rest > ride.volts[1550:1900, 2] + 0.1)
    assert believed_high.mean() < 0.02


def test_gap_of_two_seconds_is_bridged(bench, ride) -> None:
    keep = np.r_[0:1500, 1520:3000]
    short = type(ride)(**{name: values[keep] for name, values in vars(ride).items()})
    found = bench.play(bench.pack(6), short)
    assert set(bench.column(found, "unknown")[1400:].ravel()) == {Unknown.KNOWN}
    error = bench.column(found, "rest_v")[1500:] - short.rest[1500:]
    assert np.sqrt(np.mean(error**2)) < 0.012


@pytest.mark.parametrize("minutes", [0.5, 10.0])
def test_reboot_after_a_gap_begins_honestly(bench, ride, minutes: float) -> None:
    keep = np.r_[0:1500, 1501:3000]
    cut = type(ride)(**{name: values[keep] for name, values in vars(ride).items()})
    cut.time_s = cut.time_s + np.where(np.arange(len(keep)) >= 1500, minutes * 60, 0.0)
    found = bench.play(bench.pack(6), cut)
    assert set(found[1500].unknown) == {Unknown.GAP}
    rest, sigma = bench.column(found, "rest_v")[1500:], bench.column(found, "rest_sigma_v")[1500:]
    known = np.isfinite(rest)
    assert known[-1].all()
    assert np.mean(np.abs(rest - cut.rest[1500:])[known] < 2 * sigma[known]) > 0.9


def test_time_standing_still_changes_nothing(bench, ride) -> None:
    state = estimate.new(bench.pack(6))
    last = bench.play(bench.pack(6), ride, state)[-1]
    again = estimate.update(state, Reading(last.time_s, ride.volts[-1], float(ride.current_a[-1])))
    assert again.rest_v == pytest.approx(last.rest_v, abs=0.003)

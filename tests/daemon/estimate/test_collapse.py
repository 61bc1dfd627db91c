"""A pack whose voltage breaks down under a pull it cannot carry. Law: what no resistance explains teaches none.

The circuit is this folder's own; what breaks down is laid over it: 0.8 V within 2 s, back in 5 s after the pull. That a
cold cell does so, its electrolyte run empty, is common practice, no published source; rides of one published cell do
it in the cold (Ramadass2004 in PyBaMM 26.10; docs/results/estimation.md).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sagwise_daemon.domain.model import Unknown

pytestmark = pytest.mark.slow

AT_S, FOR_S, DEEP_V = 180.0, 15.0, 0.8


@pytest.fixture(scope="module")
def ride(bench):
    return bench.circuit(soc=0.8).ride(minutes=8.0)


@pytest.fixture(scope="module")
def steady(bench, ride) -> np.ndarray:
    """Rest without a collapse."""
    return bench.column(bench.play(bench.pack(6), ride), "rest_v")


def broken_down(ride, for_s: float, groups: slice = slice(None)):
    since = ride.time_s - AT_S
    deep = np.clip(since / 2.0, 0.0, 1.0) * np.clip((for_s + 5.0 - since) / 5.0, 0.0, 1.0)
    volts = ride.volts.copy()
    volts[:, groups] -= DEEP_V * deep[:, None]
    return replace(ride, volts=volts)


def test_rest_is_unknown_meanwhile_and_as_if_nothing_had_been_after_it(bench, ride, steady: np.ndarray) -> None:
    made = bench.play(bench.pack(6), broken_down(ride, FOR_S))
    rest, reasons = bench.column(made, "rest_v"), bench.column(made, "unknown")
    meanwhile = (ride.time_s > AT_S + 2.0) & (ride.time_s < AT_S + FOR_S)
    assert np.isnan(rest[meanwhile]).all()
    assert set(reasons[meanwhile].ravel().tolist()) == {int(Unknown.COLLAPSED)}
    after = ride.time_s > AT_S + FOR_S + 25.0
    assert np.isfinite(rest[after]).all()
    assert np.abs(rest - steady)[after].max() < 0.008
    before = (ride.time_s > 20.0) & (ride.time_s < AT_S)
    assert np.array_equal(rest[before], steady[before])


def test_what_stays_is_what_the_pack_has_become(bench, ride) -> None:
    """It cannot be waited for without an end: after two minutes the filters learn again, and rest is said again."""
    made = bench.play(bench.pack(6), broken_down(ride, 1e6))
    rest = bench.column(made, "rest_v")
    assert np.isnan(rest[(ride.time_s > AT_S + 5.0) & (ride.time_s < AT_S + 115.0)]).all()
    assert np.isfinite(rest[ride.time_s > AT_S + 240.0]).mean() > 0.8


def test_a_single_group_that_breaks_down_leaves_the_others_as_they_are(bench, ride, steady: np.ndarray) -> None:
    rest = bench.column(bench.play(bench.pack(6), broken_down(ride, FOR_S, slice(2, 3))), "rest_v")
    others = np.delete(rest - steady, 2, axis=1)[ride.time_s > 20.0]
    assert np.isfinite(others).all() and np.abs(others).max() < 0.004


def test_a_hard_pull_is_no_collapse(bench) -> None:
    """0.5 V of sag that resistance explains: known throughout."""
    ride = bench.circuit(soc=0.8).ride(minutes=3.0, peak_a=170.0)
    assert (ride.volts.max(axis=0) - ride.volts.min(axis=0)).max() > 0.5
    rest = bench.column(bench.play(bench.pack(6), ride), "rest_v")
    assert np.isfinite(rest[ride.time_s > 20.0]).all()

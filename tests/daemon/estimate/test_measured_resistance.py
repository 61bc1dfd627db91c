"""Resistance of a measured cell: its own pulses against what the estimator makes of the record while it is played.

Source: hybrid pulse power characterisation of a 33 Ah pouch cell, DOI 10.5281/zenodo.2580327 (see measured_cell.py).
Own figure: R = ΔV/ΔI, as IEC 61960-3 has it, 1 s and 10 s into each 30 A pulse after an hour's rest. The record is
kept to 1 mV, which is 2 % of a pulse's 50 mV. The pack file states the 29.95 Ah that the cell gave at 2C in the same
archive, so that a pulse is just the rise of 1C from which the contract counts; the curve is that of the rests.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from measured_cell import record

from sagwise_daemon.domain import estimate
from sagwise_daemon.domain.model import Cell, Pack, Readings
from sagwise_daemon.domain.pack.chemistry import resistance_factor
from sagwise_daemon.domain.pack.profile import build_pack

pytestmark = pytest.mark.slow

CAPACITY_AH = 29.95
FIRST, LAST = 2, 6  # pulses played, from 90 down to 50 % of charge


@dataclass(frozen=True, eq=False)
class Pulses:
    """time_s, current_a, volts: the record. start: the last row before each pulse. r_1s, r_10s: own, in mΩ."""

    time_s: np.ndarray
    current_a: np.ndarray
    volts: np.ndarray
    start: np.ndarray
    r_1s: np.ndarray
    r_10s: np.ndarray


@cache
def pulses(celsius: int) -> Pulses:
    time_s, current, volts = record(f"cell-low-current-hppc-{celsius}c.csv")
    start = np.flatnonzero((current[1:] > 29) & (np.abs(current[:-1]) < 1))

    def own(seconds: float) -> np.ndarray:
        rise = (time_s[start] + time_s[start + 1]) / 2  # somewhere between the two rows, half a second apart
        later = np.interp(rise + seconds, time_s, volts)
        return (volts[start] - later) / (np.interp(rise + seconds, time_s, current) - current[start]) * 1e3

    return Pulses(time_s, current, volts, start, own(1.0), own(10.0))


def pack_of(of: Pulses) -> Pack:
    """One group; the curve from the rests of an hour before the pulses, charge counted in between."""
    parts = (of.current_a[1:] + of.current_a[:-1]) / 2 * np.diff(of.time_s) / 3600
    drawn = np.concatenate([[0.0], np.cumsum(parts)])
    whole = drawn[of.start[-1] :].max() - drawn[of.start[0]]
    soc = 1 - (drawn[of.start] - drawn[of.start[0]]) / whole
    cell = Cell(
        "measured",
        CAPACITY_AH,
        4.2,
        3.0,
        None,
        None,
        np.append(0.0, soc[::-1]),
        np.append(3.0, of.volts[of.start][::-1]),
    )
    return build_pack("a 33 Ah pouch cell", 1, 1, cell)


@cache
def played(of: Pulses, celsius: int) -> tuple[estimate.EstimatorState, float]:
    """The estimator after the pulses, ten rows a second around them, else one; and its last 1 s resistance."""
    before, after = of.time_s[of.start[FIRST - 1]] - 30, of.time_s[of.start[LAST - 1]] + 40
    fine = [np.arange(of.time_s[row] - 20, of.time_s[row] + 240, 0.1) for row in of.start[FIRST - 1 : LAST]]
    rows = np.unique(np.round(np.concatenate([np.arange(before, after, 1.0), *fine]), 3))
    rows = rows[(rows >= before) & (rows <= after)]
    volts, current = np.interp(rows, of.time_s, of.volts), np.interp(rows, of.time_s, of.current_a)
    nothing = np.full(len(rows), np.nan)
    state = estimate.new(pack_of(of))
    readings = Readings(rows, volts[:, None], current, np.full((len(rows), 1), float(celsius)), nothing)
    estimates, _ = estimate.take(state, readings)
    return state, float(estimates.resistance_mohm[-1, 0])


@pytest.mark.parametrize("celsius", [10, 25, 40])
def test_one_second(celsius: int) -> None:
    of = pulses(celsius)
    state, found = played(of, celsius)
    assert state.steps.complete
    assert found == pytest.approx(float(np.median(of.r_1s[FIRST - 1 : LAST])), rel=0.08)


@pytest.mark.parametrize("celsius", [10, 25, 40])
def test_ten_seconds(celsius: int) -> None:
    of = pulses(celsius)
    state, found = played(of, celsius)
    ten = float(estimate.resistance_10s_25c_mohm(state)[0]) * resistance_factor(celsius)
    assert ten == pytest.approx(float(np.median(of.r_10s[FIRST - 1 : LAST])), rel=0.15)
    assert ten > found

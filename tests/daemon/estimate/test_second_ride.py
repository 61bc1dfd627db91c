"""What one ride teaches the next, on rides whose true rest voltage is known. Law: the same pack, ridden again.

Second time the same truth is read with other noise by an estimator that begins with what the first left. The cell's
own curve is known, its resistance is not told; see tests/truth/PROVENANCE.md for the rides.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from truth_rides import RIDES, Sensors, Told, Truth, load, measured, pack_of

from sagwise_daemon.domain import estimate
from sagwise_daemon.domain.estimate.taught import Learnt

pytestmark = pytest.mark.slow

NAMES = ("chen2020_9001", "nca_kim2011_9001", "mohtat2020_9000")
BLOCK = 256


class Error(NamedTuple):
    """Root mean square over the healthy groups, mV; unknown: share of moments without an answer."""

    rest_mv: float
    ocv_mv: float
    unknown: float


def ridden(truth: Truth, seed: int, before: Learnt | None) -> tuple[Error, Learnt | None]:
    state = estimate.new(pack_of(truth, Told()), before)
    readings = measured(truth, Sensors(), seed).readings()
    made = [estimate.take(state, readings.rows(slice(k, k + BLOCK)))[0] for k in range(0, len(readings), BLOCK)]
    healthy = truth.kinds == "healthy"
    errors = []
    for name, true_v in (("rest_v", truth.rest), ("ocv_v", truth.ocv)):
        found = np.concatenate([getattr(one, name) for one in made])[truth.rest_row].T
        errors.append((found - true_v)[healthy] * 1e3)
    rest, ocv = (float(np.sqrt(np.nanmean(error**2))) for error in errors)
    return Error(rest, ocv, float(np.isnan(errors[0]).mean())), estimate.learnt(state)


@pytest.mark.parametrize("name", NAMES)
def test_the_second_ride_is_the_better_known(name: str) -> None:
    """Without a rest at its end a ride teaches resistances and the groups' differences, no capacity.

    The same readings with and without what the ride before taught. Rest is known within 6 mV without, and charge is
    counted from a rested voltage, so what is left to gain is a part of the equilibrium voltage's error where that was
    not within 3 mV; and it must cost nothing.
    """
    truth = load(RIDES / f"{name}.npz")
    _, left = ridden(truth, 0, None)
    assert left is not None
    alone, (second, _) = ridden(truth, 1, None)[0], ridden(truth, 1, left)
    assert alone.rest_mv <= 6.0 and second.rest_mv < 1.03 * alone.rest_mv
    assert second.ocv_mv < max(0.9 * alone.ocv_mv, 3.0)
    assert second.unknown < alone.unknown + 0.001

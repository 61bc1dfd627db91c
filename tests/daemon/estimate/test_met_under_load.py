"""A pack met under load. Law: where the curve bends, what is unsure counts, not the slope at one guess.

The curve is of this file's own making: a plateau with a steep end on either side, as cells with lithium iron phosphate
have it (common practice, no published source); the figures are none's.
"""

from __future__ import annotations

import numpy as np
import pytest

from sagwise_daemon.domain import estimate
from sagwise_daemon.domain.estimate import output
from sagwise_daemon.domain.estimate.inputs import Moment
from sagwise_daemon.domain.estimate.start import Beginning, Start
from sagwise_daemon.domain.model import Cell, Reading, Unknown
from sagwise_daemon.domain.pack.chemistry import OcvCurve
from sagwise_daemon.domain.pack.profile import build_pack

SOC = np.array([0.0, 0.05, 0.12, 0.30, 0.60, 0.90, 0.95, 1.0])
VOLTS = np.array([2.80, 3.05, 3.20, 3.26, 3.28, 3.30, 3.36, 3.44])
CURVE = OcvCurve(SOC, VOLTS)
DROP_V = 0.10


def met_at(volts: float, c: float = 1.0) -> Beginning:
    """Four groups at a steady load, nothing seen before; they begin once waiting brings no more."""
    start = Start(CURVE, DROP_V)
    moment = Moment(1.0, c, c, 0.0, 1.0, True, True, c)
    for _ in range(100):
        beginning = start.add(np.full(4, volts), moment, np.nan, c)
        if beginning is not None:
            return beginning
    raise AssertionError("it never begins")


def test_past_the_end_of_a_plateau_a_loaded_voltage_may_as_well_be_of_its_middle() -> None:
    beginning = met_at(3.19)  # with the drop, 3.35 V
    slope = CURVE.at(float(beginning.soc[0]))[1]
    assert beginning.soc[0] > 0.94 and slope > 1.0
    assert beginning.soc_sigma > 2 * 0.0625 / slope  # a few tens of millivolts less are half of the charge


def test_on_the_slope_the_slope_tells() -> None:
    beginning = met_at(2.90)
    slope = CURVE.at(float(beginning.soc[0]))[1]
    assert beginning.soc[0] < 0.06
    assert beginning.soc_sigma == pytest.approx(np.hypot(0.3 * 0.16, 0.04) / slope, rel=0.25)


@pytest.mark.parametrize(("soc", "sigma", "times"), [(0.35, 0.25, 2.0), (0.85, 0.10, 2.0)])
def test_near_a_plateaus_end_the_voltage_is_less_sure_than_its_slope_says(
    soc: float, sigma: float, times: float
) -> None:
    at = np.array([[soc]])
    slope = CURVE.slope(at)
    variance = output._of_charge(CURVE, at, slope, np.array([[sigma**2]]))
    assert np.sqrt(variance[0, 0]) > times * sigma * slope[0, 0]


def test_a_charge_that_is_known_sees_no_bend() -> None:
    at = np.array([[0.13]])
    slope = CURVE.slope(at)
    assert output._of_charge(CURVE, at, slope, np.array([[1e-4]])) == pytest.approx(1e-4 * slope**2)


def test_a_cruise_met_on_a_plateau_is_unknown_and_says_why() -> None:
    """The charge may be anything from a third to four fifths; a level would be a guess."""
    cell = Cell("measured", 20.0, 3.6, 2.5, 2.0, None, SOC, VOLTS)
    state = estimate.new(build_pack("Wren", 4, 1, cell, {"rest_low": {"volts": 3.1}}))
    said = []
    for row in range(1000):
        time_s = row * 0.1
        volts = CURVE.volts(np.full(4, 0.30 - time_s / 3600)) - 0.055
        said.append(estimate.update(state, Reading(time_s, volts, 20.0, np.array([5.0]))))
    assert all(np.isnan(one.rest_v).all() for one in said)
    assert set(np.concatenate([one.unknown for one in said]).tolist()) == {int(Unknown.SETTLING)}

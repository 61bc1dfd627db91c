"""The estimator as its callers meet it: shapes, unknowns, and never a NaN in what is called known."""

from __future__ import annotations

import numpy as np

from sagwise_daemon.domain import estimate
from sagwise_daemon.domain.model import Cell, Pack, Reading, Unknown
from sagwise_daemon.domain.pack.chemistry import built_in_curve
from sagwise_daemon.domain.pack.profile import build_pack


def otter(series: int = 16) -> Pack:
    return build_pack("Otter", series, 5, Cell("nmc", 4.5, 4.2, 2.8, 14.0, 30.0, *built_in_curve("nmc")))


def test_ten_seconds_of_rest_bring_an_estimate() -> None:
    state = estimate.new(otter())
    volts = np.linspace(3.74, 3.76, 16)
    reasons = set()
    for k in range(130):
        known = estimate.update(state, Reading(k * 0.1, volts, 0.0, np.array([22.0])))
        reasons.add(int(known.unknown[0]))
        if k < 95:
            assert np.isnan(known.rest_v).all()
    assert reasons == {Unknown.SETTLING, Unknown.KNOWN}
    assert np.abs(known.rest_v - volts).max() < 0.002
    assert np.all(known.rest_sigma_v < 0.015)
    for values in (known.ocv_v, known.resistance_mohm, known.resistance_25c_mohm, known.soc):
        assert values.shape == (16,)
        assert np.isfinite(values).all()

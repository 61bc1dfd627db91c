"""Which slow elements a curve gets. The chemistries' curves are the built-in ones."""

from __future__ import annotations

import numpy as np
import pytest

from sagwise_daemon.domain.estimate.common import Common
from sagwise_daemon.domain.estimate.slow_elements import FLAT, SLOPING, slow_elements
from sagwise_daemon.domain.pack.chemistry import CURVES, SOC, OcvCurve


@pytest.mark.parametrize("name", sorted(CURVES))
def test_only_the_flat_curve_of_lfp_has_elements_of_its_own(name: str) -> None:
    low, high = np.interp([0.2, 0.9], SOC, CURVES[name])
    assert slow_elements((high - low) / 0.7) is (FLAT if name == "lfp" else SLOPING)


def test_on_a_flat_curve_a_slow_drop_is_charge() -> None:
    curve = OcvCurve((0.0, 0.1, 0.9, 1.0), (2.8, 3.2, 3.3, 3.4))
    common = Common(curve, 0.05)
    common.currents = [1.0] * 4
    shared = common.shared(3.2, 1.0)
    assert shared.delta > 0.02
    assert shared.slow_v < 0.5 * shared.delta * curve.mean_slope

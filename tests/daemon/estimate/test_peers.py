"""What the peer filter learns where the current says nothing. Law: only a change of current tells a resistance."""

from __future__ import annotations

import numpy as np
import pytest

from sagwise_daemon.domain.estimate.common import Shared
from sagwise_daemon.domain.estimate.inputs import Moment, Seen
from sagwise_daemon.domain.estimate.peers import EXTRA, SCALE, SOC, Lesson, Peers
from sagwise_daemon.domain.pack.chemistry import OcvCurve, built_in_curve

CURVE = OcvCurve(*built_in_curve("nmc"))
DROP_V, APART_V = 0.08, 0.01  # the third group reads this much lower than the others


def ridden(c: float, steady: bool) -> Peers:
    """A minute at one current, ten readings a second."""
    peers = Peers(CURVE, 3, DROP_V)
    fast_v = DROP_V * c
    shared = Shared(0.6, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, fast_v)
    volts = np.full(3, CURVE.at(0.6)[0] - fast_v) - (0.0, 0.0, APART_V)
    for reading in range(600):
        moment = Moment(0.1, c, c, 0.0, 1.0, steady, True, c)
        seen = Seen(reading / 10, volts, np.ones(3, bool), 3, float(volts[0]))
        peers.learn([Lesson(seen, shared, moment, c * 0.1 / 3600.0, 0.1, 1.0)])
    return peers


@pytest.mark.parametrize(("c", "steady"), [(1.2, True), (0.0, False)], ids=["cruise", "coast"])
def test_no_resistance_is_learnt_at_a_constant_current_or_at_rest(c: float, steady: bool) -> None:
    peers = ridden(c, steady)
    assert not peers.x[SCALE : EXTRA + 1].any()
    assert peers.x[SOC, 2] < 0.0
    assert (peers.x[SOC, 2] < -0.002) == (c == 0.0), "under load it may be a resistance that is not known yet"
    for group in range(3):
        assert np.linalg.eigvalsh(peers.p[:, :, group]).min() > 0.0
        assert np.allclose(peers.p[:, :, group], peers.p[:, :, group].T, atol=1e-12)


def test_it_is_learnt_where_the_current_varies() -> None:
    assert ridden(1.2, steady=False).x[SCALE, 2] > 0.01

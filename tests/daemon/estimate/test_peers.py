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


def read(peers: Peers, c: float, apart_v: float, steady: bool, reading: int) -> None:
    fast_v = DROP_V * c
    shared = Shared(0.6, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, fast_v)
    volts = np.full(3, CURVE.at(0.6)[0] - fast_v) - (0.0, 0.0, apart_v)
    moment = Moment(0.1, c, c, 0.0, 1.0, steady, True, c)
    seen = Seen(reading / 10, volts, np.ones(3, bool), 3, float(volts[0]))
    peers.learn([Lesson(seen, shared, moment, c * 0.1 / 3600.0, 0.1, 1.0)])


def ridden(c: float, steady: bool) -> Peers:
    """A minute at one current, ten readings a second."""
    peers = Peers(CURVE, 3, DROP_V)
    for reading in range(600):
        read(peers, c, APART_V, steady, reading)
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


def test_a_resistance_is_learnt_where_the_current_varies() -> None:
    """Ten minutes of pulls and coasts; the third group drops a fifth more than the others."""
    peers = Peers(CURVE, 3, DROP_V)
    for reading in range(6000):
        c = 3.0 if reading // 50 % 2 else 0.2
        read(peers, c, 0.2 * DROP_V * c, False, reading)
    more = peers.x[SCALE] * DROP_V + peers.x[EXTRA]
    assert more[2] == pytest.approx(0.2 * DROP_V, rel=0.25)
    assert abs(more[:2]).max() < 0.02 * DROP_V

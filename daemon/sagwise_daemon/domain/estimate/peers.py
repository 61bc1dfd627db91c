"""The peer filter: how each group differs from the median. Law: all groups at once, closed-form arrays, no loop.

All groups carry the same current, so what the common model gets wrong (the curve, the current's gain) cancels in
the difference. States of a group, along the first axis of `x`: charge difference; capacity ratio κ = Q/Qg − 1, whose
mark is the drift of that difference; resistance scale on the median's measured fast drop; extra ohmic resistance
(a bad joint); one slow offset. κ also scales the slow polarisation, but is not learnt from it.
"""

from __future__ import annotations

from math import exp

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.common import Shared
from sagwise_daemon.domain.estimate.inputs import Moment, Seen
from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.pack.chemistry import OcvCurve

SOC, RATIO, SCALE, EXTRA, OFFSET = range(5)
STATES = 5
OFFSET_LEFT = exp(-s.REST_HORIZON_S / s.PEER_OFFSET_TAU_S)


class Peers:
    """x: (5, groups); p: (5, 5, groups). `drop_v`: prior 1 s resistance at 25 degC, volts per C."""

    def __init__(self, curve: OcvCurve, groups: int, drop_v: float) -> None:
        self.curve = curve
        self._shape(drop_v)
        self.x: Floats = np.zeros((STATES, groups))
        self.p: Floats = np.zeros((STATES, STATES, groups))
        self._diagonal = np.einsum("iig->ig", self.p)
        self._clamped = self.x[RATIO : SCALE + 1]
        self._clamps = np.array([s.PEER_RATIO_CLAMP, s.PEER_SCALE_CLAMP]).T[:, :, None]
        self.variances = list(self._diagonal)
        # Views of `x` and `p`, which are never made anew: taking one costs as much as working on it.
        self._states, self._rows, self._columns = list(self.x), list(self.p), list(self.p.transpose(1, 0, 2))
        self._h = np.zeros((STATES, groups))
        self._h[OFFSET] = 1.0
        self.doubt_v: Floats = np.zeros(groups)
        self.doubted: NDArray[np.bool_] = np.zeros(groups, bool)
        self._doubted = self.doubted.tobytes()
        self._limit_v = np.full(groups, s.DOUBT_RAISE_V)
        self._diagonal[:] = self._sigmas[:, None] ** 2
        both = s.PEER_CORRELATION * s.PEER_SIGMA_RATIO * s.PEER_SIGMA_SCALE
        self.p[RATIO, SCALE] = self.p[SCALE, RATIO] = both

    def _shape(self, drop_v: float) -> None:
        self.drop_v = drop_v
        extra = s.PEER_SIGMA_EXTRA * drop_v
        others = (s.PEER_SIGMA_SOC, s.PEER_SIGMA_RATIO, s.PEER_SIGMA_SCALE)
        self._sigmas = np.array([*others, extra, s.PEER_SIGMA_OFFSET_V])
        walk = [s.PEER_WALK_SOC, s.PEER_WALK_RATIO, s.PEER_WALK_SCALE, s.PEER_WALK_EXTRA * drop_v]
        self._walk = np.array([*walk, s.PEER_WALK_OFFSET_V])[:, None] ** 2

    def scale(self, drop_v: float) -> None:
        """Take extra resistances anew, in proportion to a 1 s resistance now measured."""
        self._shape(drop_v)
        self.x[EXTRA] = 0.0
        self.p[EXTRA, :, :] = self.p[:, EXTRA, :] = 0.0
        self.p[EXTRA, EXTRA] = self._sigmas[EXTRA] ** 2

    def start_from(self, ratio: Floats, ratio_sigma: Floats, scale: Floats, drop_v: float) -> None:
        """Begin from what earlier rides taught, (groups,) each, NaN where they did not; scale: resistance over the
        median's, less 1.
        """
        self.scale(drop_v)
        known = np.isfinite(ratio)
        part = np.where(known, s.PEER_SIGMA_RATIO**2 / (s.PEER_SIGMA_RATIO**2 + ratio_sigma**2), 0.0)
        sigma = np.where(known, np.sqrt(part) * np.where(known, ratio_sigma, 0.0), s.PEER_SIGMA_RATIO)
        sigma = np.maximum(sigma, s.LEARNT_SIGMA_PEER_RATIO)
        scaled = np.where(np.isfinite(scale), s.LEARNT_SIGMA_PEER_SCALE, s.PEER_SIGMA_SCALE)
        self.x[RATIO], self.x[SCALE] = part * np.nan_to_num(ratio), np.nan_to_num(scale)
        _hold(self._clamped, *self._clamps)
        self.p[RATIO, RATIO], self.p[SCALE, SCALE] = sigma**2, scaled**2
        self.p[RATIO, SCALE] = self.p[SCALE, RATIO] = s.PEER_CORRELATION * sigma * scaled

    def reopen(self, groups: NDArray[np.bool_]) -> None:
        """Begin anew, but for the capacity, with (groups,) some whose readings were not to be believed for a while."""
        for state in (SOC, SCALE, EXTRA, OFFSET):
            self.p[state, :, groups] = 0.0
            self.p[:, state, groups] = 0.0
            self.p[state, state, groups] = self._sigmas[state] ** 2
        self.x[SCALE:, groups] = 0.0
        self.p[SOC, SOC, groups] = s.REOPENED_PEER_SIGMA**2
        self.doubt_v[groups] = 0.0

    def forget(self) -> None:
        """What earlier rides taught was of another pack: capacities and resistances are as on the first ride."""
        everyone = np.ones(self.x.shape[1], bool)
        self.reopen(everyone)
        self.x[RATIO] = 0.0
        self.p[RATIO, :] = self.p[:, RATIO] = 0.0
        self.p[RATIO, RATIO] = s.PEER_SIGMA_RATIO**2
        self.p[RATIO, SCALE] = self.p[SCALE, RATIO] = s.PEER_CORRELATION * s.PEER_SIGMA_RATIO * s.PEER_SIGMA_SCALE

    def open(self, soc: Floats, soc_sigma: Floats) -> None:
        """Set the charge differences anew, unlinked from the rest, which keeps what it learnt."""
        self.x[SOC] = soc
        self.x[OFFSET] = 0.0
        for state, sigma in ((SOC, soc_sigma), (OFFSET, np.full_like(soc, s.PEER_SIGMA_OFFSET_V))):
            self.p[state, :, :] = self.p[:, state, :] = 0.0
            self.p[state, state, :] = sigma**2

    def predict(self, charge: float, seconds: float) -> None:
        """Carry the states on by `seconds` in which `charge` (share of the median's capacity) was drawn."""
        states, rows, columns = self._states, self._rows, self._columns
        np.subtract(states[SOC], charge * states[RATIO], out=states[SOC])
        np.subtract(rows[SOC], charge * rows[RATIO], out=rows[SOC])
        np.subtract(columns[SOC], charge * columns[RATIO], out=columns[SOC])
        self._diagonal += self._walk * seconds

    def learn(self, seen: Seen, shared: Shared, moment: Moment, waited_s: float, crowd: float) -> None:
        """Learn from the group voltages; groups that are not valid only drift.

        waited_s: since it last learnt. crowd: multiplies noise's variance.
        """
        volts, all_valid = seen.volts, seen.all_valid
        x, h, p = self.x, self._h, self.p
        soc, ratio, scale, extra, offset = self._states
        share, load = 1.0 + ratio, moment.factor * moment.c
        inside = shared.soc + soc - share * shared.delta
        slope = self.curve.slope(inside)
        fast = (1.0 + scale) * shared.fast_v + load * extra
        expected = self.curve.volts(inside) - share * shared.slow_v + shared.offset_v - fast + offset
        resting = abs(moment.c) < s.REST_C
        h[SOC], h[SCALE], h[EXTRA] = slope, 0.0 if resting else -shared.fast_v, -load
        part = (
            s.PEER_NOISE_OF_DROP * shared.fast_v,
            s.PEER_NOISE_OF_CHANGE * self.drop_v * moment.factor * moment.change,
        )
        noise = crowd * (s.PEER_NOISE_V**2 + part[0] ** 2 + part[1] ** 2)
        ph = np.add.reduce(p * h, axis=1)
        variance = np.add.reduce(h * ph, axis=0) + noise
        sigma = np.sqrt(variance)
        apart = volts - expected if all_valid else np.where(seen.valid, volts - expected, 0.0)
        self._judge(np.abs(apart), waited_s)
        innovation = apart / sigma
        _hold(innovation, -s.INNOVATION_CAP, s.INNOVATION_CAP)
        gain = ph / variance if all_valid else np.where(seen.valid, ph / variance, 0.0)
        if moment.steady or resting:
            self._stay(gain, ph)
        else:
            p -= gain[:, None, :] * ph
        x += gain * (innovation * sigma)
        _hold(self._clamped, *self._clamps)

    def _stay(self, gain: Floats, ph: Floats) -> None:
        """Kalman's step where the current is constant: charge and capacity move, the resistances keep what they are."""
        gain[SCALE : EXTRA + 1] = 0.0
        taken = gain[:, None, :] * ph
        taken[SCALE : EXTRA + 1] = ph[SCALE : EXTRA + 1, None, :] * gain
        self.p -= taken

    def _judge(self, apart_v: Floats, seconds: float) -> None:
        self.doubt_v += (apart_v - self.doubt_v) * (1.0 - exp(-seconds / s.DOUBT_TAU_S))
        doubted = self.doubt_v > self._limit_v
        if doubted.tobytes() != self._doubted:
            self._doubted = doubted.tobytes()
            self._limit_v = np.where(doubted, s.DOUBT_CLEAR_V, s.DOUBT_RAISE_V)
        self.doubted = doubted


def _hold(values: Floats, low: Floats | float, high: Floats | float) -> None:
    """Clip in place; `np.clip` costs three times as much on a few groups."""
    np.maximum(values, low, out=values)
    np.minimum(values, high, out=values)

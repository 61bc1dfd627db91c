"""Rest voltage without a current: the common dip of all groups is the load. Law: what two loads explain stays wide.

The median voltage lies below rest by a drop that grows with the current. Given the resistance, the drop tells the
current in C, the current tells the charge drawn, and the charge tells rest again: where the resistance is taken too
large or too small by a share, rest is wrong by about that share of the mean drop, and no error grows. How large the
resistance is, is not known, nor how much of it is slow; so a grid of scales of both is carried side by side, each with
its own charge. While the pack coasts there is no current, and rest shows but for the recovery that is still to come:
the scales whose counted charge fits what the coasts show gain weight.

A coast is told from a light steady load by being quiet (no rider holds a throttle as still as none), by being the
highest such level of late, and by not falling. Nothing is certain of that, so each look is weighed between a coast, a
load and regeneration, and only what fits a coast moves the charge.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, inf, isnan, nan, pi, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.common import SLOW as COMMON_SLOW
from sagwise_daemon.domain.estimate.common import TAU as COMMON_TAU
from sagwise_daemon.domain.estimate.common import Common, Shared, Z
from sagwise_daemon.domain.estimate.inputs import Moment, Seen
from sagwise_daemon.domain.estimate.peers import Lesson, Peers
from sagwise_daemon.domain.estimate.quiet import Quiet
from sagwise_daemon.domain.estimate.start import Start
from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.pack.chemistry import OcvCurve, resistance_factor

# The drop of the fast part over the current, both for a 1 s resistance of 1 V per C.
UNIT_C: Floats = np.concatenate([np.linspace(s.BLIND_LEAST_C, 2.5, 91), np.linspace(2.6, s.BLIND_MOST_C, 63)])
UNIT_V: Floats = s.BLIND_OHMIC * UNIT_C + s.BLIND_BENT * np.arcsinh(s.ASINH_GAIN * UNIT_C) / s.ASINH_UNIT
AT_NO_CURRENT = s.BLIND_OHMIC + s.BLIND_BENT * s.ASINH_GAIN / s.ASINH_UNIT  # volts per C where the current is small
TAU: Floats = np.array(s.BLIND_TAU_S)
LEFT: Floats = np.exp(-s.REST_HORIZON_S / TAU)
SLOW: Floats = np.array(s.BLIND_SLOW_SHARES)
OUTSIDE = 1.0 - s.BLIND_INSIDE
# How much of an element shows within the slowest one's time: by this the common filter's elements and these compare.
SHOWN: Floats = 1.0 - np.exp(-TAU[-1] / TAU)
COMMON_SHOWN: Floats = 1.0 - np.exp(-TAU[-1] / COMMON_TAU)


class Scales(NamedTuple):
    """What is tried side by side, (n,) each. fast: 1 s resistance at 25 degC, volts per C; slow: how many times the
    usual share of it the slow elements have; prior: logarithm of the first weight.
    """

    fast: Floats
    slow: Floats
    prior: Floats


def wide_scales(drop_v: float) -> Scales:
    """Nothing was measured: the prior 1 s resistance may be wrong three times over."""
    return _scales(drop_v, 1.4, s.BLIND_STEP, s.BLIND_SIGMA, s.BLIND_SLOW)


def learnt_scales(common: Common, step_c: float) -> Scales:
    """The common filter has followed a current: its resistances, within a little."""
    typical = Common(common.curve, common.drop_v)
    drop_v = common.drop_v * common.resistance(step_c) / typical.resistance(step_c)
    slow_v = float((common.colder * common.x[COMMON_SLOW])[1:] @ COMMON_SHOWN[1:])
    slow = slow_v / (drop_v * float(SLOW[1:] @ SHOWN[1:]))
    near = tuple(slow * part for part in s.BLIND_LEARNT_SLOW)
    return _scales(drop_v, slow, s.BLIND_LEARNT_STEP, s.BLIND_LEARNT_SIGMA, near)


def _scales(drop_v: float, usual: float, step: float, sigma: float, slow: tuple[float, ...]) -> Scales:
    apart = (np.arange(s.BLIND_SCALES) - s.BLIND_SCALES // 2) * np.log(step)
    scale, slowness = np.repeat(apart, len(slow)), np.tile(slow, s.BLIND_SCALES)
    unlikely = (scale / sigma) ** 2 + (np.log(slowness / usual) / s.BLIND_SLOW_SIGMA) ** 2
    return Scales(drop_v * np.exp(scale), slowness, -0.5 * unlikely)


class Kept(NamedTuple):
    """Where all scales stood when a quiet spell was first taken for a coast."""

    z: Floats
    p: Floats
    x: Floats
    c: Floats
    weights: Floats
    time_s: float


class VoltagesOnly:
    """shared: what the peers take over and what is told, None until there is a beginning. peers: the pack's.

    z, p: charge and its variance; x: (3, n) low-passed currents; c: current; (n,) each, of every scale.
    """

    def __init__(self, curve: OcvCurve, peers: Peers, scales: Scales, temperature_c: float) -> None:
        self.curve, self.peers, self.scales = curve, peers, scales
        count = len(scales.fast)
        low, high = curve.volts(np.array([0.2, 0.9]))
        self._inside = s.BLIND_INSIDE * float(SLOW[2]) / (float(high - low) / 0.7)
        self._outer = np.outer(SLOW * (1.0, 1.0, OUTSIDE), np.ones(count))
        self._outer[1:] *= scales.slow
        self.z, self.p, self.c = np.full(count, 0.5), np.zeros(count), np.zeros(count)
        self.x: Floats = np.zeros((3, count))
        self._reference, self._drawn_since = np.full(count, -1.0), np.zeros(count)
        self._weights = scales.prior.copy()
        self._weigh()
        self.start: Start | None = Start(curve, float(self.mean_fast_v))
        self.quiet = Quiet()
        self._kept: Kept | None = None
        self._temperature_c, self.factor = temperature_c, 1.0
        self.time_s, self._pending_s, self.since_s = -inf, 0.0, 0.0
        self._look_s = self._spread_s = inf
        self._unwidened_s = self._squared = self._change = 0.0
        self._step_s, self._part = nan, np.zeros((3, 1))
        self._levels = (nan, nan)
        self.spread_v = self.variance = self.offset_v = self.flat = 0.0
        self.shared: Shared | None = None

    def follow(self, common: Common, c: float, time_s: float) -> None:
        """Go on where the common filter was when its current was last known: `c`, in C, at `time_s`."""
        self.start, self.since_s, self.time_s = None, s.KNOWN_AFTER_S, time_s
        self.z[:], self.p[:] = float(common.x[Z]), float(common.p[Z, Z])
        self.x[:] = np.array([common.low_passed(tau) for tau in s.BLIND_TAU_S])[:, None]
        self.c[:] = c

    @property
    def warm(self) -> bool:
        """Whether a temperature is known."""
        return not isnan(self._temperature_c)

    @property
    def base_v(self) -> float:
        """Standard uncertainty of rest besides that of charge and recovery: model, scales, and a flat curve's error."""
        return sqrt(s.BLIND_BASE_V**2 + self.spread_v**2 + (s.FLAT_V * self.flat) ** 2)

    @property
    def charge(self) -> tuple[float, float]:
        """State of charge of the median group and its standard uncertainty."""
        z = float(self.w @ self.z)
        return z, sqrt(self.variance + float(self.w @ (self.z - z) ** 2))

    def low_passed(self, tau_s: Sequence[float]) -> list[float]:
        """The current low-passed over other times than its own, in C."""
        means: list[float] = np.interp(np.log(tau_s), np.log(TAU), self.x @ self.w).tolist()
        return means

    def add(self, seen: Seen, sensors_c: float) -> float:
        """Take one reading; sensors_c: NaN without any. Seconds since the last one, 0 where that is too long ago."""
        seconds = seen.time_s - self.time_s
        seconds = max(seconds, 0.0) if seconds < inf else 0.0
        self.time_s = seen.time_s
        self._warm(sensors_c, seconds)
        if self.start is None and seconds > s.SHORT_GAP_S:
            seconds = self._gap(seconds)
        if self.start is not None:
            self._starting(seen, seconds)
            return seconds
        self.since_s += seconds
        self._pending_s += seconds
        if self._pending_s >= s.LEARN_EVERY_S or self.shared is None:
            self._running(seen, self._pending_s)
            self._pending_s = 0.0
        return seconds

    def _warm(self, sensors_c: float, seconds: float) -> None:
        if not isnan(sensors_c):
            before = self._temperature_c if self.warm else sensors_c
            self._temperature_c = before + (sensors_c - before) * (1.0 - exp(-seconds / s.TEMPERATURE_TAU_S))
        self.factor = resistance_factor(self._temperature_c if self.warm else s.ASSUMED_TEMPERATURE_C)

    def _gap(self, seconds: float) -> float:
        """Readings were missing: what was drawn meanwhile is not known, and after long nothing is. The step left."""
        self.quiet, self._kept, self.since_s = Quiet(), None, 0.0
        if seconds > s.LONG_GAP_S:
            self.start, self.shared = Start(self.curve, float(self.mean_fast_v)), None
            self._levels = (nan, nan)
        self.p += (s.GAP_CURRENT_C * seconds / 3600.0) ** 2
        self.x *= np.exp(-seconds / TAU)[:, None]
        self.c[:] = 0.0
        return 0.0

    def _starting(self, seen: Seen, seconds: float) -> None:
        """As with a current, but whether the pack rests is told by whether its voltage does."""
        assert self.start is not None
        if 2 * seen.known < len(seen.volts) or not seen.known:
            return
        median = seen.median if seen.all_valid else float(np.median(seen.volts[seen.valid]))
        fast, slow = (median if isnan(level) else level for level in self._levels)
        fast += (median - fast) * (1.0 - exp(-seconds / s.BLIND_FAST_TAU_S))
        slow += (median - slow) * (1.0 - exp(-seconds / s.BLIND_REST_TAU_S))
        self._levels = fast, slow
        c = s.BLIND_START_C
        resting = abs(fast - slow) < s.BLIND_REST_V
        moment = Moment(seconds, c, c, 0.0, self.factor, False, self.warm, 0.0 if resting else c)
        beginning = self.start.add(np.where(seen.valid, seen.volts, median), moment, nan, c)
        if beginning is None:
            return
        self.start = None
        self.z[:] = middle = float(np.median(beginning.soc))
        self.p[:] = max(beginning.soc_sigma, s.BLIND_START_SIGMA) ** 2
        self.peers.open(beginning.soc - middle, beginning.peer_sigma)
        self.since_s = s.KNOWN_AFTER_S if beginning.rested else 0.0

    def _running(self, seen: Seen, seconds: float) -> None:
        if 2 * seen.known < max(len(seen.volts), 2):
            self._carry(self.c, seconds)
            return
        median = seen.median if seen.all_valid else float(np.median(seen.volts[seen.valid]))
        before, last = float(self.w @ self.c), self.c
        fast = self.scales.fast * self.factor
        self._flow(last, seconds)
        delta = self.x[2] * fast * self.scales.slow * self._inside
        slow_v = fast * (self._outer * self.x).sum(axis=0)
        drop_v = self.curve.volts(self.z - delta) - slow_v - (median - self.offset_v)
        self.c = np.interp(drop_v / fast, UNIT_V, UNIT_C)
        half = 0.5 * (self.c - last)
        self.x += half * self._part
        self._draw(last + half, seconds)
        if self.quiet.add(median, float(self.w @ drop_v), seconds):
            self._rest(drop_v, delta, slow_v)
        else:
            self._kept = None
        self._tell(seen, median, before, seconds)

    def _flow(self, c: Floats, seconds: float) -> None:
        if seconds != self._step_s:
            self._step_s, self._part = seconds, 1.0 - np.exp(-seconds / TAU)[:, None]
        self.x += (c - self.x) * self._part

    def _draw(self, c: Floats, seconds: float) -> None:
        self.z -= c * (seconds / 3600.0)
        self._drawn_since += c * (seconds / 3600.0)
        self._look_s += seconds
        self._spread_s += seconds
        self._unwidened_s += seconds
        self._squared += float(self.w @ c) ** 2 * seconds

    def _carry(self, c: Floats, seconds: float) -> None:
        self._flow(c, seconds)
        self._draw(c, seconds)

    def _rest(self, drop_v: Floats, delta: Floats, slow_v: Floats) -> None:
        """The load holds still: it may be none. What turns out to be one is undone."""
        if self.quiet.falls:
            self._undo()
        elif self._look_s >= s.LOOK_EVERY_S:
            if self._kept is None:
                kept = (self.z.copy(), self.p.copy(), self.x.copy(), self.c.copy(), self._weights.copy())
                self._kept = Kept(*kept, self.time_s)
            slope = self.curve.slope(self.z - delta)
            self._look(-drop_v, slope, slow_v + slope * delta)

    def _undo(self) -> None:
        if self._kept is None:
            return
        z, p, x, c, weights, began_s = self._kept
        seconds = self.time_s - began_s
        self.z, self.p, self.c = z - c * (seconds / 3600.0), p, c
        self.x = x + (c - x) * (1.0 - np.exp(-seconds / TAU)[:, None])
        self._weights, self._kept = weights, None
        self._weigh()

    def _look(self, above_v: Floats, slope: Floats, slow_v: Floats) -> None:
        """Learn from a quiet moment. above_v: how far the voltage lies above that of a coast, (n,)."""
        self._widen(slope)
        under = self._under(above_v, slope)
        part, self._look_s = min(self._look_s / s.LOOK_TAU_S, 1.0), 0.0
        noise = s.LOOK_V**2 + (s.LOOK_OF_SLOW * slow_v) ** 2
        variance = self.p * slope**2 + noise
        coast = np.exp(-0.5 * above_v**2 / variance) / np.sqrt(2.0 * pi * variance)
        coast = np.where(under, 0.0, s.COAST_SHARE * coast)
        either = coast + self._no_coast(above_v)
        self._weights += s.LOOK_EVIDENCE * part * np.log(either)
        self._weights += (self.scales.prior - self._weights) * (1.0 - exp(-part * s.LOOK_TAU_S / s.BLIND_FORGET_S))
        self._weigh()
        fits = coast / either
        np.maximum(self._reference, above_v, out=self._reference, where=fits > 0.5)
        lifted = (above_v > 2.0 * np.sqrt(variance)) & (fits > 0.5) & (slope > s.FLAT)
        self.p = np.where(lifted, np.maximum(self.p, s.LIFTED_SHARE * (above_v / slope) ** 2), self.p)
        gain = self.p * slope / (self.p * slope**2 + noise / part)
        moved = fits * gain * above_v
        self.z = np.clip(self.z + moved, *s.SOC_CLAMP)
        self._reference -= moved * slope
        self._shift(fits * (above_v - moved * slope), slope, part)
        least = self._least_variance(slope)
        self.p -= fits * gain * slope * self.p - fits * (1.0 - fits) * (gain * above_v) ** 2
        self.p = np.maximum(self.p, least)

    def _shift(self, left_v: Floats, slope: Floats, part: float) -> None:
        """Where the curve is flat no charge explains what is left, so the curve itself is taken to lie beside it."""
        self.flat = flat = max(1.0 - float(self.w @ slope) / s.FLAT, 0.0)
        learnt = s.SHIFT_SHARE * flat * float(self.w @ left_v)
        fading = (1.0 - flat) * (1.0 - exp(-s.LOOK_TAU_S / s.BLIND_OFFSET_TAU_S)) * self.offset_v
        self.offset_v = min(max(self.offset_v + part * (learnt - fading), -s.SHIFT_MOST_V), s.SHIFT_MOST_V)

    def _least_variance(self, slope: Floats) -> Floats:
        """Of charge, that a voltage may lead to: the curve's own error over its flattest slope nearby."""
        sigma = np.sqrt(self.p)
        flattest = np.minimum(self.curve.slope(self.z - sigma), self.curve.slope(self.z + sigma))
        flattest = np.maximum(np.minimum(flattest, slope), 1e-3)
        return np.minimum(self.p, (s.CURVE_SIGMA_V / flattest) ** 2)

    def _under(self, above_v: Floats, slope: Floats) -> NDArray[np.bool_]:
        """Whether it is lower than a coast can be: than the highest quiet level of late, or too soon to say."""
        drift_v = np.maximum(slope * self._drawn_since, 0.0)
        self._reference -= s.REFERENCE_OF_DRIFT * drift_v + s.REFERENCE_FALL * min(self._look_s, s.LONG_GAP_S)
        self._drawn_since[:] = 0.0
        if self.quiet.seconds > s.REFERENCE_AFTER_S:
            np.maximum(self._reference, above_v, out=self._reference)
        under = above_v < self._reference - s.REFERENCE_V
        if self.quiet.seconds < s.LOWER_AFTER_S:
            under |= above_v < -s.REFERENCE_V
        return under

    def _no_coast(self, above_v: Floats) -> Floats:
        """Likelihood per volt, (n,), of what is seen where the pack is under load or regenerates.

        It does not depend on the scale: how a rider rides must not tell the resistance.
        """
        one_c_v = AT_NO_CURRENT * self.factor * self.mean_fast_v
        load = (1.0 - s.COAST_SHARE) / s.LOAD_C * np.exp(-np.maximum(-above_v / one_c_v / s.LOAD_C - 1.0, 0.0))
        regenerates = s.REGEN_SHARE * exp(-self.quiet.seconds / s.REGEN_S)
        return np.asarray(np.where(above_v < 0.0, load, regenerates) / one_c_v + s.NO_COAST_LEAST)

    def _widen(self, slope: Floats) -> None:
        """Carry the variances on: counted charge errs, and what it has erred fades as the drop corrects it."""
        hours = self._unwidened_s / 3600.0
        self.p *= np.maximum(1.0 - slope / (self.scales.fast * self.factor) * hours, 0.0) ** 2
        erred = (s.BLIND_SIGMA_OF_C / 3600.0) ** 2 * s.BLIND_ERROR_TAU_S * self._squared
        self.p += erred + s.WALK_SOC**2 * self._unwidened_s
        self._unwidened_s = self._squared = 0.0

    def _weigh(self) -> None:
        self._weights -= self._weights.max()
        weights = np.exp(self._weights)
        self.w: Floats = weights / weights.sum()
        weighed = self.w * self.scales.fast
        self.mean_fast_v = float(weighed.sum())
        self._slow_weights = weighed * self.scales.slow

    def _tell(self, seen: Seen, median: float, before: float, seconds: float) -> None:
        """The weighed means, and what each group makes of them."""
        _, x2, x3 = (self.x @ self._slow_weights).tolist()
        second, third = self.factor * float(SLOW[1]) * x2, self.factor * OUTSIDE * float(SLOW[2]) * x3
        delta, z = self.factor * self._inside * x3, float(self.w @ self.z)
        slow_v = second + third
        fast_v = self.curve.at(z - delta)[0] + self.offset_v - slow_v - median
        left_v = second * LEFT[1] + third * LEFT[2]
        self.shared = shared = Shared(z, delta, delta * LEFT[2], slow_v, left_v, self.offset_v, self.offset_v, fast_v)
        if self._spread_s >= s.SPREAD_EVERY_S:
            self._spread()
        c = float(self.w @ self.c)
        self._change = max(abs(c - before), self._change * exp(-seconds / s.CURRENT_CHANGE_TAU_S))
        moment = Moment(seconds, c, 0.5 * (c + before), self._change, self.factor, False, self.warm, 0.0)
        crowd = max(1.0, s.NOMINAL_STEP_S / max(seconds, s.LEARN_EVERY_S))
        self.peers.learn([Lesson(seen, shared, moment, moment.mean_c * seconds / 3600.0, seconds, crowd)])

    def _spread(self) -> None:
        """How far the scales lie apart, and each one's own variance."""
        self._spread_s = 0.0
        self._widen(self.curve.slope(self.z))
        self.variance = float(self.w @ self.p)
        slow = self.factor * self.scales.fast * self.scales.slow
        slow_v = slow * (float(SLOW[1]) * LEFT[1] * self.x[1] + OUTSIDE * float(SLOW[2]) * LEFT[2] * self.x[2])
        rest_v = self.curve.volts(self.z - self.x[2] * slow * (self._inside * LEFT[2])) - slow_v
        self.spread_v = sqrt(float(self.w @ (rest_v - float(self.w @ rest_v)) ** 2))

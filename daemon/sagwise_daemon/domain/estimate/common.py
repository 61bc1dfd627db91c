"""The common filter: what all groups share, learnt from the median group voltage. Law: one filter, one pack.

    V = OCV(z − δ) − a (R0 c + Ra asinh(2c)/1.44) − Σ (1 − ik) ak Rk xk + w,   δ = Σ ik ak Rk xk / slope

c is the current in C, xk the current low-passed over the time constant of a slow element, a the resistance's
temperature factor and ak that of an element, ik the share of an element that acts inside the curve, `slope` the
curve's mean slope. The states are charge z, capacity ratio κ (charge falls by (1 + κ) c dt), the resistances and one
slow offset w that fades. The xk are computed, not estimated, so the model is linear in the resistances.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import asinh, exp, isfinite, log, nan, sqrt
from operator import gt, lt, mul
from typing import NamedTuple

import numpy as np

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.inputs import SAME_S, Moment
from sagwise_daemon.domain.estimate.slow_elements import ELEMENTS, LEFT, slow_elements
from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.pack.chemistry import OcvCurve

Z, RATIO, OHMIC, BENT, SLOW, W = 0, 1, 2, 3, slice(4, 4 + ELEMENTS), 4 + ELEMENTS
RESISTANCES = slice(OHMIC, W)
STATES = W + 1
MORE_POWER: Floats = np.array(s.SLOW_POWERS) - 1.0
SAME_FACTOR = 1e-4  # a temperature's factor closer than this is the same: 3 mK
TAU: Floats = np.array(s.TAU_S)
LOG_TAU: Floats = np.log(TAU)


class Shared(NamedTuple):
    """What the peers take over from the median group at one moment. Volts; c in C; charge 0 to 1.

    soc: equilibrium charge. delta, slow_v: polarisation inside and outside the curve now; delta_left, slow_left_v:
    what is left of them after 60 s. offset_v, offset_left_v: the slow offset w. fast_v: the median's measured
    fast drop, by what is left when all else is taken off.
    """

    soc: float
    delta: float
    delta_left: float
    slow_v: float
    slow_left_v: float
    offset_v: float
    offset_left_v: float
    fast_v: float


class Common:
    """The filter's state. `drop_v`: prior 1 s resistance at 25 degC, volts per C.

    scaled: the resistances' scale is measured. Until then the prior may be wrong several times over, so no voltage
    under load is believed, and charge is counted from where it began. rested: it began from a rested voltage. colder:
    (elements,) each one's temperature factor over the common one, at the last moment seen. unseen: variance of charge
    that the start leaves, however well the voltage fits: under load, slow polarisation that was there is taken for
    charge; from rest, what the curve itself leaves open. collapsed: the voltage lies where no resistance puts it.
    """

    def __init__(self, curve: OcvCurve, drop_v: float) -> None:
        self.curve = curve
        self.drop_v = drop_v
        self._slope = curve.mean_slope
        self._elements = slow_elements(self._slope)
        inside, outside = self._elements.inside, self._elements.outside
        # As lists: so few numbers cost less one by one than as arrays.
        self._inside, self._outside = inside.tolist(), outside.tolist()
        self._left_inside, self._left_outside = (LEFT * inside).tolist(), (LEFT * outside).tolist()
        self.rested, self.unseen, self._unread = True, 0.0, 0.0
        self._shape(drop_v)
        self.x: Floats = self._first.copy()
        self.p: Floats = np.diag(self._sigmas**2)
        self.currents = [0.0] * ELEMENTS
        self._step_s, self._parts, self._fade = nan, [0.0] * ELEMENTS, 1.0
        self._factor, self._factors = 1.0, [1.0] * ELEMENTS
        self.colder: Floats = np.ones(ELEMENTS)
        self.scaled = False
        self._offset_tau_s = s.OFFSET_TAU_S
        self.offset_left = exp(-s.REST_HORIZON_S / s.OFFSET_TAU_S)
        self._ridden, self._moments = np.zeros(STATES), 0
        self.collapsed, self._apart_v, self._fallen_s = False, 0.0, 0.0
        self._diagonal = np.einsum("ii->i", self.p)  # a view: `p` is never made anew
        self._carry, self._carried = np.eye(STATES), np.zeros((STATES, STATES))

    def _shape(self, drop_v: float) -> None:
        """First values, their sigmas, walks and clamps, all in proportion to the 1 s resistance."""
        self.drop_v = drop_v
        ohmic, bent = s.OHMIC_SHARE * drop_v, s.BENT_SHARE * drop_v
        slow = self._elements.first_v(drop_v, self._slope)
        self._first = np.array([0.5, 0.0, ohmic, bent, *slow, 0.0])
        sigmas = [
            s.SIGMA_SOC,
            s.SIGMA_RATIO,
            s.SIGMA_OHMIC * ohmic,
            s.SIGMA_BENT * bent,
            *(self._elements.sigmas * slow),
        ]
        self._sigmas = np.array([*sigmas, s.SIGMA_OFFSET_V])
        walks = [s.WALK_SOC, s.WALK_RATIO, s.WALK_OHMIC * ohmic, s.WALK_BENT * bent, *(np.array(s.WALK_SLOW) * slow)]
        self._walk = np.array([*walks, s.WALK_OFFSET_V if self.rested else s.LOADED_WALK_OFFSET_V]) ** 2
        factors = np.array([s.OHMIC_CLAMP] * 2 + [s.SLOW_CLAMP] * ELEMENTS)
        low, high = factors.T * self._first[RESISTANCES]
        self._low = [s.SOC_CLAMP[0], -s.RATIO_CLAMP, *low.tolist(), -s.OFFSET_CLAMP_V]
        self._high = [s.SOC_CLAMP[1], s.RATIO_CLAMP, *high.tolist(), s.OFFSET_CLAMP_V]

    def scale(self, measured_v: float, step_c: float) -> None:
        """Take the first values anew from a 1 s resistance measured at steps of `step_c`, volts per C at 25 degC."""
        self.scaled = True
        self._ridden, self._moments = np.zeros(STATES), 0
        if not measured_v > 0:
            return
        self.x[RESISTANCES] = self._first[RESISTANCES]
        self._shape(self.drop_v * measured_v / self.resistance(step_c))
        self.x[RESISTANCES] = self._first[RESISTANCES]
        self.p[RESISTANCES, :] = self.p[:, RESISTANCES] = 0.0
        self._diagonal[RESISTANCES] = self._sigmas[RESISTANCES] ** 2
        if not self.rested:
            self._diagonal[SLOW] *= s.LOADED_SIGMA_SHARE**2

    @property
    def ridden_v(self) -> Floats:
        """(ELEMENTS + 2,) mean of the resistances over what was ridden since their scale is known, volts per C.

        They follow charge and warmth, so where they stand at a ride's end says little of the next one's beginning.
        """
        return (self._ridden / self._moments if self._moments else self.x)[RESISTANCES].copy()

    def start_from(self, shares_v: Floats, ratio: float, ratio_sigma: float) -> None:
        """Begin from what earlier rides taught; NaN where they did not. shares_v: see `Learnt`."""
        if np.isfinite(shares_v).all():
            self._shape(float(shares_v[0] + shares_v[1]) / (s.OHMIC_SHARE + s.BENT_SHARE))
            self.x[RESISTANCES] = np.minimum(np.maximum(shares_v, self._low[RESISTANCES]), self._high[RESISTANCES])
            self._diagonal[RESISTANCES] = (s.LEARNT_SHARE_OF_SIGMA * self._sigmas[RESISTANCES]) ** 2
            self.scaled = True
        if isfinite(ratio) and ratio_sigma <= s.LEARNT_SIGMA_RATIO_USED:
            part = s.STATED_SIGMA_RATIO**2 / (s.STATED_SIGMA_RATIO**2 + ratio_sigma**2)
            self.x[RATIO] = min(max(part * ratio, -s.RATIO_CLAMP), s.RATIO_CLAMP)
            sigma = sqrt(part) * ratio_sigma
            self.p[RATIO, RATIO] = min(max(sigma, s.SIGMA_RATIO), s.LEARNT_SIGMA_RATIO_MOST) ** 2

    def forget(self) -> None:
        """What earlier rides taught was of another pack: charge is less sure, and all else waits for a new scale."""
        self.open(float(self.x[Z]), max(float(np.sqrt(self.p[Z, Z])), s.FORGOTTEN_SIGMA_SOC), 0.0, s.GAP_SIGMA_V, False)
        self.x[RATIO] = 0.0
        self.p[RATIO, :] = self.p[:, RATIO] = 0.0
        self.p[RATIO, RATIO] = s.SIGMA_RATIO**2
        self.scaled = False

    def open(self, soc: float, soc_sigma: float, offset_v: float, offset_sigma_v: float, rested: bool) -> None:
        """Set charge and offset anew, unlinked from the rest; resistances and capacity keep what they learnt."""
        self.rested, self.unseen = rested, 0.0
        self.collapsed, self._apart_v, self._fallen_s = False, 0.0, 0.0
        self._offset_tau_s, self._step_s = s.OFFSET_TAU_S if rested else s.LOADED_OFFSET_TAU_S, nan
        self.offset_left = exp(-s.REST_HORIZON_S / self._offset_tau_s)
        self._walk[W] = (s.WALK_OFFSET_V if rested else s.LOADED_WALK_OFFSET_V) ** 2
        self.x[Z], self.x[W] = soc, offset_v
        for state, sigma in ((Z, soc_sigma), (W, offset_sigma_v)):
            self.p[state, :] = self.p[:, state] = 0.0
            self.p[state, state] = sigma**2

    def begin(self, soc: float, soc_sigma: float, offset_v: float, offset_sigma_v: float, rested: bool) -> None:
        """As `open`, from the first voltages; of a settled cell's the filter takes a share of the doubt for itself."""
        self.open(soc, soc_sigma, offset_v, offset_sigma_v, rested)
        self._unread = 0.0
        if rested and offset_sigma_v <= s.SIGMA_OFFSET_V:
            least, share = s.SIGMA_SOC**2, s.START_READ_SHARE**2
            read = max(soc_sigma**2 - least, 0.0)
            self.p[Z, Z] = least + share * read
            self._unread = read * (1.0 - share) / (least + share * read)

    def flow(self, c: float, seconds: float) -> None:
        """Let the low-passed currents follow a current that held for `seconds`; inf settles them."""
        if not abs(seconds - self._step_s) < SAME_S:
            self._step_s, self._fade = seconds, exp(-seconds / self._offset_tau_s)
            self._parts = [1.0 - exp(-seconds / tau) for tau in s.TAU_S]
        self.currents = [x + (c - x) * part for x, part in zip(self.currents, self._parts, strict=True)]

    def carry(self, c: float, seconds: float) -> None:
        """Carry the state on by `seconds` at a mean current of `c`; its uncertainty waits for `widen`."""
        self.flow(c, seconds)
        x = self.x
        x[Z] -= (1.0 + float(x[RATIO])) * c * seconds / 3600.0
        x[W] *= self._fade

    def widen(self, drawn: float, seconds: float) -> None:
        """Carry the uncertainty on by `seconds` in which `drawn`, a share of the capacity, was drawn."""
        carry = self._carry
        carry[Z, RATIO], carry[W, W] = -drawn, exp(-seconds / self._offset_tau_s)
        np.dot(carry, self.p, out=self._carried)
        np.dot(self._carried, carry.T, out=self.p)
        self._diagonal += self._walk * seconds

    def update(self, volts: float, moment: Moment, crowd: float, waited_s: float) -> Shared:
        """Learn from the median voltage, once the resistances have their scale; crowd: multiplies noise's variance.

        waited_s: since the last one.
        """
        if not self.scaled:
            return self.shared(volts, moment.factor)
        c, factor = moment.c, moment.factor**s.FAST_POWER
        z, _, ohmic, bent, *slow_r, w = self.x.tolist()
        bent_c = asinh(s.ASINH_GAIN * c) / s.ASINH_UNIT
        driven = self._driven(moment.factor)
        slow = list(map(mul, driven, slow_r))
        delta = _dot(self._inside, slow) / self._slope
        ocv, slope = self.curve.at(z - delta)
        drop = factor * (ohmic * c + bent * bent_c) + _dot(self._outside, slow)
        steeper, shares = slope / self._slope, zip(driven, self._outside, self._inside, strict=True)
        of_slow = [-x * (outside + inside * steeper) for x, outside, inside in shares]
        h = np.array([slope, 0.0, -factor * c, -factor * bent_c, *of_slow, 1.0])
        doubt = s.NOISE_OF_CHANGE * factor * (ohmic + bent) * moment.change
        if not self.rested:
            crowd *= s.LOADED_NOISE
        noise = crowd * (s.NOISE_V**2 + (s.NOISE_OF_DROP * (drop + slope * delta)) ** 2 + doubt**2)
        ph = self.p.dot(h)
        variance = float(h.dot(ph)) + noise
        cap = s.INNOVATION_CAP * sqrt(variance)
        innovation = volts - (ocv - drop + w)
        if self._collapses(innovation, waited_s):
            return self._shared(volts, driven)
        innovation = min(max(innovation, -cap), cap)
        self._ridden += self.x
        self._moments += 1
        staying = self._staying(slope, moment.steady and abs(c) > s.REST_C)
        # Charge is among those that stay, if any does.
        floor = 0.0 if self.rested or staying.stop else self._charge_floor(slope)
        self._learn(ph, variance, innovation, staying)
        if floor:
            self.p[Z, Z] = max(float(self.p[Z, Z]), floor)
        return self._shared(volts, driven)

    def _collapses(self, apart_v: float, waited_s: float) -> bool:
        """Whether the voltage lies so far under what is expected that there is nothing to learn from it.

        A cold cell pulled too hard breaks down by half a volt and more, and recovers; taken for resistance, that had
        put rest 20 mV too high for the rest of the ride, after 0.2 V too low.
        """
        self._apart_v += (apart_v - self._apart_v) * (1.0 - exp(-waited_s / s.DOUBT_TAU_S))
        if self._apart_v > -s.DOUBT_CLEAR_V:
            self._fallen_s = 0.0
        elif self._fallen_s or self._apart_v < -s.DOUBT_RAISE_V:
            self._fallen_s += waited_s
        self.collapsed = 0.0 < self._fallen_s < s.COLLAPSE_MOST_S
        return self.collapsed

    def _staying(self, slope: float, steady: bool) -> slice:
        """States that learn nothing now.

        At a steady load charge and resistance cannot be told apart: the charge is counted, the resistances stay, and
        the slow offset takes what does not fit. Where the curve is flat, no voltage moves a charge that began from
        rest: what the resistances leave over would be several per cent of it.
        """
        if steady:
            return slice(0, W)
        return slice(Z, Z + 1) if slope < s.PLATEAU and self.rested else slice(0)

    def _learn(self, ph: Floats, variance: float, innovation: float, staying: slice) -> None:
        """Kalman's step, except for states that must stay: they keep their value and their uncertainty.

        Merely clipping a resistance at its limit would leave its share of the innovation to the others, which then
        run away; so a state about to leave its limits is left out.
        """
        reached = self.x + ph * (innovation / variance)
        values = reached.tolist()
        # Of the covariance all goes that the voltage explains, but for what states that stay have with each other.
        parts = ph / sqrt(variance)
        taken = np.dot(parts[:, None], parts[None])
        if staying.stop:
            reached[staying], taken[staying, staying] = self.x[staying], 0.0
        if any(map(lt, values, self._low)) or any(map(gt, values, self._high)):
            limits = zip(self._low, values, self._high, strict=True)
            outside = [state for state, (low, value, high) in enumerate(limits) if value < low or value > high]
            for state in outside:
                reached[state] = self.x[state]
                taken[state, staying] = taken[staying, state] = 0.0
                for other in outside:
                    taken[state, other] = 0.0
        self.x = reached
        self.p -= taken

    def _charge_floor(self, slope: float) -> float:
        """Least variance of charge that a voltage may lead to, met under load: the curve's own error over its flattest
        slope nearby.

        Without it a filter standing on a plateau takes a thousand readings of one wrong curve for a thousand proofs.
        """
        variance = float(self.p[Z, Z])
        sigma, z = sqrt(variance), float(self.x[Z])
        flattest = min(slope, self.curve.at(z - sigma)[1], self.curve.at(z + sigma)[1])
        return min(variance, (s.LOADED_CHARGE_FLOOR_V / max(flattest, 1e-3)) ** 2)

    def shared(self, volts: float, factor: float) -> Shared:
        """The state as the peers need it, given the median voltage just measured."""
        return self._shared(volts, self._driven(factor))

    def _shared(self, volts: float, driven: list[float]) -> Shared:
        z, _, _, _, *slow_r, w = self.x.tolist()
        slow = list(map(mul, driven, slow_r))
        delta, delta_left = _dot(self._inside, slow) / self._slope, _dot(self._left_inside, slow) / self._slope
        # Without the fastest, which is gone within the sag that the peers take for the fast drop.
        slow_v, left_v = _dot(self._outside[1:], slow[1:]), _dot(self._left_outside, slow)
        ocv, slope = self.curve.at(z - delta)
        if not self.rested:
            self.unseen = (s.LOADED_CHARGE_OF_SLOW * (delta + slow_v / max(slope, s.PLATEAU))) ** 2
        elif self._unread:
            self.unseen = self._unread * float(self.p[Z, Z])
        fast = ocv - slow_v + w - volts
        return Shared(z, delta, delta_left, slow_v, left_v, w, w * self.offset_left, fast)

    def _driven(self, factor: float) -> list[float]:
        """(elements,) low-passed currents times the temperature factors: drop over resistance at 25 degC."""
        if abs(factor - self._factor) > SAME_FACTOR * factor:
            self._factor, self.colder = factor, factor**MORE_POWER
            self._factors = (factor * self.colder).tolist()
        return list(map(mul, self._factors, self.currents))

    def low_passed(self, tau_s: float) -> float:
        """The current low-passed over a time between those of the elements, in C."""
        return float(np.interp(log(tau_s), LOG_TAU, self.currents))

    def resistance(self, step_c: float) -> float:
        """1 s resistance of a step of `step_c` at 25 degC, volts per C, as the states have it."""
        ohmic, bent, *slow_r = self.x[RESISTANCES].tolist()
        slow = sum(r * (1.0 - exp(-1.0 / tau)) for r, tau in zip(slow_r, s.TAU_S, strict=True))
        return float(ohmic + bent * asinh(s.ASINH_GAIN * step_c) / (s.ASINH_UNIT * step_c) + slow)


def _dot(left: Sequence[float], right: Sequence[float]) -> float:
    return float(sum(map(mul, left, right)))

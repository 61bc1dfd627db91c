"""Energy the pack can still give above the reserve. Law: the weakest group rules; what is unknown is not guessed.

The reserve is `rest_low`'s limit: the pack is done when the first group's rest voltage falls to it. From each group's
charge, capacity and slow polarisation at the ride's own mean current follows the charge it can give until then; the
smallest of these is the pack's. The energy is that charge at the groups' equilibrium voltages on the way down, less
what the ride loses under load: the recent drop below equilibrium, weighted with the current, so that a ride of hard
pulls is charged for them. All groups at once; nothing here looks at one after the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, isnan, nan

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.behind import Behind, mean_slope
from sagwise_daemon.domain.estimate.common import LEFT, RATIO, SLOW, Z
from sagwise_daemon.domain.estimate.estimator import EstimatorState
from sagwise_daemon.domain.model import Energy, Estimate, Floats, Pack, Reading
from sagwise_daemon.domain.pack.chemistry import OcvCurve

EVERY_S = 2.0  # the figure moves by a thousandth in this time

# The style of riding: how hard, over about the last ten minutes; a stop is no style. Before there is a ride it is a
# minute at 1C. Common practice for a trail ride, no published source.
STYLE_TAU_S = 600.0
STILL_S = 10.0
FIRST_C, FIRST_S = 1.0, 60.0
FIRST_DROP = 1.6  # total drop over the 1 s resistance after a while of riding
LEAST_MEAN_C = 0.05

# Of the lag of rest behind equilibrium that the filter learns on the way down, what is met at the reserve: for some
# published cells all of it, for others a third (tuned on fifteen simulated rides, see tests/daemon/energy).
LAG_SHARE = 0.7

# How far `turn_back` leans to the cautious side: its margin covers an energy known to this share of itself; of what is
# less sure, twice the rest is taken off. Set on 42 simulated out-and-back rides that turn near the point of no return:
# without it 4 of 22 that could not come home were warned too late, all on weak groups within minutes of the start;
# with it none, and 3 more of 13 that could were warned.
SURE_SHARE, UNSURE_SIGMAS = 0.12, 2.0

STYLE_SIGMA = 0.25  # of the loss under load: the rider may ride otherwise


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """What the estimator knows of each group, (groups,).

    soc: state of charge. capacity_ah: with what was learnt. soc_sigma: standard uncertainty; ratio_sigma: of the
    capacity, as a share of it. lag: charge by which rest lies below equilibrium at the mean current, slow_v: the
    same in volts on top of it. known: groups that may be judged.
    """

    soc: Floats
    capacity_ah: Floats
    soc_sigma: Floats
    ratio_sigma: Floats
    lag: Floats
    slow_v: Floats
    known: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Left:
    """Wh above the reserve: left_wh and its sigma NaN unless every group is known; at_most_wh by those that are."""

    left_wh: float
    left_sigma_wh: float
    at_most_wh: float


UNKNOWN = Left(nan, nan, nan)


class Reserve:
    """The curve, what lies under it, and the voltage to stop at."""

    def __init__(self, curve: OcvCurve, limit_v: float) -> None:
        self.curve = curve
        self.limit_v = limit_v
        soc, volts = curve.table_soc, curve.table_v
        parts = (volts[1:] + volts[:-1]) / 2 * np.diff(soc)
        self._under = np.concatenate([[0.0], np.cumsum(parts)])

    def soc_end(self, outlook: Outlook) -> Floats:
        """State of charge of each group when its rest voltage is at the limit; (groups,)."""
        return self.curve.soc(self.limit_v + outlook.slow_v) + outlook.lag

    def mean_v(self, high: Floats, low: Floats) -> Floats:
        """Mean equilibrium voltage between two states of charge, high above low."""
        soc = self.curve.table_soc
        under = np.interp(high, soc, self._under) - np.interp(low, soc, self._under)
        apart = high - low
        near = apart < 1e-6
        return np.where(near, self.curve.volts(low), under / np.where(near, 1.0, apart))


def energy_left(reserve: Reserve, outlook: Outlook, loss_v: float) -> Left:
    """loss_v: mean drop of a group below equilibrium, weighted with the current."""
    known, count = outlook.known, len(outlook.known)
    if not known.any():
        return UNKNOWN
    end = reserve.soc_end(outlook)
    above = np.where(known, outlook.soc - end, np.inf)
    weakest = int(np.argmin(above * outlook.capacity_ah))
    capacity = float(outlook.capacity_ah[weakest])
    charge_ah = max(float(above[weakest]), 0.0) * capacity
    group_v = reserve.mean_v(outlook.soc, outlook.soc - charge_ah / outlook.capacity_ah)
    pack_v = count * (float(group_v[known].mean()) - loss_v)
    left_wh = max(pack_v, 0.0) * charge_ah
    if not known.all():
        return Left(nan, nan, left_wh)
    charge_sigma_ah = capacity * _charge_sigma(reserve, outlook, end, weakest)
    style_wh = STYLE_SIGMA * count * loss_v * charge_ah
    return Left(left_wh, float(np.hypot(pack_v * charge_sigma_ah, style_wh)), left_wh)


def _charge_sigma(reserve: Reserve, outlook: Outlook, end: Floats, weakest: int) -> float:
    """Standard uncertainty of the weakest group's charge above its reserve, as a share of its capacity."""
    ocv, slope = reserve.curve.at(float(end[weakest]))
    read_v = np.hypot(s.CURVE_SIGMA_V, s.SIGMA_OF_GAP * (ocv - reserve.limit_v))
    above = max(float(outlook.soc[weakest] - end[weakest]), 0.0)
    parts = (
        outlook.soc_sigma[weakest],
        read_v / max(slope, 1e-3),
        above * outlook.ratio_sigma[weakest],
    )
    return float(np.sqrt(np.sum(np.square(parts))))


class Style:
    """How the ride has gone of late: mean current in C, and the loss that goes with it."""

    def __init__(self, drop_v: float) -> None:
        self._seconds = FIRST_S
        self._charge = FIRST_C * FIRST_S
        self._loss = FIRST_DROP * drop_v * FIRST_C * self._charge
        self._still_s = 0.0

    def add(self, seconds: float, c: float, below_v: float) -> None:
        """`seconds` at current `c`, the groups on average `below_v` below equilibrium."""
        self._still_s = 0.0 if abs(c) > s.REST_C else self._still_s + seconds
        if self._still_s > STILL_S:
            return
        fade = exp(-seconds / STYLE_TAU_S)
        self._seconds = self._seconds * fade + seconds
        self._charge = self._charge * fade + c * seconds
        self._loss = self._loss * fade + below_v * c * seconds

    @property
    def mean_c(self) -> float:
        return max(self._charge / self._seconds, LEAST_MEAN_C)

    @property
    def loss_v(self) -> float:
        """Mean drop weighted with the current; downhill the net charge may be next to nothing, so held to some C."""
        return max(self._loss, 0.0) / max(self._charge, LEAST_MEAN_C * self._seconds)


def outlook_of(state: EstimatorState, behind: Behind, estimate: Estimate, mean_c: float, factor: float) -> Outlook:
    """What the estimator knows now; factor: temperature's factor on resistance."""
    common, share = state.common, 1.0 + behind.ratio
    r2, r3 = common.x[SLOW][1:].tolist()
    polarised = LAG_SHARE * factor * mean_c
    lag = polarised * s.INSIDE_SHARE * r3 / mean_slope(state)
    outside = polarised * (r2 * LEFT[1] + (1.0 - s.INSIDE_SHARE) * r3 * LEFT[2])
    return Outlook(
        soc=common.x[Z] + behind.behind,
        capacity_ah=behind.capacity_ah(state),
        soc_sigma=np.sqrt(common.p[Z, Z] + behind.behind_sigma**2),
        ratio_sigma=np.hypot(np.sqrt(common.p[RATIO, RATIO]), behind.ratio_sigma) / share,
        lag=share * (lag * LEFT[2]),
        slow_v=share * outside,
        known=np.isfinite(estimate.rest_v) & np.isfinite(estimate.soc),
    )


def _factor(estimate: Estimate, before: float) -> float:
    """The temperature's factor on resistance; as before where it is not known now."""
    factors = estimate.resistance_mohm / estimate.resistance_25c_mohm
    known = factors[np.isfinite(factors)]
    return float(known[0]) if len(known) else before


class EnergyLeft:
    """Follows the ride reading by reading; `left` is the present figure, worked out anew every two seconds."""

    def __init__(self, state: EstimatorState) -> None:
        limit_v = state.pack.rules["rest_low"].limit
        self._reserve = Reserve(state.curve, nan if limit_v is None else limit_v)
        self._style = Style(state.drop_v)
        self.behind = Behind(state.pack.series)
        self._capacity_ah = state.pack.capacity_ah
        self._last_s = self._due_s = -np.inf
        self._factor = 1.0
        self.left = UNKNOWN

    def retune(self, pack: Pack) -> None:
        """Another `rest_low` limit is another reserve."""
        limit_v = pack.rules["rest_low"].limit
        self._reserve = Reserve(OcvCurve(pack.cell.ocv_soc, pack.cell.ocv_v), nan if limit_v is None else limit_v)

    def add(self, reading: Reading, estimate: Estimate, state: EstimatorState) -> Left:
        """Take the reading that `estimate` was just made of by `state`."""
        seconds, self._last_s = reading.time_s - self._last_s, reading.time_s
        if state.start is not None:
            self.behind.forget()
            self.left = UNKNOWN
            return self.left
        self._follow(reading, estimate, state, seconds)
        if reading.time_s >= self._due_s:
            self._due_s = reading.time_s + EVERY_S
            self._factor = _factor(estimate, self._factor)
            self.behind.work_out(state)
            outlook = outlook_of(state, self.behind, estimate, self._style.mean_c, self._factor)
            self.left = energy_left(self._reserve, outlook, self._style.loss_v)
        return self.left

    def _follow(self, reading: Reading, estimate: Estimate, state: EstimatorState, seconds: float) -> None:
        below_v = float((estimate.ocv_v - reading.group_v).sum()) / len(reading.group_v)
        if isnan(below_v):
            self._due_s = reading.time_s  # a group is unknown: no moment may pass on the figure of before
        if isnan(reading.current_a) or seconds > s.SHORT_GAP_S:
            return
        c = reading.current_a / self._capacity_ah
        self.behind.add(reading.time_s, seconds, c, reading.group_v, state, self._factor)
        if not isnan(below_v):
            self._style.add(seconds, c, below_v)


def with_home(left: Left, home_wh: float, heading_home: bool) -> Energy:
    """The figure as it is said, beside the energy to get home. Whoever heads home has no turn to be cautious about."""
    unsure_wh = left.left_sigma_wh - SURE_SHARE * left.left_wh
    caution_wh = 0.0 if heading_home or not unsure_wh > 0.0 else UNSURE_SIGMAS * unsure_wh
    counted_wh = left.at_most_wh if caution_wh == 0.0 else max(left.at_most_wh - caution_wh, 0.0)
    return Energy(left.left_wh, left.left_sigma_wh, counted_wh, home_wh)

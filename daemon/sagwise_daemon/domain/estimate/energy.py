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
from sagwise_daemon.domain.estimate.common import LEFT, RATIO, SLOW, Z
from sagwise_daemon.domain.estimate.estimator import EstimatorState
from sagwise_daemon.domain.estimate.peers import RATIO as PEER_RATIO
from sagwise_daemon.domain.estimate.peers import SOC as PEER_SOC
from sagwise_daemon.domain.model import Energy, Estimate, Floats, Reading
from sagwise_daemon.domain.pack.chemistry import OcvCurve

EVERY_S = 1.0  # the figure moves by a thousandth in this time

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
SLOPE_BETWEEN = (0.2, 0.9)  # charges whose mean slope the common filter takes for its lag

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


class Counted:
    """Charge of each group as counted since the estimator began.

    All groups carry the same charge, so one that is short by the ratio κ falls behind the middle one by κ times what
    that has given since. The voltages tell so only slowly where the curve is flat; κ as known today tells at once.
    """

    def __init__(self) -> None:
        self._began: tuple[float, Floats] | None = None

    def soc(self, state: EstimatorState) -> Floats:
        """State of charge, (groups,)."""
        middle, behind = float(state.common.x[Z]), state.peers.x
        if self._began is None:
            self._began = (middle, behind[PEER_SOC].copy())
        drawn = self._began[0] - middle
        return np.asarray(middle + self._began[1] - drawn * behind[PEER_RATIO])

    def forget(self) -> None:
        """The estimator begins anew."""
        self._began = None


def outlook_of(state: EstimatorState, estimate: Estimate, counted_soc: Floats, mean_c: float) -> Outlook:
    """What the estimator's filters say now; of two charges the lower."""
    common, peers = state.common, state.peers
    share = 1.0 + peers.x[PEER_RATIO]
    total = share * (1.0 + float(common.x[RATIO]))
    r2, r3 = common.x[SLOW][1:].tolist()
    factor = _factor(estimate)
    low, high = state.curve.volts(np.array(SLOPE_BETWEEN))
    slope = float(high - low) / (SLOPE_BETWEEN[1] - SLOPE_BETWEEN[0])
    inside = LAG_SHARE * s.INSIDE_SHARE * factor * r3 * mean_c / slope
    outside = LAG_SHARE * factor * mean_c * (r2 * LEFT[1] + (1.0 - s.INSIDE_SHARE) * r3 * LEFT[2])
    return Outlook(
        soc=np.minimum(common.x[Z] + peers.x[PEER_SOC], counted_soc),
        capacity_ah=state.pack.capacity_ah / total,
        soc_sigma=np.sqrt(common.p[Z, Z] + peers.p[PEER_SOC, PEER_SOC]),
        ratio_sigma=np.sqrt(common.p[RATIO, RATIO] + peers.p[PEER_RATIO, PEER_RATIO]) / total,
        lag=share * (inside * LEFT[2]),
        slow_v=share * outside,
        known=np.isfinite(estimate.rest_v) & np.isfinite(estimate.soc),
    )


def _factor(estimate: Estimate) -> float:
    """The temperature's factor on resistance, 1 where no temperature is known."""
    factors = estimate.resistance_mohm / estimate.resistance_25c_mohm
    known = factors[np.isfinite(factors)]
    return float(known[0]) if len(known) else 1.0


class EnergyLeft:
    """Follows the ride reading by reading; `left` is the present figure, worked out anew every second."""

    def __init__(self, state: EstimatorState) -> None:
        limit_v = state.pack.rules["rest_low"].limit
        self._reserve = Reserve(state.curve, nan if limit_v is None else limit_v)
        self._style = Style(state.drop_v)
        self._counted = Counted()
        self._capacity_ah = state.pack.capacity_ah
        self._last_s = self._due_s = -np.inf
        self.left = UNKNOWN

    def add(self, reading: Reading, estimate: Estimate, state: EstimatorState) -> Left:
        """Take the reading that `estimate` was just made of by `state`."""
        now, below_v = reading.time_s, float((estimate.ocv_v - reading.group_v).sum()) / len(reading.group_v)
        seconds, self._last_s = now - self._last_s, now
        if isnan(below_v):
            self._due_s = now  # a group is unknown or not read: no second may pass on the figure of before
        elif not isnan(reading.current_a) and seconds <= s.SHORT_GAP_S:
            self._style.add(seconds, reading.current_a / self._capacity_ah, below_v)
        if state.start is not None:
            self._counted.forget()
            self.left = UNKNOWN
        elif now >= self._due_s:
            self._due_s = now + EVERY_S
            outlook = outlook_of(state, estimate, self._counted.soc(state), self._style.mean_c)
            self.left = energy_left(self._reserve, outlook, self._style.loss_v)
        return self.left


def with_home(left: Left, home_wh: float) -> Energy:
    """The figure as it is said, beside the energy to get home."""
    return Energy(left.left_wh, left.left_sigma_wh, left.at_most_wh, home_wh)

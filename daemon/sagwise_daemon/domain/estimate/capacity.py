"""Capacity from charge counted against charge read. Law: only between two readings of charge far apart, each as sure as
the curve is steep there.

At rest the voltage less what is left of the polarisation gives the charge from the curve: well where the curve is
steep, not at all on the plateau of LFP. Between two rests the current sensor counted a charge; the ratio of both is the
capacity over the stated one, the sensor's gain included, which is what the next count needs. Between groups the curve,
the sensor and most of the polarisation cancel, so that coasting is enough. Points of one ride share what is wrong with
them, so the surest pair speaks and nothing is averaged. The running filters do not take it up: it starts the next ride.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import hypot, inf, isnan, nan, sqrt

import numpy as np

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.common import Common
from sagwise_daemon.domain.estimate.inputs import Moment, Seen
from sagwise_daemon.domain.estimate.peers import RATIO as PEER_RATIO
from sagwise_daemon.domain.estimate.peers import Peers
from sagwise_daemon.domain.estimate.start import Beginning
from sagwise_daemon.domain.model import Cell, Floats
from sagwise_daemon.domain.pack.chemistry import MEASURED, OcvCurve

COAST_AFTER_S = 3.0  # by then little of the 2 s element is left
EVERY_S = 1.0
RELAXED_S = 120.0  # before that, how much the middle group has still to recover is known to half of it at best
LEAST_APART = 0.30  # of the stated capacity: what is wrong with two points counts three times at that
BUILT_IN_CURVE_V = 0.015  # another cell of the family lies 10 to 30 mV beside the built-in curve
# What is left of the slow polarisation, over the 1 s resistance on the currents of the last 20 and 150 s: so it was, in
# the middle, on ten simulated rides of seven published cells, give or take two thirds. Not the common filter's own,
# which takes a capacity told too high for polarisation, and would find it right.
LEFT_OF_20_S, LEFT_OF_150_S, LEFT_SIGMA = 0.55, 0.50, 0.65
LEFT_INSIDE = 0.5  # of it acts inside the curve
# At rest the recovery itself shows what is left: diffusion that fades as one over the root of time has 2 t dV/dt still
# to go, the same rides had about half of that, from a fifth to all. Seen as the rise between two means 10 s apart.
RISE_S, RISE_GAIN_PER_S, RISE_SIGMA, RISE_NOISE_V = 10, 0.012, 1.2, 0.0005
LEAST_SOC = 0.008  # the charge that belongs to a voltage moves with age and temperature
BETWEEN_V, BETWEEN_OF_LEFT, BETWEEN_SOC = 0.003, 0.3, 0.008  # the same for the difference of two groups
AROUND_SOC = 0.015  # the flattest slope this close counts: a point must not owe its sureness to a knee
LEAST_SLOPE = 1e-3
OF_RATIO_SIGMA = 0.12  # of a group's shortfall: its polarisation is not just that of the others, scaled (tuned)
ANCHOR_SIGMA = 0.03  # a beginning less sure than this waits for a better point


@dataclass(frozen=True, slots=True, eq=False)
class Point:
    """Charge read at one moment. counted: charge counted until then, in stated capacities. soc: of the middle group;
    apart: (groups,) each group's less that, NaN where it was not read.
    """

    counted: float
    soc: float
    sigma: float
    apart: Floats
    apart_sigma: Floats


class Capacity:
    """ratio, group_ratio (groups,): as in `Learnt`, NaN until known; with their uncertainties, inf until then."""

    def __init__(self, curve: OcvCurve, groups: int, cell: Cell) -> None:
        self._curve = curve
        self._groups = groups
        self._curve_v = s.CURVE_SIGMA_V if cell.chemistry == MEASURED else BUILT_IN_CURVE_V
        self._counted = 0.0
        self._unseen = 0.0
        self._calm_s = self._since_s = 0.0
        self._calm_v: deque[float] = deque(maxlen=2 * RISE_S)
        self._anchor: Point | None = None
        self.ratio, self.ratio_sigma = nan, inf
        self.group_ratio: Floats = np.full(groups, nan)
        self.group_ratio_sigma: Floats = np.full(groups, inf)

    def begin(self, beginning: Beginning) -> None:
        """The filters begin: a rested voltage is the first point, anything else none. What was found stays."""
        self._counted = self._unseen = self._calm_s = 0.0
        soc = float(np.median(beginning.soc))
        slope = self._slope(np.array([soc]))[0]
        sigma = hypot(self._curve_v / slope, beginning.offset_sigma_v / slope, LEAST_SOC)
        sure = beginning.rested and sigma < ANCHOR_SIGMA
        self._anchor = Point(0.0, soc, sigma, beginning.soc - soc, beginning.peer_sigma) if sure else None

    def again(self) -> None:
        """What was found has been taken over; the next figure rests on later points alone."""
        self._anchor = None
        self._counted = self._unseen = 0.0
        self.ratio, self.ratio_sigma = nan, inf
        self.group_ratio = np.full(self._groups, nan)
        self.group_ratio_sigma = np.full(self._groups, inf)

    def gap(self, seconds: float) -> None:
        """Charge flowed unseen for so long."""
        self._unseen = hypot(self._unseen, s.GAP_CURRENT_C * seconds / 3600.0)

    def due(self, moment: Moment, resistance_v: float) -> bool:
        """Count one reading that the filters have taken. Whether it is to be a `point`. resistance_v: of 1 s at
        25 degC in volts per C, NaN until known.
        """
        self._counted += moment.mean_c * moment.seconds / 3600.0
        self._since_s += moment.seconds
        if abs(moment.c) > s.REST_C:
            if self._calm_s:
                self._calm_s = 0.0
                self._calm_v.clear()
            return False
        self._calm_s += moment.seconds
        return self._calm_s >= COAST_AFTER_S and self._since_s >= EVERY_S and not isnan(resistance_v)

    def point(self, seen: Seen, moment: Moment, common: Common, peers: Peers, resistance_v: float) -> None:
        """Take a reading that is `due`, with the filters after it."""
        self._since_s = 0.0
        if 2 * seen.known >= len(seen.volts):
            model_c = LEFT_OF_20_S * common.low_passed(20.0) + LEFT_OF_150_S * common.low_passed(150.0)
            model_v = moment.factor * resistance_v * model_c
            left_v, left_sigma_v = self._left(model_v, float(np.median(seen.volts[seen.valid])))
            self._take(self._point(seen, left_v, left_sigma_v, peers.x[PEER_RATIO]))

    def _left(self, model_v: float, median_v: float) -> tuple[float, float]:
        """Slow polarisation of the middle group and its standard uncertainty, as the currents and the recovery have it.

        median_v: what it reads now.
        """
        self._calm_v.append(median_v)
        sigma_v = max(LEFT_SIGMA * abs(model_v), RISE_NOISE_V)
        if len(self._calm_v) < 2 * RISE_S or self._calm_s < 2 * RISE_S:
            return model_v, sigma_v
        volts = np.array(self._calm_v)
        gain = RISE_GAIN_PER_S * self._calm_s * RISE_S
        seen_v = gain * float(volts[-RISE_S:].mean() - volts[:RISE_S].mean())
        seen_sigma_v = hypot(RISE_SIGMA * seen_v, gain * RISE_NOISE_V)
        part = seen_sigma_v**2 / (seen_sigma_v**2 + sigma_v**2)
        return part * model_v + (1.0 - part) * seen_v, sqrt(part) * sigma_v

    def _point(self, seen: Seen, left_v: float, left_sigma_v: float, ratio: Floats) -> Point:
        """left_v: of the middle group's slow polarisation."""
        share, valid = 1.0 + ratio, seen.valid
        lag, slow_v = LEFT_INSIDE * left_v / self._curve.mean_slope, (1.0 - LEFT_INSIDE) * left_v
        middle = float(self._curve.soc(np.array(np.median(seen.volts[valid]) + slow_v))) + lag
        soc = np.where(valid, self._curve.soc(np.where(valid, seen.volts, 0.0) + share * slow_v) + share * lag, nan)
        slope = self._slope(np.array([middle - lag]))[0]
        steeper = 1.0 - LEFT_INSIDE + LEFT_INSIDE * slope / self._curve.mean_slope
        sigma = hypot(self._curve_v, steeper * left_sigma_v) / slope
        slopes = self._slope(np.where(valid, soc, middle) - lag)
        unlike = steeper * (np.abs(ratio) * left_sigma_v + BETWEEN_OF_LEFT * (abs(left_v) + left_sigma_v))
        between = np.hypot(BETWEEN_V, unlike)
        return Point(
            self._counted, middle, hypot(sigma, LEAST_SOC), soc - middle, np.hypot(between / slopes, BETWEEN_SOC)
        )

    def _slope(self, soc: Floats) -> Floats:
        curve = self._curve
        nearby = np.minimum(curve.slope(soc - AROUND_SOC), curve.slope(soc + AROUND_SOC))
        return np.maximum(np.minimum(nearby, curve.slope(soc)), LEAST_SLOPE)

    def _take(self, point: Point) -> None:
        first = self._anchor
        if first is None:
            if point.sigma < ANCHOR_SIGMA and self._calm_s >= RELAXED_S:
                self._anchor, self._unseen = point, 0.0
            return
        counted, fallen = point.counted - first.counted, first.soc - point.soc
        if abs(counted) < LEAST_APART or fallen * counted <= 0.0:
            return
        sigma = sqrt(first.sigma**2 + point.sigma**2 + self._unseen**2) / abs(counted)
        if self._calm_s >= RELAXED_S and sigma < self.ratio_sigma:
            self.ratio, self.ratio_sigma = fallen / counted - 1.0, sigma
        ratio = (first.apart - point.apart) / fallen
        sigmas = np.hypot(first.apart_sigma, point.apart_sigma) / abs(fallen)
        sigmas = np.hypot(sigmas, OF_RATIO_SIGMA * np.nan_to_num(ratio))
        surer = np.isfinite(ratio) & (sigmas < self.group_ratio_sigma)
        self.group_ratio = np.where(surer, ratio, self.group_ratio)
        self.group_ratio_sigma = np.where(surer, sigmas, self.group_ratio_sigma)

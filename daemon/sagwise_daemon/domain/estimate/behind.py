"""How far each group lies behind the middle one, read while coasting. Law: no resistance has a say in it.

All groups carry the same charge, so a group short by the ratio κ = Q/Qg − 1 falls behind the middle one by κ times the
charge that has given since the beginning. With the throttle closed for some seconds the fast drop is gone, and what
is left of the slow ones is small and alike; the difference of charge then stands in the voltages, and resistance cannot
be taken for it. So each coast is one point of a straight line, difference over charge given, whose start is known from
the rest at the beginning and whose slope is κ. It is taken anew for as long as the coast lasts, the later the surer.
What is wrong with a point is wrong with the next ones too (`evidence`).
Between coasts the charge is counted along the line.

On eleven simulated rides with a weak group of published cells, from half charge down, this was off by at most 6 % of
charge (root mean square 2), where the peer filter was off by up to 11 %, and counting with its κ by up to 22 %: all
that before a coast was weighed by how far it has recovered.
"""

from __future__ import annotations

from math import exp, isnan
from typing import NamedTuple

import numpy as np

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.evidence import Evidence, Known, Line
from sagwise_daemon.domain.estimate.slow_elements import slow_elements
from sagwise_daemon.domain.estimate.told import Filters
from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.pack.chemistry import OcvCurve

COAST_C = 0.10  # an idling controller and a small sensor's offset
COAST_AFTER_S = 3.0  # by then little of the 2 s element is left
EVERY_S = 1.0
# A point's error. What slow polarisation that is not quite alike does to it goes with where on the curve both groups
# stand, and stays the same over some hundredths of charge drawn (`LENGTH`): points closer together are no new proofs.
# So much of it is in volts, so much in charge; the rest, sensors' noise among it, is new at every coast. All tuned, on
# 73 weak groups' first rides; half or twice as much of each is within two points of that.
READ_V, READ_SOC, LENGTH = 0.010, 0.008, 0.04
NEW_V, NEW_SOC = 0.010, 0.008
# Groups at one charge recover alike; of those this far apart it is unsure by this share of the slow polarisation that
# is still there. And a group that has yet to recover reads lower than it is, the further where the curve is flat: the
# flattest part so far ahead, in charge, counts (all tuned; one cell's plateau made its weak groups 14 % too low).
UNLIKE_SOC, SLOW_SIGMA = 0.05, 0.5
AHEAD = np.array([[0.0], [0.05], [0.10], [0.15]])
MIDDLE_SHARE = 1.0  # of READ_V, what a flat curve at the middle group makes unsure: its error is all groups' (tuned)
LEFT_SHARE = 0.5  # of the common filter's slow polarisation, what the groups' difference shows (tuned)
LINE_SOC = 0.02  # no number of coasts makes the line surer than this: what is wrong is wrong in all of them
RATIO_SIGMA = 0.15  # of the peer filter's κ, to begin with (tuned)
# Of what an earlier ride said of κ, beside its own sigma. 0.01 to 0.05 serve second rides alike (25 simulated ones);
# the widest lets go of it soonest where a group has lost more since.
TAUGHT_SIGMA = 0.05
# And where this ride alone finds more than that, by more than so many of its own sigmas, the rest widens the sigma: a
# group that lost a quarter since is found by 0.22 of 0.33 after eight minutes, by 0.05 without. It costs those second
# rides 2 % of their moments. Less than was taught is no reason to doubt: early in a ride no shortfall is seen.
LOST_SIGMAS = 1.0
TEACHES_BELOW = 0.13  # less sure, κ is hardly more than the peer filter's guess
SOC_SIGMA = 0.03  # of the peer filter's charge difference under load (tuned)
FADE_S = 1800.0  # a cell may drop out during the ride
LEAST_SLOPE = 0.05  # on a plateau a voltage tells nothing


class Found(NamedTuple):
    """ratio: κ, its standard uncertainty ratio_sigma. behind: charge difference from the middle now, with behind_sigma;
    (groups,) each.
    """

    ratio: Floats
    ratio_sigma: Floats
    behind: Floats
    behind_sigma: Floats


class Behind:
    """The line of every group. found: with what earlier rides taught; alone: by this ride alone, the same where they
    did not.
    """

    def __init__(self, curve: OcvCurve, groups: int) -> None:
        self._curve = curve
        self._slope = curve.mean_slope
        self._elements = slow_elements(self._slope)
        self._before = Evidence(groups, LENGTH)  # of the coasts before the present one
        self._evidence = self._before
        self._first = np.zeros(groups)
        self._first_sigma = np.zeros(groups)
        self._began_soc = np.nan
        self._coast_s = 0.0
        self._taken_s = self._before_s = -np.inf
        self.found = self.alone = Found(*np.zeros((4, groups)))
        self._taught: tuple[Floats, Floats] = (np.full(groups, np.nan), np.full(groups, np.inf))

    def start_from(self, ratio: Floats, ratio_sigma: Floats) -> None:
        """κ and its standard uncertainty as found before, (groups,), NaN and inf where it was not."""
        self._taught = ratio, ratio_sigma

    @property
    def taught(self) -> tuple[Floats, Floats]:
        """For `start_from`: what has come of this ride and of those before."""
        if isnan(self._began_soc):
            return self._taught
        ratio, sigma = self.found.ratio, self.found.ratio_sigma
        known = sigma < TEACHES_BELOW
        return np.where(known, ratio, np.nan), np.where(known, sigma, np.inf)

    def forget(self) -> None:
        """The estimator begins anew; what a group is short of stays."""
        self.start_from(*self.taught)
        self._began_soc = np.nan
        self._coast_s = 0.0

    def due(self, time_s: float, seconds: float, c: float) -> bool:
        """Count one reading; c: current in C. Whether it is to be a `point`."""
        if abs(c) < COAST_C:
            self._coast_s += seconds
        else:
            self._coast_s = 0.0
            self._before, self._before_s = self._evidence, self._taken_s
        return self._coast_s >= COAST_AFTER_S and not isnan(self._began_soc) and time_s >= self._taken_s + EVERY_S

    def point(self, time_s: float, volts: Floats, filters: Filters, factor: float) -> None:
        """Take a reading that is `due`, (groups,), with the filters after it; factor: temperature's, on resistance."""
        self._fit_in(volts, filters, factor, time_s - self._before_s)
        self._taken_s = time_s

    def _begin(self, filters: Filters) -> None:
        self._before = self._evidence = Evidence(len(filters.soc), LENGTH)
        self._began_soc = filters.z
        self._first = filters.soc.copy()
        self._first_sigma = np.sqrt(filters.soc_variance)

    def _fit_in(self, volts: Floats, filters: Filters, factor: float, since_s: float) -> None:
        valid = np.isfinite(volts)
        if 2 * valid.sum() < len(volts):
            return
        curve, share = self._curve, 1.0 + self.found.ratio
        lag, slow_v = self._polarisation(filters, factor)
        middle = float(curve.soc(np.array(np.median(volts[valid]) + slow_v))) + lag
        soc = curve.soc(np.where(valid, volts, 0.0) + share * slow_v) + share * lag
        unlike = np.minimum(np.abs(soc - middle) / UNLIKE_SOC, 1.0)
        here = curve.slope(soc)
        slope = np.maximum(here + unlike * (curve.slope(soc + AHEAD).min(axis=0) - here), LEAST_SLOPE)
        flat = MIDDLE_SHARE * READ_V / max(float(curve.slope(np.array(middle))), LEAST_SLOPE)
        own = np.hypot(np.hypot(READ_V, SLOW_SIGMA * slow_v * unlike) / slope, np.hypot(READ_SOC, flat))
        weight = np.where(valid, 1.0 / (np.square(NEW_V / slope) + NEW_SOC**2), 0.0)
        self._evidence = self._before.copy()
        self._evidence.fade(exp(-min(since_s, FADE_S) / FADE_S))
        self._evidence.add(self._began_soc - filters.z, soc - middle, own, weight)

    def work_out(self, filters: Filters) -> None:
        """Fit the lines y = first − κ d; known before: the beginning, the peer filter's κ, and κ of earlier rides."""
        if isnan(self._began_soc):
            self._begin(filters)
        taught, sigma = self._taught
        line = self._fit(filters.ratios, np.zeros(len(taught)), np.zeros(len(taught)))
        self.found = self.alone = self._of(line, filters)
        if np.isfinite(taught).any():
            lost = np.maximum(np.nan_to_num(line.ratio - taught) - LOST_SIGMAS * line.ratio_sigma, 0.0)
            trust = 1.0 / (sigma**2 + TAUGHT_SIGMA**2 + lost**2)
            self.found = self._of(self._fit(filters.ratios, np.nan_to_num(taught), trust), filters)

    def _of(self, line: Line, filters: Filters) -> Found:
        """Where a line has come to by now, with the peer filter's charge by its weight."""
        drawn, ratio = self._began_soc - filters.z, np.clip(line.ratio, *s.PEER_RATIO_CLAMP)
        variance = line.variance(drawn)
        part = SOC_SIGMA**2 / (SOC_SIGMA**2 + variance)
        behind = part * (line.first - drawn * ratio) + (1.0 - part) * filters.soc
        return Found(ratio, line.ratio_sigma, behind, np.hypot(np.sqrt(part * variance), LINE_SOC))

    def _fit(self, peers: Floats, taught: Floats, trust: Floats) -> Line:
        """With what was known before: the beginning, the peer filter's κ, and that of earlier rides by its weight."""
        guess = 1.0 / RATIO_SIGMA**2
        weight = guess + trust
        first = Known(self._first, 1.0 / np.square(np.maximum(self._first_sigma, 1e-4)))
        return self._evidence.line(first, Known((peers * guess + taught * trust) / weight, weight))

    def _polarisation(self, filters: Filters, factor: float) -> tuple[float, float]:
        """Lag inside the curve and slow drop in volts of the middle group now, by which groups are compared."""
        shown_v = LEFT_SHARE * factor * filters.slow_r * filters.slow_c
        return float(self._elements.inside @ shown_v) / self._slope, float(self._elements.outside @ shown_v)

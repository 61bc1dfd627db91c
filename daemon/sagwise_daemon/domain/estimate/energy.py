"""Energy the pack can still give above the reserve. Law: the weakest group rules; what is unknown is not guessed.

The reserve is `rest_low`'s limit: the pack is done when the first group's rest voltage falls to it. From each group's
charge, capacity and slow polarisation at the ride's own mean current follows the charge it can give until then; the
smallest of these is the pack's. The energy is that charge at the groups' equilibrium voltages on the way down, less
what the ride loses under load: the drop below equilibrium of the last ten minutes, weighted with the current, so that
a ride of hard pulls is charged for them, and brought from the temperature of then to that of now, since cells warm as
they are ridden. So the load that the figure assumes is the ride's own of late: its mean current for the reserve, its
loss for the voltage. All groups at once; nothing here looks at one after the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, inf, isnan, nan
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.behind import Behind, Found
from sagwise_daemon.domain.estimate.common import TAU
from sagwise_daemon.domain.estimate.slow_elements import LEFT, SLOPING, slow_elements
from sagwise_daemon.domain.estimate.taught import Learnt, aged
from sagwise_daemon.domain.estimate.told import OFFSET_LEFT_V, Filters, Told
from sagwise_daemon.domain.model import Energy, Estimates, Floats, Pack, Readings
from sagwise_daemon.domain.pack.chemistry import OcvCurve, prior_drop_v

EVERY_S = 2.0  # the figure moves by a thousandth in this time

# The style of riding: how hard, over about the last ten minutes; a stop is no style. Before there is a ride it is a
# minute at 1C. Common practice for a trail ride, no published source.
STYLE_TAU_S = 600.0
STILL_S = 10.0
FIRST_C, FIRST_S = 1.0, 60.0
FIRST_DROP = 1.6  # total drop over the 1 s resistance after a while of riding
LEAST_MEAN_C = 0.05

# Lag of rest behind equilibrium at the reserve: what the slow elements and the slow offset will have come to by then,
# each in its own time. Outside the curve all of it: what the filter takes for more polarisation than there is, it takes
# for more charge as well, and the two cancel. Inside the curve half of it, and never nothing, as the filter finds next
# to none in some cells (tuned on 52 simulated packs of published cells, docs/results/energy.md: they lean to neither
# side). Elements of a flat curve act inside it nearly alone and show too little near its end: half as much again, set
# on packs of one cell: a third low when warm and half too high in the cold, where less makes it higher still. Volts
# say nothing there: no offset.
INSIDE_SHARE, FLAT_INSIDE_SHARE, LEAST_LAG = 0.5, 1.5, 0.005

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
    """Wh above the reserve: left_wh and its sigma NaN unless every group is known; at_most_wh by those that are.

    alone: what this ride finds without the earlier ones, where that is less. A group may have lost more since.
    """

    left_wh: float
    left_sigma_wh: float
    at_most_wh: float
    alone: Left | None = None


UNKNOWN = Left(nan, nan, nan)


class Reserve:
    """The curve, what lies under it, and the voltage to stop at."""

    def __init__(self, curve: OcvCurve, limit_v: float) -> None:
        self.curve = curve
        self.limit_v = limit_v
        self.slope = curve.mean_slope
        soc, volts = curve.table_soc, curve.table_v
        parts = (volts[1:] + volts[:-1]) / 2 * np.diff(soc)
        self._under = np.concatenate([[0.0], np.cumsum(parts)])

    def soc_end(self, outlook: Outlook) -> Floats:
        """State of charge of each group when its rest voltage is at the limit; (groups,).

        Where the curve is flat above the limit, a few millivolts of polarisation are no tenths of the charge.
        """
        bare = self.curve.soc(np.array(self.limit_v))
        outside = self.curve.soc(self.limit_v + outlook.slow_v) - bare
        return np.asarray(bare + np.minimum(outside, outlook.slow_v / s.PLATEAU) + outlook.lag)

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
    """How the ride has gone of late: mean current in C, and the loss that goes with it, at one temperature."""

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


def outlook_of(
    filters: Filters, found: Found, known: NDArray[np.bool_], stated_ah: float, slope: float, ahead: Ahead
) -> Outlook:
    """What the filters know at one moment; known: groups that have an estimate.

    slope: mean slope of the curve, volts.
    """
    share = 1.0 + found.ratio
    elements, left_v = slow_elements(slope), LEFT * ahead.drops_v
    slow_v = share * float(elements.outside @ left_v)
    inside = FLAT_INSIDE_SHARE
    if elements is SLOPING:
        inside, slow_v = INSIDE_SHARE, np.maximum(slow_v - ahead.offset_v, 0.0)
    lag = inside * float(elements.inside @ left_v) / slope
    return Outlook(
        soc=filters.z + found.behind,
        capacity_ah=stated_ah / share / (1.0 + filters.ratio),
        soc_sigma=np.sqrt(filters.z_variance + found.behind_sigma**2),
        ratio_sigma=np.hypot(np.sqrt(filters.ratio_variance), found.ratio_sigma) / share,
        lag=share * lag + LEAST_LAG,
        slow_v=slow_v,
        known=known,
    )


class Ahead(NamedTuple):
    """Slow polarisation of the middle group when the reserve is reached. drops_v: (elements,) over each slow element.
    offset_v: what is left of the slow offset after a minute of rest; it lifts the voltage.
    """

    drops_v: Floats
    offset_v: float


def ahead_by(filters: Filters, factor: float, offset_v: float, mean_c: float, seconds: float) -> Ahead:
    """After `seconds` more at `mean_c`; factor: temperature's, now; offset_v: as it would be after a minute of rest."""
    reached_c = mean_c + (filters.slow_c - mean_c) * np.exp(-seconds / TAU)
    return Ahead(np.asarray(factor * filters.slow_r * reached_c), offset_v * exp(-seconds / s.OFFSET_TAU_S))


class EnergyLeft:
    """Follows the ride reading by reading; `left` is the present figure, worked out anew every two seconds."""

    def __init__(self, pack: Pack, learnt: Learnt | None = None) -> None:
        limit_v = pack.rules["rest_low"].limit
        curve = OcvCurve(pack.cell.ocv_soc, pack.cell.ocv_v)
        self._reserve = Reserve(curve, nan if limit_v is None else limit_v)
        self._style = Style(prior_drop_v(pack.cell))
        self._groups = pack.series
        self.behind = Behind(curve, pack.series)
        self._capacity_ah = pack.capacity_ah
        self._last_s = self._due_s = -np.inf
        if learnt is not None:
            before = aged(learnt)
            self.behind.start_from(before.behind_ratio, before.behind_ratio_sigma)
        self._believed = True  # that the pack is the one that earlier rides taught about
        self._known = np.zeros(pack.series, np.bool_)  # groups that the last reading told of
        self._factor = 1.0
        self._seconds = inf  # until the reserve
        self.left = UNKNOWN

    def retune(self, pack: Pack) -> None:
        """Another `rest_low` limit is another reserve."""
        limit_v = pack.rules["rest_low"].limit
        self._reserve = Reserve(OcvCurve(pack.cell.ocv_soc, pack.cell.ocv_v), nan if limit_v is None else limit_v)

    def teach(self, learnt: Learnt) -> Learnt:
        """`learnt` with what this ride has found of the groups' charge."""
        ratio, sigma = self.behind.taught
        known = np.isfinite(ratio)
        return replace(
            learnt,
            behind_ratio=np.where(known, ratio, learnt.behind_ratio),
            behind_ratio_sigma=np.where(known, sigma, learnt.behind_ratio_sigma),
        )

    def take(self, readings: Readings, estimates: Estimates, told: Told) -> list[Left]:
        """Readings in turn, the estimates just made of them, and the filters' record of them; one figure for each."""
        if self._believed and not told.believed[-1]:
            self._believed = False
            nothing = Learnt.nothing(self._groups)
            self.behind.start_from(nothing.behind_ratio, nothing.behind_ratio_sigma)
        known = np.isfinite(estimates.rest_v) & np.isfinite(estimates.soc)
        rows = zip(
            readings.time_s.tolist(),
            (readings.current_a / self._capacity_ah).tolist(),
            _below_v(readings, estimates).tolist(),
            told.starting.tolist(),
            told.unmeasured.tolist(),
            self._others(known).tolist(),
            strict=True,
        )
        made = []
        for row, (now, c, below_v, starting, unmeasured, others) in enumerate(rows):
            seconds, self._last_s = now - self._last_s, now
            if others:
                self._due_s = now  # no moment may pass on a figure made of other groups
            if starting:
                self.behind.forget()
                self.left = UNKNOWN
            elif unmeasured:
                self._due_s, self.left = now, UNKNOWN  # energy is current: voltages alone do not tell it
            else:
                self._follow(row, (now, seconds, c, below_v), readings, told)
                if now >= self._due_s:
                    self._due_s = now + EVERY_S
                    self._work_out(told, known[row], row)
            made.append(self.left)
        return made

    def _others(self, known: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """(rows,) whether other groups are known than in the reading before; known: (rows, groups)."""
        before = np.concatenate([self._known[None], known[:-1]])
        self._known = known[-1]
        return np.asarray((known != before).any(axis=1))

    def _follow(self, row: int, seen: tuple[float, float, float, float], readings: Readings, told: Told) -> None:
        now, seconds, c, below_v = seen
        if isnan(c) or seconds > s.SHORT_GAP_S:
            return
        if self.behind.due(now, seconds, c):
            self.behind.point(now, readings.group_v[row], told.filters_at(row), self._factor)
        if not isnan(below_v):
            self._style.add(seconds, c, below_v / self._factor)

    def _work_out(self, told: Told, known: NDArray[np.bool_], row: int) -> None:
        filters = told.filters_at(row)
        self._factor = told.factor(row, self._factor)
        self.behind.work_out(filters)
        mean_c = self._style.mean_c
        offset_v = float(told.numbers[row, OFFSET_LEFT_V])
        ahead = ahead_by(filters, self._factor, offset_v, mean_c, self._seconds)
        loss_v = self._factor * self._style.loss_v

        def left_by(found: Found) -> Left:
            outlook = outlook_of(filters, found, known, self._capacity_ah, self._reserve.slope, ahead)
            return energy_left(self._reserve, outlook, loss_v)

        self.left = left_by(self.behind.found)
        if self.behind.alone is not self.behind.found:
            alone = left_by(self.behind.alone)
            if alone.at_most_wh < self.left.at_most_wh:
                self.left = replace(self.left, alone=alone)
        self._seconds = self._until_reserve(mean_c)

    def _until_reserve(self, mean_c: float) -> float:
        """Seconds, nearly: no element cares for a tenth of them. Endless while nothing is known."""
        power_w = self._groups * self._reserve.limit_v * mean_c * self._capacity_ah
        return inf if isnan(self.left.at_most_wh) else 3600.0 * self.left.at_most_wh / power_w


def _below_v(readings: Readings, estimates: Estimates) -> Floats:
    """(rows,) mean of how far the groups read below equilibrium; NaN where one is unknown."""
    return np.asarray((estimates.ocv_v - readings.group_v).mean(axis=1))


def with_home(left: Left, home_wh: float, heading_home: bool) -> Energy:
    """The figure as it is said, beside the energy to get home; what is counted trusts no earlier ride for more."""
    counted_wh = _counted_wh(left, heading_home)
    if left.alone is not None:
        counted_wh = min(counted_wh, _counted_wh(left.alone, heading_home))
    return Energy(left.left_wh, left.left_sigma_wh, counted_wh, home_wh)


def _counted_wh(left: Left, heading_home: bool) -> float:
    """With caution about what is unsure; whoever heads home has no turn to be cautious about."""
    unsure_wh = left.left_sigma_wh - SURE_SHARE * left.left_wh
    caution_wh = 0.0 if heading_home or not unsure_wh > 0.0 else UNSURE_SIGMAS * unsure_wh
    return left.at_most_wh if caution_wh == 0.0 else max(left.at_most_wh - caution_wh, 0.0)


def with_energy(estimates: Estimates, energies: Sequence[Energy]) -> Estimates:
    """The estimates with each row's energy."""
    return replace(
        estimates,
        energy_left_wh=np.array([energy.left_wh for energy in energies]),
        energy_left_sigma_wh=np.array([energy.left_sigma_wh for energy in energies]),
        energy_counted_wh=np.array([energy.counted_wh for energy in energies]),
        energy_home_wh=np.array([energy.home_wh for energy in energies]),
    )

"""What rides have taught about one pack. Law: it belongs to that pack alone, every figure has its uncertainty, and it
fades with rides and time.

A figure that no ride could tell is NaN with an infinite uncertainty. `aged` widens what was learnt before it starts a
ride; `merged` adds one ride to what was there, each weighted by what it is worth. Which pack it belongs to is the
keeper's to see to: after any change of the pack's electrical facts it is another pack.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot, inf, isfinite, isnan, nan

import numpy as np

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.model import Floats

# How far a figure may have moved until the next ride, and in a month without one. Common practice, no published source:
# cells lose 2 to 3 % of their capacity in a hundred cycles, and much of their resistance's change is temperature that a
# sensor on the can does not see.
RATIO_PER_RIDE, RATIO_PER_MONTH = 0.003, 0.005
STEPS_KEPT_SHARE = 0.7  # of the weight of earlier rides' steps in the mean resistance
STEPS_MOST = 60.0
STEPS_SURE = 6.0
DAYS_A_MONTH = 30.0
UNKNOWN_AGE_DAYS = 90.0  # a computer without a clock of its own cannot tell
SHARES = 2 + len(s.TAU_S)


@dataclass(frozen=True, slots=True, eq=False)
class Learnt:
    """Arrays are (groups,) unless stated.

    rides: how many taught it. resistance_25c_mohm: 1 s resistance at 25 degC by `steps` load steps of about `step_c`
    (in C), a faded count. shares_v: (SHARES,) the common model's ohmic, bent and slow resistances, volts per C
    at 25 degC. ratio: stated capacity over the middle group's, less 1, as the current sensor counts; group_ratio: the
    middle group's over each group's, less 1, by the surest pair of points; behind_ratio: the same, by the line through
    all coasts that the energy left is reckoned with (`behind`). offset_c: what the current sensor shows at no current,
    in C. age_days: since the last of those rides, NaN where no clock can tell.
    """

    rides: int
    resistance_25c_mohm: Floats
    steps: Floats
    step_c: float
    shares_v: Floats
    ratio: float
    ratio_sigma: float
    group_ratio: Floats
    group_ratio_sigma: Floats
    offset_c: float
    offset_sigma_c: float
    behind_ratio: Floats
    behind_ratio_sigma: Floats
    age_days: float = 0.0

    @classmethod
    def nothing(cls, groups: int) -> Learnt:
        """Before the first ride."""
        blank, endless = np.full(groups, nan), np.full(groups, inf)
        return cls(
            0, blank, np.zeros(groups), nan, np.full(SHARES, nan), nan, inf, blank, endless, nan, inf, blank, endless
        )

    @property
    def resistance_known(self) -> bool:
        """Whether the model's resistances may be taken from it."""
        return bool(np.isfinite(self.shares_v).all() and np.isfinite(self.resistance_25c_mohm).any())

    @property
    def empty(self) -> bool:
        """Whether it tells nothing at all."""
        return not (self.resistance_known or isfinite(self.ratio) or np.isfinite(self.group_ratio).any())


def aged(learnt: Learnt) -> Learnt:
    """As uncertain as it has become by the next ride."""
    days = UNKNOWN_AGE_DAYS if isnan(learnt.age_days) else max(learnt.age_days, 0.0)
    more = hypot(RATIO_PER_RIDE, RATIO_PER_MONTH * days / DAYS_A_MONTH)
    return replace(
        learnt,
        ratio_sigma=hypot(learnt.ratio_sigma, more),
        group_ratio_sigma=np.hypot(learnt.group_ratio_sigma, more),
        behind_ratio_sigma=np.hypot(learnt.behind_ratio_sigma, more),
        steps=learnt.steps * STEPS_KEPT_SHARE,
        age_days=0.0,
    )


def sure_mohm(learnt: Learnt) -> Floats:
    """(groups,) resistance at 25 degC that rests on enough steps to hold a later ride against, else NaN."""
    return np.where(learnt.steps >= STEPS_SURE, learnt.resistance_25c_mohm, nan)


def merged(before: Learnt, ride: Learnt) -> Learnt:
    """`before` (already aged) with one more ride, each figure by its weight. The offset, the model's resistances and
    the lines' ratios are the later ride's own, which began from the earlier.

    Capacities do not become surer by averaging: what is wrong with one ride's (the curve, the cell's slow recovery) is
    wrong with the next one's.
    """
    steps = before.steps + ride.steps
    share = np.divide(ride.steps, steps, out=np.zeros_like(steps), where=steps > 0)
    ratios = _pair(before.ratio, ride.ratio), _pair(before.ratio_sigma, ride.ratio_sigma)
    ratio, ratio_sigma = _blend(*ratios, _weight(ratios[1]))
    groups = _pair(before.group_ratio, ride.group_ratio), _pair(before.group_ratio_sigma, ride.group_ratio_sigma)
    group_ratio, group_ratio_sigma = _blend(*groups, _weight(groups[1]))
    mohm = _pair(before.resistance_25c_mohm, ride.resistance_25c_mohm)
    resistance, _ = _blend(mohm, np.zeros_like(mohm), np.array([1.0 - share, share]))
    later = ride if np.isfinite(ride.shares_v).all() else before
    zeroed = ride if isfinite(ride.offset_c) else before
    lined = np.isfinite(ride.behind_ratio)
    return Learnt(
        rides=before.rides + ride.rides,
        resistance_25c_mohm=resistance,
        steps=np.minimum(steps, STEPS_MOST),
        step_c=ride.step_c if isfinite(ride.step_c) else before.step_c,
        shares_v=later.shares_v,
        ratio=float(ratio[0]),
        ratio_sigma=float(ratio_sigma[0]),
        group_ratio=group_ratio,
        group_ratio_sigma=group_ratio_sigma,
        offset_c=zeroed.offset_c,
        offset_sigma_c=zeroed.offset_sigma_c,
        behind_ratio=np.where(lined, ride.behind_ratio, before.behind_ratio),
        behind_ratio_sigma=np.where(lined, ride.behind_ratio_sigma, before.behind_ratio_sigma),
    )


def _pair(one: Floats | float, other: Floats | float) -> Floats:
    """(2, count)"""
    return np.array([np.atleast_1d(one), np.atleast_1d(other)])


def _weight(sigma: Floats) -> Floats:
    return np.asarray(1.0 / np.maximum(sigma, 1e-6) ** 2)


def _blend(values: Floats, sigmas: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """Weighted mean of values and of their sigmas, (2, count) each, down the first axis; what is NaN has no weight.

    NaN and inf where neither is known.
    """
    weights = np.where(np.isfinite(values), weights, 0.0)
    total = weights.sum(axis=0)
    known = total > 0
    parts = weights / np.where(known, total, 1.0)
    mean = (np.nan_to_num(values) * parts).sum(axis=0)
    sigma = (np.where(parts > 0, sigmas, 0.0) * parts).sum(axis=0)
    return np.where(known, mean, nan), np.where(known, sigma, inf)

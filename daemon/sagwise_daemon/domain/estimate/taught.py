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


@dataclass(frozen=True, slots=True, eq=False)
class Learnt:
    """Arrays are (groups,) unless stated.

    rides: how many taught it. resistance_25c_mohm: 1 s resistance at 25 degC by `steps` load steps of about `step_c`
    (in C), a faded count. shares_v: (5,) the common model's ohmic, bent and three slow resistances, volts per C at
    25 degC. ratio: stated capacity over the middle group's, less 1, as the current sensor counts; group_ratio: the
    middle group's over each group's, less 1. offset_c: what the current sensor shows at no current, in C.
    age_days: since the last of those rides, NaN where no clock can tell.
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
    age_days: float = 0.0

    @classmethod
    def nothing(cls, groups: int) -> Learnt:
        """Before the first ride."""
        blank, endless = np.full(groups, nan), np.full(groups, inf)
        return cls(0, blank, np.zeros(groups), nan, np.full(5, nan), nan, inf, blank, endless, nan, inf)

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
        steps=learnt.steps * STEPS_KEPT_SHARE,
        age_days=0.0,
    )


def sure_mohm(learnt: Learnt) -> Floats:
    """(groups,) resistance at 25 degC that rests on enough steps to hold a later ride against, else NaN."""
    return np.where(learnt.steps >= STEPS_SURE, learnt.resistance_25c_mohm, nan)


def merged(before: Learnt, ride: Learnt) -> Learnt:
    """`before` (already aged) with one more ride, each figure by its weight. The offset and the model's resistances are
    the later ride's own, which began from the earlier.
    """
    steps = before.steps + ride.steps
    share = np.divide(ride.steps, steps, out=np.zeros_like(steps), where=steps > 0)
    resistance, _ = _blend(before.resistance_25c_mohm, 1.0 - share, ride.resistance_25c_mohm, share)
    ratio, weight = _blend(
        np.array([before.ratio]),
        _weight(np.array([before.ratio_sigma])),
        np.array([ride.ratio]),
        _weight(np.array([ride.ratio_sigma])),
    )
    group_ratio, group_weight = _blend(
        before.group_ratio, _weight(before.group_ratio_sigma), ride.group_ratio, _weight(ride.group_ratio_sigma)
    )
    later = ride if np.isfinite(ride.shares_v).all() else before
    zeroed = ride if isfinite(ride.offset_c) else before
    return Learnt(
        rides=before.rides + ride.rides,
        resistance_25c_mohm=resistance,
        steps=np.minimum(steps, STEPS_MOST),
        step_c=ride.step_c if isfinite(ride.step_c) else before.step_c,
        shares_v=later.shares_v,
        ratio=float(ratio[0]),
        ratio_sigma=float(_sigma(weight)[0]),
        group_ratio=group_ratio,
        group_ratio_sigma=_sigma(group_weight),
        offset_c=zeroed.offset_c,
        offset_sigma_c=zeroed.offset_sigma_c,
    )


def _weight(sigma: Floats) -> Floats:
    return np.asarray(1.0 / np.maximum(sigma, 1e-6) ** 2)


def _sigma(weight: Floats) -> Floats:
    return np.where(weight > 0, 1.0 / np.sqrt(np.where(weight > 0, weight, 1.0)), inf)


def _blend(one: Floats, one_weight: Floats, other: Floats, other_weight: Floats) -> tuple[Floats, Floats]:
    """Weighted mean and the sum of weights; what is NaN has none."""
    first = np.where(np.isfinite(one), one_weight, 0.0)
    second = np.where(np.isfinite(other), other_weight, 0.0)
    total = first + second
    known = total > 0
    mean = np.nan_to_num(one) * first + np.nan_to_num(other) * second
    return np.where(known, mean / np.where(known, total, 1.0), nan), np.asarray(total)

"""Groups that hold the pack back, and why. Law: a group is named only when it is sure, with its figure and uncertainty.

A cell that is lost shows in capacity and in resistance alike, a tired one more in capacity, a joint or a lead in
resistance alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from sagwise_daemon.domain.model import Floats

SURE_SIGMAS = 2.0
# Groups of one batch differ by so much and nobody is served by a name for it; common practice, no published source.
LEAST_LOST, LEAST_OVER = 0.03, 0.10


class Kind(StrEnum):
    """What a group is short of."""

    NONE = "none"
    CAPACITY = "capacity"
    RESISTANCE = "resistance"
    BOTH = "both"


@dataclass(frozen=True, slots=True)
class Weakness:
    """One group, from 1. Shares in percent, NaN where not known, each with its standard uncertainty.

    capacity_percent: of the middle group's. resistance_percent: 1 s resistance over the middle group's, 0 for the same.
    """

    group: int
    kind: Kind
    capacity_percent: float
    capacity_sigma_percent: float
    resistance_percent: float
    resistance_sigma_percent: float


def judge(ratio: Floats, ratio_sigma: Floats, over: Floats, over_sigma: Floats) -> tuple[Weakness, ...]:
    """Every group. ratio: the middle group's capacity over this one's, less 1; over: resistance over the middle
    group's, less 1; (groups,) each, NaN where not known.
    """
    share = 1.0 / (1.0 + ratio)
    share_sigma = ratio_sigma * share**2
    with np.errstate(invalid="ignore"):
        short = 1.0 - share > np.maximum(SURE_SIGMAS * share_sigma, 0.0) + LEAST_LOST
        high = over > SURE_SIGMAS * over_sigma + LEAST_OVER
    rows = np.column_stack([share, share_sigma, over, over_sigma]) * 100.0
    found = zip(short.tolist(), high.tolist(), rows.tolist(), strict=True)
    return tuple(Weakness(number, _kind(lost, more), *row) for number, (lost, more, row) in enumerate(found, 1))


def _kind(short: bool, high: bool) -> Kind:
    if short:
        return Kind.BOTH if high else Kind.CAPACITY
    return Kind.RESISTANCE if high else Kind.NONE

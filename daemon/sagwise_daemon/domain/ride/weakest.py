"""Which group is the weakest, and why. Law: the reason is the largest of three shortfalls, each measured in what a
builder would call much; below that no group is blamed, and it is said of what nothing is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.ride.recorded import middle

# Where a group stands out from its neighbours. Common practice, no published source.
MUCH_RATIO = 0.15
MUCH_REST_V = 0.020
MUCH_SOC = 0.02  # and so much of its charge: near empty 0.04 V are one part in a hundred, which good cells scatter by
MUCH_CAPACITY = 0.06
SURE_SIGMAS = 2.0  # and a capacity that far beyond its own doubt, or the group may be none the worse
LOOKED_AT = ("resistance", "rest voltage", "capacity")


@dataclass(frozen=True, slots=True)
class Weakest:
    """The weakest group. reason: "resistance", "rest", "capacity", "both" for a group that is short of capacity and
    resists more, or "none" where no group stands out.
    """

    group: int
    reason: str
    words: str


def weakest(
    resistance_ratio: Floats, rest_end_v: Floats, rest_end_soc: Floats, capacity_ah: Floats, capacity_sigma_ah: Floats
) -> Weakest | None:
    """(groups,) each, NaN where unknown. rest_end_soc: where the curve has that voltage; the last is the capacity's
    standard uncertainty. None where nothing at all is known."""
    behind_v, short = middle(rest_end_v) - rest_end_v, 1.0 - capacity_ah / middle(capacity_ah)
    doubt = capacity_sigma_ah / middle(capacity_ah)
    much = np.fmax(MUCH_CAPACITY, SURE_SIGMAS * doubt)
    behind_soc = middle(rest_end_soc) - rest_end_soc
    behind = np.minimum(behind_v / MUCH_REST_V, behind_soc / MUCH_SOC)
    scores = np.stack([(resistance_ratio - 1.0) / MUCH_RATIO, behind, short / much])
    known = np.where(np.isnan(scores), -np.inf, scores)
    if not np.isfinite(known).any():
        return None
    reason, place = np.unravel_index(int(known.argmax()), known.shape)
    group = int(place) + 1
    if known.max() < 1.0:
        return Weakest(group, "none", _none([bool(row.any()) for row in np.isfinite(scores)]))
    ratio, lacks = float(resistance_ratio[place]), 100.0 * float(short[place])
    holds = f"holds {lacks:.0f} ± {100.0 * float(doubt[place]):.0f} % less than the others"
    if known[0, place] >= 1.0 and known[2, place] >= 1.0:
        return Weakest(group, "both", f"It {holds}, and its resistance is {ratio:.2f} times the pack's median.")
    if reason == 0:
        return Weakest(group, "resistance", f"Its resistance is {ratio:.2f} times the pack's median{_joint(ratio)}.")
    if reason == 1 and known[2, place] < 1.0:  # a lack of capacity is why it ends lower, and says more
        return Weakest(
            group,
            "rest",
            f"It ends {1000 * float(behind_v[place]):.0f} mV under the others at rest, "
            f"{100 * float(behind_soc[place]):.0f} % of its charge.",
        )
    return Weakest(group, "capacity", f"It {holds}.")


def _none(known: list[bool]) -> str:
    """known: whether each of `LOOKED_AT` is, of any group."""
    seen, unseen = (
        [name for name, is_known in zip(LOOKED_AT, known, strict=True) if is_known is which] for which in (True, False)
    )
    if not unseen:
        return "No group stands out."
    return f"No group stands out by {' and '.join(seen)}; of {' and '.join(unseen)} nothing is known."


def _joint(ratio: float) -> str:
    """What to look at first: an aged cell rarely doubles its resistance against its neighbours, a joint does."""
    return ": look at its joints first" if ratio >= 2.0 and not math.isinf(ratio) else ""

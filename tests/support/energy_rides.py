"""Energy left on rides whose truth is known. Law: the core is told readings; the truth is what the cells then gave.

The truth is the energy at the terminals from a moment until the first group's simulated rest voltage is at `rest_low`'s
limit, the ride going on as it did. Judged every ten seconds from half charge of that group down. A share of next to
nothing says nothing, so beside the 10 % stands an allowance of 2 % of what the full pack holds.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from truth_rides import STEP_S, WEAK, Truth, measured, pack_of

from sagwise_daemon.domain.core import learnt, new_state, take
from sagwise_daemon.domain.estimate import Learnt
from sagwise_daemon.domain.model import Floats

EVERY = 100  # rows: told together, and a moment is judged
RELATIVE, ALLOWANCE = 0.10, 0.02
HALF = 0.5


@dataclass(frozen=True, eq=False)
class Course:
    """Said and true Wh left of one ride, moment by moment (n,); full_wh: what the full pack holds. kind: of the group
    that ends it, "healthy", "worn" or "weak". second: whether an earlier ride had taught.
    """

    name: str
    kind: str
    second: bool
    said_wh: Floats
    sigma_wh: Floats
    true_wh: Floats
    full_wh: float

    @property
    def within(self) -> np.ndarray:
        """Within 10 % of the truth."""
        return np.asarray(np.abs(self.said_wh - self.true_wh) <= RELATIVE * self.true_wh)

    @property
    def allowed(self) -> np.ndarray:
        """The same, or off by at most 2 % of the full pack."""
        most = np.maximum(RELATIVE * self.true_wh, ALLOWANCE * self.full_wh)
        return np.asarray(np.abs(self.said_wh - self.true_wh) <= most)

    @property
    def much(self) -> np.ndarray:
        """Where more than a tenth of the full pack was left."""
        return np.asarray(self.true_wh > 0.1 * self.full_wh)

    @property
    def lean(self) -> float:
        """Mean of said over true, less 1, where much was left and a figure is said; else NaN."""
        much = self.much & np.isfinite(self.said_wh)
        return float(np.mean(self.said_wh[much] / self.true_wh[much] - 1.0)) if much.any() else float("nan")


def parts(truth: Truth) -> list[Truth]:
    """The ride as the whole pack has it, and as its healthy groups alone would."""
    healthy = np.flatnonzero(truth.kinds == "healthy")
    return [truth] if len(healthy) == len(truth.kinds) else [truth, _of(truth, healthy)]


def _of(truth: Truth, groups: np.ndarray) -> Truth:
    arrays = {name: getattr(truth, name)[groups] for name in ("volts", "rest", "ocv", "soc", "r_1s_mohm")}
    members = truth.about["groups"]
    return replace(truth, **arrays, about=truth.about | {"groups": [members[group] for group in groups]})


def reserve_row(truth: Truth) -> float:
    """The row, with its part, at which the first group's rest voltage is at the limit; NaN where it never is."""
    lowest = truth.rest.min(axis=0)
    below = np.flatnonzero(lowest < truth.limit_v)
    if not len(below) or below[0] == 0:
        return float("nan")
    two = slice(below[0] - 1, below[0] + 1)
    return float(np.interp(-truth.limit_v, -lowest[two], truth.rest_row[two]))


def ridden(truth: Truth, before: Learnt | None = None, seed: int = 0) -> tuple[Course | None, Learnt | None]:
    """One ride down to the reserve, or to its end; no course where the reserve is not reached from half charge."""
    pack, end = pack_of(truth, truth.told()), reserve_row(truth)
    state = new_state(pack, before)
    readings = measured(truth, truth.sensors(), seed).readings()
    rows = len(readings) if np.isnan(end) else int(end)
    made = [take(state, readings.rows(slice(k, min(k + EVERY, rows)))).estimates for k in range(0, rows, EVERY)]
    course = None if np.isnan(end) else _course(truth, end, before is not None, made, pack.capacity_ah)
    return course, learnt(state)


def _course(truth: Truth, end: float, second: bool, made: Sequence, capacity_ah: float) -> Course | None:
    power_w = truth.volts.sum(axis=0) * truth.current_a
    drawn = np.concatenate([[0.0], np.cumsum((power_w[1:] + power_w[:-1]) / 2 * STEP_S / 3600.0)])
    weakest = int(np.argmin([np.interp(end, truth.rest_row, rest) for rest in truth.rest]))
    moments = np.arange(EVERY - 1, int(end), EVERY)
    moments = moments[np.interp(moments, truth.rest_row, truth.soc[weakest]) <= HALF]
    if not len(moments):
        return None
    said, sigma = (
        np.concatenate([getattr(one, name) for one in made])[moments]
        for name in ("energy_left_wh", "energy_left_sigma_wh")
    )
    kind = str(truth.kinds[weakest])
    return Course(
        name=truth.name,
        kind="weak" if kind in WEAK else "worn" if kind == "worn" else "healthy",
        second=second,
        said_wh=said,
        sigma_wh=sigma,
        true_wh=float(np.interp(end, np.arange(len(drawn)), drawn)) - drawn[moments],
        full_wh=len(truth.volts) * capacity_ah * float(truth.curve_v.mean()),
    )


def line(courses: Iterable[Course]) -> str:
    """One line of the table; every ride weighs the same."""
    known = [one for one in courses if np.isfinite(one.said_wh).any()]
    leans = np.array([one.lean for one in known])
    much = [one.within[one.much].mean() for one in known if one.much.any()]
    sure = np.concatenate([np.abs(one.said_wh - one.true_wh) <= 2 * one.sigma_wh for one in known])
    return (
        f"{len(known):5d}  {np.mean([one.within.mean() for one in known]):6.1%}  {np.mean(much or [np.nan]):6.1%}  "
        f"{np.mean([one.allowed.mean() for one in known]):6.1%}  "
        f"{np.nanmean(leans):+6.1%}  {np.nanstd(leans):5.1%}  {sure.mean():6.1%}"
    )

"""How near an estimator's rest voltage and alarms come to the truth. Law: a figure can be worked out by hand.

`judge` holds what was found on one ride against its truth; `Tally` gathers rides and gives the figures. Errors are
estimate less truth. They are taken at the moments whose truth was solved; alarms are judged in between by straight
lines. A group counts as healthy, as weak (three cells of four, not told) or as other (worn, resistive).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from truth_rides import STEP_S, WEAK, Truth

from sagwise_daemon.domain.model import Floats

SETTLED_S = 15.0  # an estimator may say nothing for so long
RESISTANCE_FROM_S = 60.0
LOW_CHARGE = 0.15
MARGIN_V = 0.020  # truth nearer than this to the limit neither misses an alarm nor makes one false
AHEAD_S = 15.0  # an alarm is not false where the truth follows within this
MISSED_S = 30.0

Spans = list[tuple[float, float]]


@dataclass(frozen=True, eq=False)
class Found:
    """What an estimator said. rest, sigma, ocv, resistance (mΩ): (rows, groups), NaN unknown; sigma and resistance
    all NaN where it has none. alarms: for each group the spans in which `rest_low` sounds, in s from the first row.
    """

    rest: Floats
    sigma: Floats
    ocv: Floats
    resistance: Floats
    alarms: list[Spans]


@dataclass(frozen=True, eq=False)
class Group:
    """One group of one ride. Errors in mV, shares of sigma, relative errors of resistance; lateness in s or None."""

    ride: str
    kind: str
    rest: Floats
    ocv: Floats
    ocv_low: Floats
    of_sigma: Floats
    resistance: Floats
    moments: int
    hours: float
    false: int
    early: int
    false_s: float
    missed: int
    late_s: float | None

    @property
    def known(self) -> int:
        return len(self.rest)


def judge(truth: Truth, found: Found, limit_v: float) -> list[Group]:
    """Every group of a ride."""
    return [_group(truth, found, number, limit_v) for number in range(len(truth.rest))]


def _group(truth: Truth, found: Found, number: int, limit_v: float) -> Group:
    moments = truth.rest_row * STEP_S > SETTLED_S
    rows = truth.rest_row[moments]
    rest = found.rest[rows, number] - truth.rest[number, moments]
    ocv = (found.ocv[rows, number] - truth.ocv[number, moments]) * 1e3
    known, low = np.isfinite(rest), truth.soc[number, moments] < LOW_CHARGE
    steps = truth.step_row[truth.step_row * STEP_S >= RESISTANCE_FROM_S]
    resistance = found.resistance[steps, number] / truth.r_1s_mohm[number, len(truth.step_row) - len(steps) :] - 1
    of_sigma = np.abs(rest) / found.sigma[rows, number]
    true_v = truth.rest_by_row[number]
    false, early = false_alarms(true_v, found.alarms[number], limit_v)
    return Group(
        ride=truth.name,
        kind=str(truth.kinds[number]),
        rest=rest[known] * 1e3,
        ocv=ocv[np.isfinite(ocv)],
        ocv_low=ocv[np.isfinite(ocv) & low],
        of_sigma=of_sigma[np.isfinite(of_sigma)],
        resistance=resistance[np.isfinite(resistance)],
        moments=len(rows),
        hours=truth.rows * STEP_S / 3600,
        false=false,
        early=early,
        false_s=falsely_s(true_v, found.alarms[number], limit_v),
        missed=missed(true_v, found.alarms[number], limit_v),
        late_s=lateness_s(true_v, found.alarms[number], limit_v),
    )


def false_alarms(true_v: Floats, alarms: Spans, limit_v: float) -> tuple[int, int]:
    """Alarms raised while the truth was, and for 15 s stayed, 20 mV or more over the limit; and over it at all."""
    lowest = [true_v[_row(start) : _row(start + AHEAD_S) + 1].min(initial=np.inf) for start, _ in alarms]
    return sum(v >= limit_v + MARGIN_V for v in lowest), sum(v >= limit_v for v in lowest)


def falsely_s(true_v: Floats, alarms: Spans, limit_v: float) -> float:
    """Seconds of alarm while the truth is 20 mV or more over the limit."""
    return float((standing(len(true_v), alarms) & (true_v >= limit_v + MARGIN_V)).sum() * STEP_S)


def missed(true_v: Floats, alarms: Spans, limit_v: float) -> int:
    """How often the truth was 20 mV under the limit for 30 s on end without any alarm."""
    on, deep = standing(len(true_v), alarms), true_v <= limit_v - MARGIN_V
    edges = np.flatnonzero(np.diff(deep, prepend=False, append=False)).reshape(-1, 2)
    return sum((after - first) * STEP_S >= MISSED_S and not on[first:after].any() for first, after in edges.tolist())


def lateness_s(true_v: Floats, alarms: Spans, limit_v: float) -> float | None:
    """From the truth's first fall under the limit to the alarm, negative where the alarm stood already.

    None where the truth never falls 20 mV under it, or begins the ride under it. Without an alarm: until the end.
    An alarm that ended before the truth fell says nothing.
    """
    below = np.flatnonzero(true_v < limit_v)
    if not len(below) or below[0] == 0 or true_v.min() > limit_v - MARGIN_V:
        return None
    crossed_s = float(below[0]) * STEP_S
    starts = [start for start, end in alarms if end > crossed_s]
    return (min(starts) if starts else len(true_v) * STEP_S) - crossed_s


def standing(rows: int, alarms: Spans) -> np.ndarray:
    """(rows,) whether the alarm sounds."""
    on = np.zeros(rows, np.bool_)
    for start, end in alarms:
        on[_row(start) : _row(min(end, rows * STEP_S)) + 1] = True
    return on


def _row(seconds: float) -> int:
    return round(seconds / STEP_S)


@dataclass
class Tally:
    """Groups of many rides, and the figures of all of them."""

    groups: list[Group] = field(default_factory=list)

    def add(self, groups: Iterable[Group]) -> None:
        self.groups += groups

    def of(self, *kinds: str) -> list[Group]:
        return [group for group in self.groups if group.kind in kinds]

    def figures(self) -> dict[str, float]:
        """NaN where there is nothing to judge. mV, s, or shares; false per hour is of the pack's healthy groups."""
        healthy, weak, other = self.of("healthy"), self.of(*WEAK), self.of("worn", "resistive")
        hours = sum(hours for _, hours in {(group.ride, group.hours) for group in healthy})
        ocv = joined(healthy, "ocv")
        return {
            "rest_rmse": rms(joined(healthy, "rest")),
            "rest_p99": p99(joined(healthy, "rest")),
            "rest_max": most(joined(healthy, "rest")),
            "rest_weak": rms(joined(weak, "rest")),
            "rest_other": rms(joined(other, "rest")),
            "ocv_rmse": rms(ocv),
            "ocv_p99": p99(ocv),
            "ocv_low": rms(joined(healthy, "ocv_low")),
            "resistance": share(
                np.abs(joined(self.groups, "resistance")).sum(), len(joined(self.groups, "resistance"))
            ),
            "false": share(sum(group.false for group in healthy), hours),
            "early": share(sum(group.early for group in healthy), hours),
            "false_weak": share(sum(group.false for group in [*weak, *other]), hours),
            "missed": sum(group.missed for group in self.groups),
            "late_healthy": latest(healthy),
            "late_weak": latest(weak),
            "late_other": latest(other),
            "inside": share(int((joined(self.groups, "of_sigma") < 2).sum()), len(joined(self.groups, "of_sigma"))),
            "falsely": share(sum(group.false_s for group in healthy), 3600 * sum(group.hours for group in healthy)),
            "known": share(sum(group.known for group in self.groups), sum(group.moments for group in self.groups)),
        }


def joined(groups: Iterable[Group], name: str) -> Floats:
    parts = [getattr(group, name) for group in groups]
    return np.concatenate(parts) if parts else np.empty(0)


def rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else np.nan


def p99(values: Floats) -> float:
    return float(np.percentile(np.abs(values), 99)) if len(values) else np.nan


def most(values: Floats) -> float:
    return float(np.abs(values).max()) if len(values) else np.nan


def share(part: float, whole: float) -> float:
    return float(part) / whole if whole else np.nan


def latest(groups: Iterable[Group]) -> float:
    """The worst of them: what comes late once is late."""
    late = [group.late_s for group in groups if group.late_s is not None]
    return max(late) if late else np.nan

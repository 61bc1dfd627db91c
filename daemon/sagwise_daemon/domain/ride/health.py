"""Health of a pack over its rides. Law: not a word before enough rides over enough days; a group is called ageing only
against its neighbours, since all groups see the same weather, rider and curve; and "none does" is said with what
would not show yet.

Resistance is at 25 degC, capacity what a group would hold from full to empty, spread that of the groups at rest.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sagwise_daemon.domain.estimate.resistance import median_rows
from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.ride.recorded import last_known, middle
from sagwise_daemon.domain.ride.trend import Trend, trend

# Common practice, no published source.
ENOUGH_RIDES = 8
ENOUGH_DAYS = 14.0
AGEING_PER_YEAR = 0.05  # against the others: makers call a cell worn at twice its resistance, most take years
FADING_PER_YEAR = 0.03
SIGMAS = 4.0  # as many groups are looked at, one of 48 would pass three by chance alone once in 15 packs
OUTLIER_MADS = 6.0
RESISTS, HOLDS = 1.25, 0.90  # to the median: so far from it a group is named, whether it gets worse or not
# Not all that resists ages, and how much of the whole that part is moves with warmth and with the size of the pulls:
# one and the same ageing of simulated cells is 0.257 a year in rides at 0 degC and 0.279 at 25. Over a simulated year
# of 500 rides the estimator read 0.230 where the cells' own answer to those rides' pulls was 0.235.
SYSTEMATIC = 0.05
SECONDS_PER_DAY = 86_400.0


@dataclass(frozen=True, slots=True, eq=False)
class HealthPoint:
    """One ride. resistance_mohm, capacity_ah: (groups,), NaN where unknown. unix_s None: its date is not trusted."""

    ride_id: int
    unix_s: float | None
    resistance_mohm: Floats
    capacity_ah: Floats
    spread_v: float


@dataclass(frozen=True, slots=True)
class GroupHealth:
    """latest: the median of the newest rides. ratio: to the pack's median. against_others: the trend of that ratio, its
    uncertainty with what all rides may have in common.
    """

    group: int
    latest: float
    ratio: float
    trend: Trend | None
    against_others: Trend | None


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of all groups; `median` is the trend of the pack's median."""

    unit: str
    median: Trend | None
    groups: tuple[GroupHealth, ...]


@dataclass(frozen=True, slots=True)
class Health:
    """ageing, fading: groups whose resistance rises, whose capacity falls, clearly faster than the others'.

    rides: with a date and a figure. undated: rides left out because nobody knows when they were.
    """

    rides: int
    days: float
    undated: int
    enough: bool
    words: str
    ageing: tuple[int, ...]
    fading: tuple[int, ...]
    resistance: Figure
    capacity: Figure
    spread: Trend | None
    points: tuple[HealthPoint, ...]


def health(points: Sequence[HealthPoint], series: int, *, otherwise_built: int = 0) -> Health:
    """The health of a pack of `series` groups, from its rides in any order. otherwise_built: rides of the same name
    that are not among them, of other cells or another number of them.
    """
    dated = sorted((point for point in points if point.unix_s is not None), key=lambda point: point.unix_s or 0.0)
    told = [point for point in dated if not np.isnan(point.resistance_mohm).all()]
    days = days_of(told)
    enough = len(told) >= ENOUGH_RIDES and float(np.ptp(days)) >= ENOUGH_DAYS
    resistance = _figure("mOhm", days, _stack([point.resistance_mohm for point in told], series), enough)
    capacity = _figure("Ah", days, _stack([point.capacity_ah for point in told], series), enough)
    ageing = _beyond(resistance, AGEING_PER_YEAR)
    fading = _beyond(capacity, -FADING_PER_YEAR)
    words = _words(ageing, fading, resistance, capacity) if enough else (_too_few(len(dated), told, days),)
    return Health(
        rides=len(told),
        days=float(np.ptp(days)) if len(days) else 0.0,
        undated=len(points) - len(dated),
        enough=enough,
        words=" ".join([*words, *_left_out(otherwise_built)]),
        ageing=ageing,
        fading=fading,
        resistance=resistance,
        capacity=capacity,
        spread=trend(days, np.array([point.spread_v for point in told])) if enough else None,
        points=tuple(dated),
    )


def days_of(points: Sequence[HealthPoint]) -> Floats:
    """(points,) days since the first of them."""
    unix_s = np.array([point.unix_s for point in points], float)
    return np.asarray((unix_s - unix_s[0]) / SECONDS_PER_DAY) if len(unix_s) else unix_s


def _stack(rows: Sequence[Floats], series: int) -> Floats:
    return np.array(list(rows)).reshape(-1, series)


def _figure(unit: str, days: Floats, values: Floats, enough: bool) -> Figure:
    """values: (rides, groups)."""
    medians = np.array([middle(row) for row in values])
    latest = last_known(_newest_medians(values)) if len(values) else np.full(values.shape[1], np.nan)
    ratio = latest / middle(latest)
    groups = []
    for place in range(values.shape[1]):
        own = _without_outliers(values[:, place])
        lines = (trend(days, own), _widened(trend(days, own / medians))) if enough else (None, None)
        groups.append(GroupHealth(place + 1, float(latest[place]), float(ratio[place]), *lines))
    return Figure(unit, trend(days, _without_outliers(medians)) if enough else None, tuple(groups))


def _widened(line: Trend | None) -> Trend | None:
    """The scatter of the rides says nothing of what they have in common."""
    if line is None:
        return None
    return replace(line, per_year_sigma=math.hypot(line.per_year_sigma, SYSTEMATIC * line.per_year))


def _newest_medians(values: Floats) -> Floats:
    """(1, groups) median of each group's newest known values, up to five of them."""
    newest = [column[~np.isnan(column)][-5:] for column in values.T]
    return np.array([[middle(some) for some in newest]])


def _without_outliers(values: Floats) -> Floats:
    """A ride in deep frost or with a loose plug is no step in the pack's ageing."""
    changes = values - _running_median(values)
    width = 1.4826 * middle(np.abs(changes))
    if math.isnan(width) or width == 0.0:
        return values
    return np.where(np.abs(changes) > OUTLIER_MADS * width, np.nan, values)


def _running_median(values: Floats, reach: int = 5) -> Floats:
    if not len(values):
        return values
    padded = np.concatenate([np.full(reach, np.nan), values, np.full(reach, np.nan)])
    return median_rows(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).T)


def _beyond(figure: Figure, per_year: float) -> tuple[int, ...]:
    """Groups whose ratio moves further than `per_year` in its direction, and surely so."""
    found = []
    for group in figure.groups:
        line = group.against_others
        if line is None or not _told(group):
            continue
        towards = line.per_year * math.copysign(1.0, per_year)
        if towards > abs(per_year) and towards > SIGMAS * line.per_year_sigma:
            found.append(group.group)
    return tuple(found)


def _too_few(dated: int, told: Sequence[HealthPoint], days: Floats) -> str:
    if dated >= ENOUGH_RIDES and not told:
        return (
            f"In none of {dated} rides is the resistance at 25 °C known: that takes a current and a temperature sensor."
        )
    over = float(np.ptp(days)) if len(days) else 0.0
    return f"Not enough rides yet: {len(told)} of {ENOUGH_RIDES}, over {over:.0f} of {ENOUGH_DAYS:.0f} days."


def _left_out(rides: int) -> Iterator[str]:
    if rides == 1:
        yield "One ride of this pack as it was built before is left out."
    elif rides:
        yield f"{rides} rides of this pack as it was built before are left out."


def _words(ageing: tuple[int, ...], fading: tuple[int, ...], resistance: Figure, capacity: Figure) -> Iterator[str]:
    """One sentence or two a group, the one that changes first."""
    for group in ageing:
        yield (
            f"Group {group} ages faster than the others: {_yearly(resistance, group)} a year more resistance against "
            f"them, now {resistance.groups[group - 1].ratio:.2f} times the median. Look at its joints, then at its "
            "cells."
        )
    for group in fading:
        yield (
            f"Group {group} loses capacity faster than the others: {_yearly(capacity, group)} a year against them. "
            "It is empty first."
        )
    for one in resistance.groups:
        if one.ratio >= RESISTS and one.group not in ageing:
            yield f"Group {one.group} resists {one.ratio:.2f} times the median: look at its joints, then at its cells."
    for one in capacity.groups:
        if one.ratio <= HOLDS and one.group not in fading:
            yield f"Group {one.group} holds {100 * (1 - one.ratio):.0f} % less than the median: it is empty first."
    if not (ageing or fading):
        yield f"No group is seen to get worse faster than the others{_unseen(resistance)}."
    if not any(_told(one) for one in capacity.groups):
        yield (
            "Of capacity too little is known: it takes rides that draw a quarter of the charge and end with two "
            "minutes of rest."
        )


def _told(group: GroupHealth) -> bool:
    return group.against_others is not None and group.against_others.rides >= ENOUGH_RIDES


def _unseen(resistance: Figure) -> str:
    """How fast a group may get worse before it is told, where the rides do not show `AGEING_PER_YEAR` yet."""
    sigmas = [one.against_others.per_year_sigma for one in resistance.groups if one.against_others is not None]
    least = SIGMAS * max(sigmas, default=math.inf)
    if math.isinf(least):
        return ", but of too few rides is their resistance known"
    if least <= AGEING_PER_YEAR:
        return ""
    return f", but less than {100 * least:.0f} % a year more resistance would not show yet"


def _yearly(figure: Figure, group: int) -> str:
    line = figure.groups[group - 1].against_others
    assert line is not None
    digits = 0 if line.per_year_sigma >= 0.01 else 1
    return f"{100 * abs(line.per_year):.{digits}f} ± {100 * line.per_year_sigma:.{digits}f} %"

"""What a pack loses while nobody draws from it. Law: groups are held against one another, since after a ride or a
charge the whole pack's voltage drifts for hours; a loss is told only where it is larger than the readings' steps, and
"alike" only where the curve is steep enough to show one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sagwise_daemon.domain.estimate.settings import FLAT_SLOPE
from sagwise_daemon.domain.model import Floats, Pack
from sagwise_daemon.domain.pack.chemistry import OcvCurve
from sagwise_daemon.domain.ride.recorded import Recorded, calm_current, middle

# Common practice, no published source.
CALM_C = 0.05  # electronics that are on and the sensor's offset, not a load
EDGE_S = 60.0  # of a record, at either end
STANDING_EDGE_S = 1800.0
LEAST_HOURS = 12.0
CHARGED_V = 0.02  # the pack as a whole is higher than before: somebody charged it
DRAWN_V = 0.02  # lower than at the end of a ride, after which voltages recover: something drew from the whole pack
LOSING_V = 0.008  # more than the others: two steps of a coarse sensor, and what groups relax differently
LOSING_SIGMAS = 3.0
LEAST_GROUPS = 3  # of two, each is as far from their middle as the other
UNSEEN_SHARE = 0.03  # of a full group: less is no loss that a ride would show
# Where the curve is flat, a group that a charger brought above this settles for hours, each at its own pace: one at
# 3.6 V loses 0.25 V and hardly any charge.
SETTLING_SOC = 0.98
HOURS_PER_DAY = 24.0


@dataclass(frozen=True, slots=True)
class GroupLoss:
    """loss_soc_per_day: as a share of a full group, by the cell's curve; NaN where unknown."""

    group: int
    loss_v: float
    loss_v_per_day: float
    loss_soc_per_day: float


@dataclass(frozen=True, slots=True)
class SelfDischarge:
    """From one moment at rest to a later one. losing: groups that lost clearly more than the others.

    from_ride_id: the record that the first moment belongs to, None where both are of one record.
    """

    from_ride_id: int | None
    hours: float
    median_loss_v_per_day: float
    groups: tuple[GroupLoss, ...]
    losing: tuple[int, ...]
    words: str


def calm_v(record: Recorded, edge_s: float = EDGE_S) -> tuple[Floats, Floats]:
    """(groups,) median voltage without load within `edge_s` of the start and of the end; NaN where there is none."""
    readings = record.readings
    current_a = calm_current(readings)
    calm = ~(np.abs(current_a) > CALM_C * record.pack.capacity_ah)
    rows = np.flatnonzero(~calm)
    first_load = int(rows[0]) if len(rows) else len(calm)
    last_load = int(rows[-1]) if len(rows) else -1
    place = np.arange(len(calm))
    start = (readings.time_s <= readings.time_s[0] + edge_s) & (place < first_load)
    end = (readings.time_s >= readings.time_s[-1] - edge_s) & (place > last_load)
    found = [np.array([middle(column) for column in readings.group_v[which].T]) for which in (start, end)]
    return found[0], found[1]


def within(record: Recorded) -> SelfDischarge | None:
    """What was lost from the beginning of a standing record to its end; None where it was too short."""
    hours = float(record.readings.time_s[-1] - record.readings.time_s[0]) / 3600.0
    start_v, end_v = calm_v(record, STANDING_EDGE_S)
    return between(record.pack, start_v, end_v, hours)


def between(
    pack: Pack,
    before_v: Floats,
    after_v: Floats,
    hours: float,
    from_ride_id: int | None = None,
    *,
    after_ride: bool = False,
) -> SelfDischarge | None:
    """What was lost between two moments at rest, (groups,) each; None where nothing can be said.

    after_ride: the first moment is a ride's end. Nothing can be said of less than `LEAST_HOURS`, without
    `LEAST_GROUPS` that are known at both moments and do not settle from a charge, and of a pack that was charged in
    between, or drawn from as a whole: a group of less capacity falls further then, and does not leak.
    """
    curve = OcvCurve(pack.cell.ocv_soc, pack.cell.ocv_v)
    if not after_ride and curve.mean_slope < FLAT_SLOPE:
        before_v = np.where(before_v > curve.volts(np.array(SETTLING_SOC)), np.nan, before_v)
    loss_v = before_v - after_v
    known = loss_v[~np.isnan(loss_v)]
    if hours < LEAST_HOURS or len(known) < LEAST_GROUPS or np.median(known) < -CHARGED_V:
        return None
    if after_ride and np.median(known) > DRAWN_V:
        return None
    days, median_v = hours / HOURS_PER_DAY, float(np.median(known))
    lost = np.where(np.isnan(loss_v), np.nan, curve.soc(before_v) - curve.soc(after_v))
    columns = np.column_stack([loss_v, loss_v / days, lost / days])
    least_v = _least_v(loss_v - median_v)
    losing = tuple((np.flatnonzero(loss_v - median_v > least_v) + 1).tolist())
    unseen = curve.soc(after_v) - curve.soc(after_v - least_v)
    return SelfDischarge(
        from_ride_id,
        hours,
        median_v / days,
        tuple(GroupLoss(number, *row) for number, row in enumerate(columns.tolist(), 1)),
        losing,
        _words(losing, (loss_v - median_v) / days, float(np.nanmax(np.where(np.isnan(loss_v), np.nan, unseen)))),
    )


def _least_v(more_v: Floats) -> float:
    """What a group must lose more than the others: over `LOSING_V` and over three robust standard deviations of all
    (1.4826 times the MAD)."""
    return max(LOSING_V, LOSING_SIGMAS * 1.4826 * middle(np.abs(more_v)))


def _words(losing: tuple[int, ...], more_v_per_day: Floats, unseen: float) -> str:
    """unseen: the share of its charge that a group may have lost more than the others without falling far enough."""
    if not losing and unseen > UNSEEN_SHARE:
        return (
            "No group falls clearly faster than the others, but at these voltages one may have lost "
            f"{100 * unseen:.0f} % more of its charge unseen. Look which group is full last at the next charge."
        )
    if not losing:
        return "All groups hold their charge alike."
    groups = ("Group " if len(losing) == 1 else "Groups ") + ", ".join(map(str, losing))
    most_mv = 1000.0 * max(float(more_v_per_day[group - 1]) for group in losing)
    verb = "loses" if len(losing) == 1 else "lose"
    return (
        f"{groups} {verb} up to {most_mv:.1f} mV a day more than the others: a leaking cell, or a load on that tap. "
        "Do not charge it unwatched until you know which."
    )

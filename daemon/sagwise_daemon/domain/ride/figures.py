"""Everything worth knowing about a record that is over. Law: measured figures from the samples, estimates from what
the bike estimated then; NaN where neither says.

Windows, currents and what makes a group stand out are common practice, no published source, unless said otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sagwise_daemon.domain.alarm.yardstick import ON_DELAY_S, Buzzer
from sagwise_daemon.domain.model import AlarmEvent, AlarmState, Floats, Readings
from sagwise_daemon.domain.pack.chemistry import OcvCurve
from sagwise_daemon.domain.ride.capacity import capacities
from sagwise_daemon.domain.ride.charging import Charged, charged
from sagwise_daemon.domain.ride.kinds import CHARGE, STANDING
from sagwise_daemon.domain.ride.recorded import (
    Recorded,
    at_25c,
    first_known,
    last_known,
    middle,
    spread,
    warmth_c,
)
from sagwise_daemon.domain.ride.standing import SelfDischarge, calm_v, within
from sagwise_daemon.domain.ride.summary import SECONDS_PER_HOUR, Summary, pack_volts, running_total
from sagwise_daemon.domain.ride.weakest import Weakest, weakest

SAG_C = 2.0  # sag is stated at twice the capacity: most rides hold that for a while, and every ride of a pack the same
SAG_WITHIN = 0.1
SAG_ROWS = 10
RULE = "rest_low"


@dataclass(frozen=True, slots=True)
class GroupFigures:
    """One group of one record; NaN where unknown.

    sag_v: rest minus loaded voltage at `sag_current_a`. resistance_ratio: at 25 degC to the pack's median; as it was
    where no temperature is known, for all groups share it. resistance_before_ratio: to the median of the earlier rides.
    capacity_ah: what it would hold from full to empty. calm_start_v, calm_end_v: measured without load at either end of
    the record.
    """

    group: int
    loaded_min_v: float
    rest_min_v: float
    rest_start_v: float
    rest_end_v: float
    sag_v: float
    resistance_mohm: float
    resistance_25c_mohm: float
    resistance_ratio: float
    resistance_before_ratio: float
    capacity_ah: float
    capacity_sigma_ah: float
    calm_start_v: float
    calm_end_v: float


@dataclass(frozen=True, slots=True)
class SensorFigures:
    """One temperature sensor."""

    sensor: int
    low_c: float
    high_c: float
    mean_c: float


@dataclass(frozen=True, slots=True)
class RaisedAlarm:
    """How often a rule was raised, when first, and for which groups."""

    rule: str
    priority: str
    count: int
    first_s: float
    groups: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class PlainBuzzer:
    """What a buzzer with one fixed threshold on the lowest loaded voltage would have done.

    before_low: how often it would have sounded before any group was low at rest, or without.
    """

    limit_v: float
    on_delay_s: float
    sounded: int
    first_s: float
    before_low: int


@dataclass(frozen=True, slots=True)
class RideSummary:
    """The whole record. Energy and charge are net, discharge positive; energy_out_wh and energy_in_wh its two parts,
    both positive. current_max_*: highest mean over so long. earlier_rides: how many `resistance_before_ratio` is of.
    """

    kind: str
    duration_s: float
    samples: int
    distance_m: float
    charge_ah: float
    energy_wh: float
    energy_out_wh: float
    energy_in_wh: float
    wh_per_km: float
    wh_per_min: float
    current_max_1s_a: float
    current_max_10s_a: float
    current_max_60s_a: float
    loaded_min_v: float
    rest_min_v: float
    sag_current_a: float
    resistance_median_25c_mohm: float
    rest_spread_start_v: float
    rest_spread_end_v: float
    earlier_rides: int
    groups: tuple[GroupFigures, ...]
    weakest: Weakest | None
    temperatures: tuple[SensorFigures, ...]
    alarms: tuple[RaisedAlarm, ...]
    plain_buzzer: PlainBuzzer | None
    charge: Charged | None
    standing: SelfDischarge | None
    since_before: SelfDischarge | None = None


def summarise(
    record: Recorded, kind: str, earlier_25c_mohm: Sequence[Floats] = (), since_before: SelfDischarge | None = None
) -> RideSummary:
    """The summary. earlier_25c_mohm: (groups,) of each earlier ride of the same pack."""
    readings = record.readings
    totals = Summary(record.pack.series)
    totals.readings(readings)
    groups = _groups(record, totals.loaded_min_v, earlier_25c_mohm)
    power_w = readings.current_a * pack_volts(readings.group_v)
    km, minutes = totals.distance_m / 1000.0, totals.duration_s / 60.0
    return RideSummary(
        kind=kind,
        duration_s=totals.duration_s,
        samples=totals.samples,
        distance_m=totals.distance_m,
        charge_ah=totals.charge_ah,
        energy_wh=totals.energy_wh,
        energy_out_wh=_total(readings.time_s, np.maximum(power_w, 0.0)) / SECONDS_PER_HOUR,
        energy_in_wh=_total(readings.time_s, np.maximum(-power_w, 0.0)) / SECONDS_PER_HOUR,
        wh_per_km=totals.energy_wh / km if km >= 0.1 else math.nan,
        wh_per_min=totals.energy_wh / minutes if minutes >= 0.1 else math.nan,
        **{f"current_max_{span}s_a": highest_mean(readings, float(span)) for span in (1, 10, 60)},
        loaded_min_v=_lowest(totals.loaded_min_v),
        rest_min_v=_lowest(np.array([one.rest_min_v for one in groups])),
        sag_current_a=SAG_C * record.pack.capacity_ah,
        resistance_median_25c_mohm=middle(np.array([one.resistance_25c_mohm for one in groups])),
        rest_spread_start_v=spread(np.array([one.rest_start_v for one in groups])),
        rest_spread_end_v=spread(np.array([one.rest_end_v for one in groups])),
        earlier_rides=len(earlier_25c_mohm),
        groups=groups,
        weakest=_weakest(groups, OcvCurve(record.pack.cell.ocv_soc, record.pack.cell.ocv_v)),
        temperatures=tuple(_temperatures(readings.temperature_c)),
        alarms=tuple(raised(record.events)),
        plain_buzzer=_buzzer(record),
        charge=charged(record) if kind == CHARGE else None,
        standing=within(record) if kind == STANDING else None,
        since_before=since_before,
    )


def highest_mean(readings: Readings, span_s: float) -> float:
    """Highest mean discharge current over any `span_s` of the ride; NaN where it is shorter or nothing is measured."""
    running = running_total(readings.time_s, readings.current_a)
    known = ~np.isnan(running)
    time_s, charge = readings.time_s[known], running[known]
    if not len(time_s) or time_s[-1] - time_s[0] < span_s:
        return math.nan
    starts = time_s[time_s <= time_s[-1] - span_s]
    after = np.interp(starts + span_s, time_s, charge) - charge[: len(starts)]
    ends = time_s[time_s >= time_s[0] + span_s]
    before = charge[len(time_s) - len(ends) :] - np.interp(ends - span_s, time_s, charge)
    return float(max(after.max(), before.max()) / span_s)


def raised(events: Sequence[tuple[float, AlarmEvent]]) -> list[RaisedAlarm]:
    """Each rule that was raised, in the order of its first time."""
    found: dict[str, list[tuple[float, AlarmEvent]]] = {}
    for at_s, event in events:
        if event.to is AlarmState.UNACKNOWLEDGED:
            found.setdefault(event.rule, []).append((at_s, event))
    return [
        RaisedAlarm(
            rule,
            times[0][1].priority.value,
            len(times),
            times[0][0],
            tuple(sorted({event.group for _, event in times if event.group is not None})),
        )
        for rule, times in found.items()
    ]


def resistances(record: Recorded) -> tuple[Floats, Floats]:
    """(groups,) the last known 1 s resistance, as it was and at 25 degC."""
    if record.estimates is None:
        nothing = np.full(record.pack.series, np.nan)
        return nothing, nothing
    now = record.estimates.resistance_mohm
    return last_known(now), last_known(at_25c(now, warmth_c(record.readings, record.estimates.time_s)))


def sag_v(record: Recorded, current_a: float) -> Floats:
    """(groups,) median of rest minus loaded voltage while the current is within a tenth of `current_a`."""
    found = np.full(record.pack.series, np.nan)
    readings, estimates = record.readings, record.estimates
    near = np.abs(readings.current_a - current_a) <= SAG_WITHIN * current_a
    if estimates is None or near.sum() < SAG_ROWS:
        return found
    time_s, loaded_v = readings.time_s[near], readings.group_v[near]
    for group in range(record.pack.series):
        known = ~np.isnan(estimates.rest_v[:, group])
        if known.any():
            rest_v = np.interp(time_s, estimates.time_s[known], estimates.rest_v[known, group])
            found[group] = middle(rest_v - loaded_v[:, group])
    return found


def _groups(record: Recorded, loaded_min_v: Floats, earlier_25c_mohm: Sequence[Floats]) -> tuple[GroupFigures, ...]:
    series = record.pack.series
    rest_v = np.full((1, series), np.nan) if record.estimates is None else record.estimates.rest_v
    now, at_25 = resistances(record)
    before = np.full(series, np.nan)
    if len(earlier_25c_mohm):
        before = np.array([middle(column) for column in np.stack(earlier_25c_mohm).T])
    against = now if np.isnan(at_25).all() else at_25
    capacity_ah, capacity_sigma_ah = capacities(record)
    columns = (
        loaded_min_v,
        np.fmin.reduce(rest_v, axis=0),
        first_known(rest_v),
        last_known(rest_v),
        sag_v(record, SAG_C * record.pack.capacity_ah),
        now,
        at_25,
        _ratio(against, middle(against)),
        _ratio(at_25, before),
        capacity_ah,
        capacity_sigma_ah,
        *calm_v(record),
    )
    return tuple(GroupFigures(number, *row) for number, row in enumerate(np.column_stack(columns).tolist(), 1))


def _ratio(values: Floats, to: Floats | float) -> Floats:
    """NaN where there is nothing to hold a value against."""
    return values / np.where(np.asarray(to) > 0.0, to, np.nan)


def _weakest(groups: Sequence[GroupFigures], curve: OcvCurve) -> Weakest | None:
    rest_end_v = np.array([one.rest_end_v for one in groups])
    return weakest(
        np.array([one.resistance_ratio for one in groups]),
        rest_end_v,
        curve.soc(rest_end_v),
        np.array([one.capacity_ah for one in groups]),
        np.array([one.capacity_sigma_ah for one in groups]),
    )


def _temperatures(temperature_c: Floats) -> list[SensorFigures]:
    found = []
    for number, column in enumerate(temperature_c.T, 1):
        known = column[~np.isnan(column)]
        if len(known):
            found.append(SensorFigures(number, float(known.min()), float(known.max()), float(known.mean())))
    return found


def _buzzer(record: Recorded) -> PlainBuzzer | None:
    rule = record.pack.rules.get(RULE)
    if rule is None or rule.limit is None:
        return None
    sounded = Buzzer(record.readings.time_s, record.readings.group_v).sounded(rule.limit)
    low_s = min((at for at, event in record.events if _is_low(event)), default=math.inf)
    return PlainBuzzer(
        rule.limit,
        ON_DELAY_S,
        len(sounded),
        sounded[0][0] if sounded else math.nan,
        sum(at < low_s for at, _ in sounded),
    )


def _is_low(event: AlarmEvent) -> bool:
    return event.rule == RULE and event.to is AlarmState.UNACKNOWLEDGED


def _total(time_s: Floats, value: Floats) -> float:
    running = running_total(time_s, value)
    return float(running[-1]) if len(running) else math.nan


def _lowest(values: Floats) -> float:
    return float(np.fmin.reduce(values))

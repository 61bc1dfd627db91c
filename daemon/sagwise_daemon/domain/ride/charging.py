"""A charge, looked at afterwards. Law: energy and charge that went in are positive here; a group is full when it was
measured full, and held it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.ride.recorded import Recorded, calm_current, spread
from sagwise_daemon.domain.ride.summary import SECONDS_PER_HOUR, pack_volts, running_total

CHARGING_C = 0.02  # less than this is a charger that only holds, or an offset of the sensor
FULL_BELOW_V = 0.02  # under the cell's full voltage: chargers stop within their own tolerance
FULL_HELD_S = 10.0
CALM_S = 30.0  # that the current is averaged over: a charge lasts for hours, a sensor's noise does not
EDGE_S = 10.0  # and at its ends over so long
END_S = 30.0  # of charging at its end that the spread is taken over
TIE_S = 30.0  # groups full within this of one another are full together


@dataclass(frozen=True, slots=True)
class GroupCharged:
    """end_v: at the end of the charge, under its current. full_s: when it was full; NaN where it never was."""

    group: int
    end_v: float
    full_s: float


@dataclass(frozen=True, slots=True)
class Charged:
    """A charge. duration_s: of the charger's current, to within `EDGE_S` or two. end_spread_v: highest minus lowest
    group at its end. first_full, last_full: groups that were full first and last; those that never were come last, and
    both are empty where no group was full.
    """

    duration_s: float
    charge_ah: float
    energy_wh: float
    current_max_a: float
    end_spread_v: float
    end_low_v: float
    end_high_v: float
    first_full: tuple[int, ...]
    last_full: tuple[int, ...]
    groups: tuple[GroupCharged, ...]


def charged(record: Recorded) -> Charged:
    """The charge of a record of that kind."""
    readings, pack = record.readings, record.pack
    charging = _charging(record)
    rows = np.flatnonzero(charging)
    first, last = (int(rows[0]), int(rows[-1])) if len(rows) else (0, len(readings) - 1)
    time_s, current_a = readings.time_s[first : last + 1], readings.current_a[first : last + 1]
    group_v = readings.group_v[first : last + 1]
    end = (time_s >= time_s[-1] - END_S) & charging[first : last + 1]
    end_v = np.array([_median(column) for column in group_v[end if end.any() else slice(-1, None)].T])
    full_s = np.array([_full_s(time_s, column, pack.cell.full_v - FULL_BELOW_V) for column in group_v.T])
    first_full, last_full = _order(full_s)
    power_w = readings.current_a * pack_volts(readings.group_v)
    return Charged(
        duration_s=float(time_s[-1] - time_s[0]),
        charge_ah=-float(running_total(readings.time_s, readings.current_a)[-1]) / SECONDS_PER_HOUR,
        energy_wh=-float(running_total(readings.time_s, power_w)[-1]) / SECONDS_PER_HOUR,
        current_max_a=float(np.fmax.reduce(-current_a)),
        end_spread_v=spread(end_v),
        end_low_v=float(np.fmin.reduce(end_v)),
        end_high_v=float(np.fmax.reduce(end_v)),
        first_full=first_full,
        last_full=last_full,
        groups=tuple(GroupCharged(n, *row) for n, row in enumerate(np.column_stack([end_v, full_s]).tolist(), 1)),
    )


def _charging(record: Recorded) -> NDArray[np.bool_]:
    """(rows,) whether the charger drove current; where none is measured, every row."""
    current_a, least_a = record.readings.current_a, CHARGING_C * record.pack.capacity_ah
    if np.isnan(current_a).all():
        return np.ones(len(current_a), np.bool_)
    long_a, short_a = (calm_current(record.readings, over_s) for over_s in (CALM_S, EDGE_S))
    return np.asarray((long_a < -least_a) & (short_a < np.minimum(-least_a, 0.5 * long_a)))


def _full_s(time_s: Floats, volts: Floats, full_v: float) -> float:
    """When `volts` first reached `full_v` and held it, readings that are missing left out; NaN where never."""
    known = ~np.isnan(volts)
    time_s, above = time_s[known], volts[known] >= full_v
    edges = np.flatnonzero(np.diff(above, prepend=False, append=False)).reshape(-1, 2)
    for begin, after in edges.tolist():
        ends_s = time_s[min(after, len(time_s) - 1)]
        if ends_s - time_s[begin] >= FULL_HELD_S:
            return float(time_s[begin])
    return math.nan


def _order(full_s: Floats) -> tuple[tuple[int, ...], tuple[int, ...]]:
    known = full_s[~np.isnan(full_s)]
    if not len(known):
        return (), ()
    never = np.isnan(full_s)
    first = np.flatnonzero(full_s <= known.min() + TIE_S)
    last = np.flatnonzero(never) if never.any() else np.flatnonzero(full_s >= known.max() - TIE_S)
    if not never.any() and known.max() - known.min() <= TIE_S:
        last = np.arange(len(full_s))
    return tuple((first + 1).tolist()), tuple((last + 1).tolist())


def _median(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) else math.nan

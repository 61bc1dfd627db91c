"""A ride's running totals, over tables. Law: those of `domain.ride.summary`, and by pieces the same as by the
whole.

The summary there counts reading by reading and cannot go back; here a failed commit must leave no trace and a ride
is taken up again after a crash, so totals are values and a table advances them at once. A test holds the two
together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.ride.summary import HOLD_S, LINK_S, SECONDS_PER_HOUR, SLACK_S
from sagwise_daemon.io.store.codec import Bools
from sagwise_daemon.io.store.columns import CURRENT, DISTANCE, GROUP, REST, TEMPERATURE, Table, join


@dataclass(frozen=True, slots=True)
class Totals:
    """Figures of the ride so far, None where nothing was measured; as in `ports.Ride`."""

    duration_s: float = 0.0
    samples: int = 0
    temperatures: int = 0
    energy_wh: float | None = None
    charge_ah: float | None = None
    distance_m: float | None = None
    current_max_a: float | None = None
    loaded_min_v: float | None = None
    rest_min_v: float | None = None


def tail_of(table: Table) -> Table:
    """The rows from which the next table goes on: the last one, and the last ones with current, power and
    distance.
    """
    current, power, distance = _series(table)
    ends = {int(known[-1]) for known in map(np.flatnonzero, map(_known, (current, power, distance))) if known.size}
    return table.rows_at(sorted(ends | {table.rows - 1}))


def advance(totals: Totals, tail: Table | None, table: Table) -> tuple[Totals, Table]:
    """Totals and tail after a table of samples that follows `tail`."""
    joined = table if tail is None else join([tail, table])
    new = np.arange(joined.rows) >= joined.rows - table.rows
    current, power, distance = _series(joined)
    time_s = joined.time_us / 1e6
    charge_as, energy_ws = _integral(time_s, current, new), _integral(time_s, power, new)
    after = replace(
        totals,
        duration_s=float(time_s[-1]),
        samples=totals.samples + table.rows,
        temperatures=max(totals.temperatures, table.block(TEMPERATURE).values.shape[0]),
        charge_ah=_plus(totals.charge_ah, None if charge_as is None else charge_as / SECONDS_PER_HOUR),
        energy_wh=_plus(totals.energy_wh, None if energy_ws is None else energy_ws / SECONDS_PER_HOUR),
        distance_m=_plus(totals.distance_m, _risen(distance, new)),
        current_max_a=_highest(totals.current_max_a, table.floats(CURRENT)),
        loaded_min_v=_lowest(totals.loaded_min_v, table.floats(GROUP)),
    )
    return after, tail_of(joined)


def advance_rest(totals: Totals, estimates: Table) -> Totals:
    """Totals after a table of estimates."""
    return replace(totals, rest_min_v=_lowest(totals.rest_min_v, estimates.floats(REST)))


def _series(table: Table) -> tuple[Floats, Floats, Floats]:
    """(rows,) current in A, power in W and distance in m."""
    current = table.floats(CURRENT)[0]
    return current, current * _pack_v(table.floats(GROUP)), table.floats(DISTANCE)[0]


def _pack_v(group_v: Floats) -> Floats:
    """Sum over the groups; a group without a reading counts as the mean of the others."""
    valid = _known(group_v)
    count = valid.sum(axis=0)
    mean = np.where(valid, group_v, 0.0).sum(axis=0) / np.maximum(count, 1)
    return np.where(count > 0, mean * len(group_v), np.nan)


def _integral(time_s: Floats, value: Floats, new: Bools) -> float | None:
    """Value-seconds of the spans that end in a new row; None where no new row has a value."""
    known = np.flatnonzero(_known(value))
    if not known.size or not new[known[-1]]:
        return None
    span = np.diff(time_s[known])
    reach = np.where(np.diff(known) > 1, HOLD_S, LINK_S) + SLACK_S
    first, last = value[known[:-1]], value[known[1:]]
    counted = np.where(span <= reach, 0.5 * (first + last) * span, first * HOLD_S)
    return float(counted[new[known[1:]]].sum())


def _risen(distance: Floats, new: Bools) -> float | None:
    """Metres by which a counter rose, over its restarts; None where no new row has it."""
    known = np.flatnonzero(_known(distance))
    if not known.size or not new[known[-1]]:
        return None
    rises = np.maximum(np.diff(distance[known]), 0.0)
    return float(rises[new[known[1:]]].sum())


def _known(values: Floats) -> Bools:
    known: Bools = ~np.isnan(values)
    return known


def _plus(total: float | None, more: float | None) -> float | None:
    if more is None:
        return total
    return more if total is None else total + more


def _highest(old: float | None, values: Floats) -> float | None:
    known = values[_known(values)]
    if not known.size:
        return old
    return float(known.max()) if old is None else max(old, float(known.max()))


def _lowest(old: float | None, values: Floats) -> float | None:
    highest = _highest(None if old is None else -old, -values)
    return None if highest is None else -highest

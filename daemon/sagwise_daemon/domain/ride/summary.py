"""Running totals of a ride. Law: only what was measured is counted; where nothing was, the total is unknown.

Current and power run straight from one measured reading to the next. Where readings are further apart than a lost
link, or rows in between lack the current for longer than `HOLD_S`, the last value holds for `HOLD_S` and nothing
is counted of the rest. Readings are counted one by one or many at once, with the same result to the last bit.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.model import Estimate, Estimates, Floats, Reading, Readings

HOLD_S = 0.5
LINK_S = 1.0  # readings up to this far apart follow one another
SLACK_S = 1e-6  # the wire's step of time: 0.3 − 0.2 is not 0.1
SECONDS_PER_HOUR = 3600.0


class Integral:
    """Sum of a value over time in value-seconds; `total` is NaN until a value is known."""

    def __init__(self) -> None:
        self.total = math.nan
        self._last_s = self._last = math.nan
        self._blank = False

    def add(self, time_s: Floats, value: Floats) -> None:
        """The next readings' values, NaN where not known; (rows,) each."""
        known = np.flatnonzero(~np.isnan(value))
        if not len(known):
            self._blank = True
            return
        times, values, places = time_s[known], value[known], known
        if math.isnan(self.total):
            self.total = 0.0
        else:
            times, values = np.append(self._last_s, times), np.append(self._last, values)
            places = np.append(-2 if self._blank else -1, known)
        self.total = _sum(self.total, _parts(np.diff(times), values, np.diff(places) > 1))
        self._last_s, self._last, self._blank = float(times[-1]), float(values[-1]), int(known[-1]) < len(value) - 1


def _parts(span_s: Floats, values: Floats, blank: NDArray[np.bool_]) -> Floats:
    """What each span between two of `values` adds; blank: (spans,) whether rows without a value lie within it."""
    bridged = span_s <= np.where(blank, HOLD_S, LINK_S) + SLACK_S
    return np.where(bridged, 0.5 * (values[:-1] + values[1:]) * span_s, values[:-1] * HOLD_S)


def _sum(before: float, parts: Floats) -> float:
    """One after another: `np.sum` adds in pairs, so that its rounding depends on how many come at once."""
    return float(np.cumsum(np.append(before, parts))[-1])


class Summary:
    """Totals so far; every one NaN where unknown. Energy and charge are net, discharge positive.

    loaded_min_v, rest_min_v: (groups,), the lowest of each group. current_max_a: highest discharge current.
    distance_m: what the counter rose by, over its restarts.
    """

    def __init__(self, groups: int) -> None:
        self.samples = 0
        self.duration_s = 0.0
        self.current_max_a = math.nan
        self.distance_m = math.nan
        self.loaded_min_v: Floats = np.full(groups, np.nan)
        self.rest_min_v: Floats = np.full(groups, np.nan)
        self._charge_as, self._energy_ws = Integral(), Integral()
        self._first_s = self._counter_m = math.nan

    @property
    def charge_ah(self) -> float:
        return self._charge_as.total / SECONDS_PER_HOUR

    @property
    def energy_wh(self) -> float:
        return self._energy_ws.total / SECONDS_PER_HOUR

    def reading(self, reading: Reading) -> None:
        """As `readings`, for one."""
        self.readings(Readings.one(reading))

    def readings(self, readings: Readings) -> None:
        """Count readings; they come in the order of their times."""
        if not self.samples:
            self._first_s = float(readings.time_s[0])
        self.samples += len(readings)
        self.duration_s = float(readings.time_s[-1]) - self._first_s
        self.loaded_min_v = np.fmin(self.loaded_min_v, np.fmin.reduce(readings.group_v, axis=0))
        self.current_max_a = float(np.fmax(self.current_max_a, np.fmax.reduce(readings.current_a)))
        self._charge_as.add(readings.time_s, readings.current_a)
        self._energy_ws.add(readings.time_s, readings.current_a * pack_volts(readings.group_v))
        self._travel(readings.distance_m)

    def estimate(self, estimate: Estimate) -> None:
        """As `estimates`, for one."""
        self.estimates(Estimates.of([estimate]))

    def estimates(self, estimates: Estimates) -> None:
        """Count what the estimator made of those readings."""
        self.rest_min_v = np.fmin(self.rest_min_v, np.fmin.reduce(estimates.rest_v, axis=0))

    def _travel(self, counter_m: Floats) -> None:
        known = counter_m[~np.isnan(counter_m)]
        if not len(known):
            return
        before_m = known[0] if math.isnan(self.distance_m) else self._counter_m
        rises = np.maximum(np.diff(known, prepend=before_m), 0.0)
        self.distance_m = _sum(0.0 if math.isnan(self.distance_m) else self.distance_m, rises)
        self._counter_m = float(known[-1])


def running_total(time_s: Floats, value: Floats) -> Floats:
    """(rows,) value-seconds up to each row, as `Integral` counts them; NaN until a value is known."""
    known = np.flatnonzero(~np.isnan(value))
    running = np.full(len(value), np.nan)
    if len(known):
        parts = _parts(np.diff(time_s[known]), value[known], np.diff(known) > 1)
        sums = np.cumsum(np.append(0.0, parts))
        running[known[0] :] = sums[np.searchsorted(known, np.arange(known[0], len(value)), side="right") - 1]
    return running


def running_wh(readings: Readings) -> Floats:
    """(rows,) net energy drawn up to each row, as `Summary.energy_wh` has it; NaN until one is known."""
    power_w = readings.current_a * pack_volts(readings.group_v)
    return np.asarray(running_total(readings.time_s, power_w) / SECONDS_PER_HOUR)


def running_m(counter_m: Floats) -> Floats:
    """(rows,) distance travelled up to each row, over the counter's restarts; NaN until one is known."""
    known = np.flatnonzero(~np.isnan(counter_m))
    running = np.full(len(counter_m), np.nan)
    if len(known):
        sums = np.cumsum(np.append(0.0, np.maximum(np.diff(counter_m[known]), 0.0)))
        running[known[0] :] = sums[np.searchsorted(known, np.arange(known[0], len(counter_m)), side="right") - 1]
    return running


def pack_volts(group_v: Floats) -> Floats:
    """(rows,) voltage of the whole pack from (rows, groups); a group that cannot be read counts as the mean of the
    others. NaN without any.
    """
    volts = np.ascontiguousarray(group_v).mean(axis=1)
    for row in np.flatnonzero(np.isnan(volts)):
        known = group_v[row][~np.isnan(group_v[row])]
        volts[row] = known.mean() if len(known) else np.nan
    return np.asarray(volts * group_v.shape[1])

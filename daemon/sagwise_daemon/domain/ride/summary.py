"""Running totals of a ride. Law: only what was measured is counted; where nothing was, the total is unknown.

Current and power run straight from one measured reading to the next. Where readings are further apart than a lost
link, or rows in between lack the current for longer than `HOLD_S`, the last value holds for `HOLD_S` and nothing
is counted of the rest.
"""

from __future__ import annotations

import math

import numpy as np

from sagwise_daemon.domain.model import Estimate, Floats, Reading

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

    def add(self, time_s: float, value: float) -> None:
        """The next reading's value, NaN where it is not known."""
        if math.isnan(value):
            self._blank = True
            return
        if math.isnan(self.total):
            self.total = 0.0
        else:
            self._count(time_s - self._last_s, value)
        self._last_s, self._last, self._blank = time_s, value, False

    def _count(self, span_s: float, value: float) -> None:
        if span_s <= (HOLD_S if self._blank else LINK_S) + SLACK_S:
            self.total += 0.5 * (self._last + value) * span_s
        else:
            self.total += self._last * HOLD_S


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
        """Count one reading; readings come in the order of their times."""
        if not self.samples:
            self._first_s = reading.time_s
        self.samples += 1
        self.duration_s = reading.time_s - self._first_s
        self.loaded_min_v = np.fmin(self.loaded_min_v, reading.group_v)
        self.current_max_a = _larger(self.current_max_a, reading.current_a)
        self._charge_as.add(reading.time_s, reading.current_a)
        self._energy_ws.add(reading.time_s, reading.current_a * pack_volts(reading.group_v))
        self._travel(reading.distance_m)

    def estimate(self, estimate: Estimate) -> None:
        """Count what the estimator made of that reading."""
        self.rest_min_v = np.fmin(self.rest_min_v, estimate.rest_v)

    def _travel(self, counter_m: float) -> None:
        if math.isnan(counter_m):
            return
        if math.isnan(self.distance_m):
            self.distance_m = 0.0
        else:
            self.distance_m += max(counter_m - self._counter_m, 0.0)
        self._counter_m = counter_m


def pack_volts(group_v: Floats) -> float:
    """Voltage of the whole pack; a group that cannot be read counts as the mean of the others. NaN without any."""
    known = group_v[group_v == group_v]
    return float(known.mean()) * len(group_v) if len(known) else math.nan


def _larger(before: float, value: float) -> float:
    return value if math.isnan(before) or value > before else before

"""What the filters see of a reading. Law: a missing current is held for half a second, never invented after."""

from __future__ import annotations

from math import exp, isfinite, isnan, nan, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.standstill import Standstill
from sagwise_daemon.domain.model import Floats, Readings
from sagwise_daemon.domain.pack.chemistry import resistance_factor

# Steps that differ by less differ by the last digits of a float; what belongs to a step is worked out once.
SAME_S = 1e-9
TAUS_S = (s.TEMPERATURE_TAU_S, s.CURRENT_CHANGE_TAU_S, s.FREEZE_TAU_S, s.REST_TAU_S)


class Moment(NamedTuple):
    """One reading as the filters take it.

    seconds: since the last reading with a current; inf at the first. c: current in C. mean_c: over those seconds.
    change: how far the current moved lately, in C. factor: temperature's factor on resistance. steady: the current
    has not varied, nothing can be learnt about resistance. warm: whether a temperature is measured. calm_c: current
    low-passed over 1 s.
    """

    seconds: float
    c: float
    mean_c: float
    change: float
    factor: float
    steady: bool
    warm: bool
    calm_c: float


class Seen(NamedTuple):
    """Voltages of one reading. valid: (groups,); known: how many are; median: of all groups, if all are valid."""

    time_s: float
    volts: Floats
    valid: NDArray[np.bool_]
    known: int
    median: float

    @property
    def all_valid(self) -> bool:
        return self.known == len(self.volts)


class Unmeasured(NamedTuple):
    """A reading whose current is unknown.

    sensors_c: its mean temperature, NaN without any. c, taken_s, temperature_c: the last known current in C, when that
    was, and the smoothed temperature then; NaN, minus infinity and NaN before the first.
    """

    sensors_c: float
    c: float
    taken_s: float
    temperature_c: float


class Inputs:
    """Remembers the last current, the smoothed temperature and how much the current varies."""

    def __init__(self, capacity_ah: float) -> None:
        self._capacity_ah = capacity_ah
        self.zero = Standstill()
        self._c = nan
        self._measured_at = -np.inf
        self._taken_at = -np.inf
        self._temperature_c = nan
        self._change = 0.0
        self._mean = self._square = self._calm = 0.0
        self._step_s, self._parts = nan, [0.0] * len(TAUS_S)  # what each of `TAUS_S` takes up in a step

    def take(self, readings: Readings, medians_v: list[float]) -> list[Moment | Unmeasured]:
        """The moment of each reading; medians_v: of each reading's groups."""
        sensors_c = _sensors(readings.temperature_c).tolist()
        currents, metres = readings.current_a.tolist(), readings.distance_m.tolist()
        rows = zip(readings.time_s.tolist(), currents, sensors_c, medians_v, metres, strict=True)
        return [self._moment(*row) for row in rows]

    def _moment(
        self, now: float, current_a: float, sensors_c: float, median_v: float, distance_m: float
    ) -> Moment | Unmeasured:
        measured = isfinite(current_a)
        c = self._zeroed(now, current_a, median_v, distance_m) if measured else self._c
        if isnan(c) or (not measured and now - self._measured_at > s.CURRENT_HOLD_S):
            return Unmeasured(sensors_c, self._c, self._taken_at, self._temperature_c)
        seconds = max(now - self._taken_at, 0.0)
        last = c if isnan(self._c) else self._c
        if measured:
            self._measured_at = now
        self._c, self._taken_at = c, now
        if not abs(seconds - self._step_s) < SAME_S:
            self._step_s, self._parts = seconds, [1.0 - exp(-seconds / tau_s) for tau_s in TAUS_S]
        warmed, changed, frozen, rested = self._parts
        if not isnan(sensors_c):
            before_c = sensors_c if isnan(self._temperature_c) else self._temperature_c
            self._temperature_c = before_c + (sensors_c - before_c) * warmed
        self._change = max(abs(c - last), self._change * (1.0 - changed))
        self._calm += (c - self._calm) * rested
        self._mean += (c - self._mean) * frozen
        self._square += (c * c - self._square) * frozen
        unknown = isnan(self._temperature_c)
        factor = resistance_factor(s.ASSUMED_TEMPERATURE_C if unknown else self._temperature_c)
        spread = sqrt(max(self._square - self._mean**2, 0.0))
        return Moment(seconds, c, (c + last) / 2, self._change, factor, spread < s.FREEZE_C, not unknown, self._calm)

    def _zeroed(self, now: float, current_a: float, median_v: float, distance_m: float) -> float:
        """A measured current in C, less the sensor's offset as far as standing still has shown it."""
        raw_c = current_a / self._capacity_ah
        self.zero.add(raw_c, min(now - self._measured_at, s.LONG_GAP_S), median_v, distance_m)
        return raw_c - self.zero.offset_c


def _sensors(temperature_c: Floats) -> Floats:
    """(rows,) mean of those that are known, NaN without any; temperature_c (rows, sensors)."""
    known = np.isfinite(temperature_c)
    total = np.ascontiguousarray(np.where(known, temperature_c, 0.0)).sum(axis=1)
    count = known.sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), nan)

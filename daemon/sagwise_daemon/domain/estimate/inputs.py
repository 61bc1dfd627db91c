"""What the filters see of a reading. Law: a missing current is held for half a second, never invented after."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, isfinite, isnan, nan, sqrt

import numpy as np

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.model import Floats, Reading
from sagwise_daemon.domain.pack.chemistry import resistance_factor


@dataclass(frozen=True, slots=True)
class Moment:
    """One reading as the filters take it.

    seconds: since the last reading with a current; inf at the first. c: current in C. mean_c: over those seconds.
    change: how far the current moved lately, in C. factor: temperature's factor on resistance. crowd: noise
    multiplier where samples come faster than 10 Hz. steady: the current has not varied, nothing can be learnt
    about resistance. warm: whether a temperature is measured. calm_c: current low-passed over 1 s.
    """

    seconds: float
    c: float
    mean_c: float
    change: float
    factor: float
    crowd: float
    steady: bool
    warm: bool
    calm_c: float


class Inputs:
    """Remembers the last current, the smoothed temperature and how much the current varies."""

    def __init__(self, capacity_ah: float) -> None:
        self._capacity_ah = capacity_ah
        self._c = nan
        self._measured_at = -np.inf
        self._taken_at = -np.inf
        self._temperature_c = nan
        self._change = 0.0
        self._mean = self._square = self._calm = 0.0

    def take(self, reading: Reading) -> Moment | None:
        """The moment of this reading, or None while its current is unknown."""
        now = reading.time_s
        measured = isfinite(reading.current_a)
        c = reading.current_a / self._capacity_ah if measured else self._c
        if isnan(c) or (not measured and now - self._measured_at > s.CURRENT_HOLD_S):
            return None
        seconds = max(now - self._taken_at, 0.0)
        last = c if isnan(self._c) else self._c
        if measured:
            self._measured_at = now
        self._c, self._taken_at = c, now
        self._warm(reading.temperature_c, seconds)
        self._vary(c, c - last, seconds)
        unknown = isnan(self._temperature_c)
        factor = resistance_factor(s.ASSUMED_TEMPERATURE_C if unknown else self._temperature_c)
        crowd = max(1.0, s.NOMINAL_STEP_S / max(seconds, 1e-3))
        spread = sqrt(max(self._square - self._mean**2, 0.0))
        return Moment(
            seconds, c, (c + last) / 2, self._change, factor, crowd, spread < s.FREEZE_C, not unknown, self._calm
        )

    def _warm(self, sensors: Floats, seconds: float) -> None:
        known = sensors[np.isfinite(sensors)]
        if not len(known):
            return
        mean = float(known.sum()) / len(known)
        if isnan(self._temperature_c):
            self._temperature_c = mean
        self._temperature_c += (mean - self._temperature_c) * (1.0 - exp(-seconds / s.TEMPERATURE_TAU_S))

    def _vary(self, c: float, moved: float, seconds: float) -> None:
        self._change = max(abs(moved), self._change * exp(-seconds / s.CURRENT_CHANGE_TAU_S))
        part = 1.0 - exp(-seconds / s.FREEZE_TAU_S)
        self._calm += (c - self._calm) * (1.0 - exp(-seconds / s.REST_TAU_S))
        self._mean += (c - self._mean) * part
        self._square += (c * c - self._square) * part

"""Where a ride begins and ends. Law: a ride is kept by itself, and rather one too many than one too few.

Under way means one of: discharge current above `begin_current_a`; the distance counter moving; or, where current
is not measured, the groups' common voltage dropping as under a load. Under way for `begin_after_s`, a ride begins;
nothing of it for `end_after_s`, it ends; no sample for `link_end_s`, it ended with the last one. Charging is not
riding. A reboot of the board ends nothing.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from sagwise_daemon.domain.model import Reading

# A wheel turned by hand or one stray pulse is no ride; at walking pace this takes two seconds.
MOVED_M = 2.0
MOVED_WITHIN_S = 3.0

# How far the groups' median must lie below its highest of the last seconds. Noise of the wire's order (2 mV) on
# one group alone spans about 10 mV; packs of usual cells sag 20 mV from 0.3C up. Common practice, no published
# source.
SAG_V = 0.020
SAG_WITHIN_S = 5.0

# What begins a ride may pause this long: a gear, a clutch, a rut.
PAUSE_S = 0.5


@dataclass(frozen=True, slots=True)
class RideSettings:
    """When a ride begins and ends. preroll_s: how much before the first movement the recorder adds to it."""

    begin_current_a: float = 2.0
    begin_after_s: float = 1.0
    end_after_s: float = 180.0
    link_end_s: float = 60.0
    preroll_s: float = 10.0


@dataclass(frozen=True, slots=True)
class Begin:
    """A ride has begun; when it was first under way, in readings' `time_s`."""

    time_s: float


@dataclass(frozen=True, slots=True)
class End:
    """The ride is over. ended_by: "standstill" (time_s: now) or "link" (time_s: its last sample)."""

    time_s: float
    ended_by: str


class RideBounds:
    """Watches readings and silences."""

    def __init__(self, settings: RideSettings) -> None:
        self.settings = settings
        self.riding = False
        self._last_s = -math.inf
        self._started_s: float | None = None
        self._active_s = -math.inf
        self._motion = _Motion()
        self._sag = _Sag()

    def resume(self, time_s: float) -> None:
        """A ride already goes on, as after a crash of the daemon; its standstill counts from `time_s`."""
        self.riding = True
        self._last_s = self._active_s = time_s

    def reading(self, reading: Reading) -> Begin | End | None:
        """What this reading begins or ends. One that comes after a lost link ends the ride before it."""
        time_s, before_s = reading.time_s, self._last_s
        under_way = self._under_way(reading)
        self._last_s = time_s
        if time_s - before_s >= self.settings.link_end_s and self.riding:
            return self._end(before_s, "link")
        if under_way:
            return self._moving(time_s)
        if self.riding and time_s - self._active_s >= self.settings.end_after_s:
            return self._end(time_s, "standstill")
        return None

    def silence(self, age_s: float) -> End | None:
        """No sample has come for `age_s`; ends the ride once."""
        if age_s < self.settings.link_end_s or not self.riding:
            return None
        return self._end(self._last_s, "link")

    def _moving(self, time_s: float) -> Begin | None:
        if self._started_s is None or time_s - self._active_s > PAUSE_S:
            self._started_s = time_s
        self._active_s = time_s
        if self.riding or time_s - self._started_s < self.settings.begin_after_s:
            return None
        self.riding = True
        return Begin(self._started_s)

    def _end(self, time_s: float, ended_by: str) -> End:
        self.riding = False
        self._started_s = None
        return End(time_s, ended_by)

    def _under_way(self, reading: Reading) -> bool:
        moved = self._motion.moved(reading.time_s, reading.distance_m)
        if not math.isnan(reading.current_a):
            return moved or reading.current_a > self.settings.begin_current_a
        return moved or self._sag.under_load(reading)


class _Window:
    """The highest, or with a turned sign the lowest, value of the last `span_s` seconds."""

    def __init__(self, span_s: float) -> None:
        self._span_s = span_s
        self._falling: deque[tuple[float, float]] = deque()

    def highest(self, time_s: float, value: float) -> float:
        while self._falling and self._falling[-1][1] <= value:
            self._falling.pop()
        self._falling.append((time_s, value))
        while self._falling[0][0] < time_s - self._span_s:
            self._falling.popleft()
        return self._falling[0][1]

    def clear(self) -> None:
        self._falling.clear()


class _Motion:
    """Whether the distance counter has moved of late."""

    def __init__(self) -> None:
        self._lowest = _Window(MOVED_WITHIN_S)
        self._before_m = math.nan

    def moved(self, time_s: float, distance_m: float) -> bool:
        if math.isnan(distance_m):
            return False
        if distance_m < self._before_m:
            self._lowest.clear()  # the counter began anew
        self._before_m = distance_m
        return distance_m + self._lowest.highest(time_s, -distance_m) >= MOVED_M


class _Sag:
    """Whether the groups' common voltage lies below its highest of late, as under a load."""

    def __init__(self) -> None:
        self._highest = _Window(SAG_WITHIN_S)

    def under_load(self, reading: Reading) -> bool:
        known = reading.group_v[~np.isnan(reading.group_v)]
        if not len(known):
            return False
        median_v = float(np.median(known))
        return self._highest.highest(reading.time_s, median_v) - median_v > SAG_V

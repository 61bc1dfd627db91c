"""Where a record begins and ends, and of which kind it is. Law: a ride is kept by itself, and rather one too many than
one too few; so is a charge, and what the pack does while it stands.

Under way means one of: discharge current above `begin_current_a`; the distance counter moving; or, where current
is not measured, the groups' common voltage dropping as under a load. Under way for `begin_after_s`, a ride begins;
nothing of it for `end_after_s`, it ends; no sample for `link_end_s`, it ended with the last one. Charging is not
riding: current into the pack for `charge_after_s` without a pause, while no ride goes on, begins a charge; none for
`end_after_s` ends it. Neither for `stand_after_s`, and the bike stands. A ride ends a charge and standing, a charge
ends standing. A reboot of the board ends nothing.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from sagwise_daemon.domain.model import Reading
from sagwise_daemon.domain.ride.kinds import CHARGE, RIDE, STANDING

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

# A sensor's noise may hide a charger's current for moments.
CHARGE_PAUSE_S = 5.0


@dataclass(frozen=True, slots=True)
class RideSettings:
    """When a record begins and ends. preroll_s: how much before the first movement the recorder adds to it.

    charge_current_a: into the pack; less may be an offset of the sensor.
    """

    begin_current_a: float = 2.0
    begin_after_s: float = 1.0
    end_after_s: float = 180.0
    link_end_s: float = 60.0
    preroll_s: float = 10.0
    charge_current_a: float = 1.0
    charge_after_s: float = 60.0
    stand_after_s: float = 1800.0


@dataclass(frozen=True, slots=True)
class Begin:
    """A record has begun; when it was first under way, in readings' `time_s`. It ends the one that went on."""

    time_s: float
    kind: str = RIDE


@dataclass(frozen=True, slots=True)
class End:
    """The record is over. ended_by: "standstill" (time_s: now) or "link" (time_s: its last sample)."""

    time_s: float
    ended_by: str


class RideBounds:
    """Watches readings and silences. `kind`: of the record that goes on, None between records."""

    def __init__(self, settings: RideSettings) -> None:
        self.settings = settings
        self.kind: str | None = None
        self._last_s = -math.inf
        self._started_s: float | None = None
        self._active_s = -math.inf
        self._charging_s: float | None = None
        self._charged_s = -math.inf
        self._idle_s: float | None = None
        self._motion = _Motion()
        self._sag = _Sag()

    @property
    def riding(self) -> bool:
        """Whether a ride goes on."""
        return self.kind == RIDE

    def resume(self, time_s: float, kind: str = RIDE) -> None:
        """A record already goes on, as after a crash of the daemon; its standstill counts from `time_s`."""
        self.kind = kind
        self._last_s = self._active_s = time_s

    def reading(self, reading: Reading) -> Begin | End | None:
        """What this reading begins or ends. One that comes after a lost link ends the record before it."""
        time_s, before_s = reading.time_s, self._last_s
        under_way = self._under_way(reading)
        self._last_s = time_s
        if time_s - before_s >= self.settings.link_end_s:
            self._charging_s = self._idle_s = None
            if self.kind is not None:
                return self._end(before_s, "link")
        if under_way:
            return self._moving(time_s)
        if self.riding:
            return self._end(time_s, "standstill") if self._over(time_s) else None
        return self._charging(reading) if self._charges(reading) else self._idle(time_s)

    def silence(self, age_s: float) -> End | None:
        """No sample has come for `age_s`; ends the record once."""
        if age_s < self.settings.link_end_s or self.kind is None:
            return None
        return self._end(self._last_s, "link")

    def _moving(self, time_s: float) -> Begin | None:
        self._charging_s = self._idle_s = None
        if self._started_s is None or time_s - self._active_s > PAUSE_S:
            self._started_s = time_s
        self._active_s = time_s
        if self.riding or time_s - self._started_s < self.settings.begin_after_s:
            return None
        return self._begin(self._started_s, RIDE)

    def _charging(self, reading: Reading) -> Begin | None:
        self._idle_s = None
        if self._charging_s is None:
            self._charging_s = reading.time_s
        self._charged_s = reading.time_s
        if self.kind == CHARGE:
            self._active_s = reading.time_s
            return None
        if reading.time_s - self._charging_s < self.settings.charge_after_s:
            return None
        self._active_s = reading.time_s
        return self._begin(self._charging_s, CHARGE)

    def _idle(self, time_s: float) -> Begin | End | None:
        """Neither ridden nor charged at this moment."""
        if time_s - self._charged_s > CHARGE_PAUSE_S:
            self._charging_s = None
        if self.kind == CHARGE:
            return self._end(time_s, "standstill") if self._over(time_s) else None
        if self._idle_s is None:
            self._idle_s = time_s
        if self.kind is None and time_s - self._idle_s >= self.settings.stand_after_s:
            return self._begin(time_s, STANDING)
        return None

    def _over(self, time_s: float) -> bool:
        return time_s - self._active_s >= self.settings.end_after_s

    def _begin(self, time_s: float, kind: str) -> Begin:
        self.kind = kind
        return Begin(time_s, kind)

    def _end(self, time_s: float, ended_by: str) -> End:
        self.kind = None
        self._started_s = self._charging_s = self._idle_s = None
        return End(time_s, ended_by)

    def _charges(self, reading: Reading) -> bool:
        return reading.current_a < -self.settings.charge_current_a

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

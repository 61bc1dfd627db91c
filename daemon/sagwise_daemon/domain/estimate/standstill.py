"""The current sensor's zero, read where the bike stands or rolls with the throttle closed. Law: slow, bounded, and
never from a charger.

With the throttle closed nothing flows but what the electronics draw, some hundredths of C at most. A steady small
figure with steady voltages, and a wheel that does not turn where the board reports it, is that and the sensor's offset.
A charger shows a steady figure too, so charging counts as an offset only in the pause right after a load, before
anybody could have plugged one in. What lamps draw all the time is taken for an offset as well: it is then missing in
the count of charge, and comes back as capacity between rests.
"""

from __future__ import annotations

from math import exp, hypot, isfinite, isnan, nan, sqrt

# Currents in C.
MOST_C = 0.12  # a sensor with more has the alarm `current_sensor`
IDLE_C, IDLE_SIGMA_C = 0.005, 0.005  # what a controller draws with the throttle closed; common practice
FIRST_SIGMA_C = 0.05
WALK_C = 1e-4  # per √s: a sensor warms up and drifts
STEADY_C = 0.03  # a held throttle wavers more; a good sensor's noise, low-passed, less
STEADY_TAU_S = 0.5
SETTLE_S, TAKE_S = 3.0, 5.0
CALM_V_PER_S = 0.002  # the median's recovery once the fast elements are gone; any real load moves it by more
AFTER_LOAD_S = 30.0  # nobody plugs a charger in sooner
LOAD_C = 0.3
GATE_SIGMAS, GATE_C = 3.0, 0.02  # further off is a gentle slope or a slow crawl, not the zero


class Standstill:
    """offset_c: what the sensor shows at no current, sigma_c its standard uncertainty. known: ever seen."""

    def __init__(self) -> None:
        self.offset_c = 0.0
        self.sigma_c = FIRST_SIGMA_C
        self.known = False
        self._low_c = nan
        self._since_load_s = nan
        self._spell_s = self._sum = self._weight = 0.0
        self._first_v = self._distance_m = nan

    def start_from(self, offset_c: float, sigma_c: float) -> None:
        """What the last ride left."""
        if isfinite(offset_c) and abs(offset_c) <= MOST_C:
            self.offset_c, self.sigma_c = offset_c, max(sigma_c, IDLE_SIGMA_C)

    def add(self, c: float, seconds: float, volts: float, distance_m: float) -> None:
        """One measured current, as the sensor has it. volts: of the median group; distance_m; NaN where unknown."""
        self.sigma_c = sqrt(self.sigma_c**2 + WALK_C**2 * min(seconds, 3600.0))
        self._since_load_s = 0.0 if c > LOAD_C else self._since_load_s + seconds
        if abs(c) > MOST_C + 2 * STEADY_C:
            self._spell_s, self._low_c = 0.0, nan
            return
        part = 1.0 - exp(-seconds / STEADY_TAU_S)
        before, self._low_c = self._low_c, c if isnan(self._low_c) else self._low_c + (c - self._low_c) * part
        moved = isfinite(distance_m) and isfinite(self._distance_m) and distance_m != self._distance_m
        self._distance_m = distance_m
        if isnan(before) or moved or isnan(volts):
            self._spell_s = 0.0
            return
        self._spell(c, seconds, volts)

    def _spell(self, c: float, seconds: float, volts: float) -> None:
        self._spell_s += seconds
        if self._spell_s < SETTLE_S:
            self._sum = self._weight = 0.0
            self._first_v = volts
            return
        self._sum += c * seconds
        self._weight += seconds
        mean = self._sum / self._weight if self._weight else c
        if abs(self._low_c - mean) > STEADY_C:
            self._spell_s = 0.0
        elif self._weight >= TAKE_S:
            if abs(volts - self._first_v) < CALM_V_PER_S * self._weight:
                self._take(mean)
            self._spell_s = SETTLE_S
            self._sum = self._weight = 0.0
            self._first_v = volts

    def _take(self, mean_c: float) -> None:
        charging = mean_c < -2.0 * IDLE_C and not self._since_load_s < AFTER_LOAD_S
        if charging or abs(mean_c) > MOST_C:
            return
        off = mean_c - IDLE_C - self.offset_c
        spread = hypot(self.sigma_c, IDLE_SIGMA_C)
        if abs(off) > max(GATE_SIGMAS * spread, GATE_C):
            return
        gain = self.sigma_c**2 / spread**2
        self.offset_c += gain * off
        self.sigma_c = max(sqrt(1.0 - gain) * self.sigma_c, IDLE_SIGMA_C / 2)
        self.known = True

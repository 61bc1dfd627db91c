"""Whether the load holds still, from the voltages alone. Law: quiet is what varies no more than the converter does.

The least variation ever seen is the converter's noise, which is forgotten slowly; what varies little more is quiet. A
quiet pack whose voltage sinks is under load all the same: a resting cell's never does.
"""

from __future__ import annotations

from math import exp, inf, sqrt

from sagwise_daemon.domain.estimate import settings as s


class Quiet:
    """Whether the load holds still. seconds: for how long; falls: the voltage has sunk meanwhile, so there is one."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self.falls = False
        self._level = self._trend = self._low = 0.0
        self._variance, self._noise = s.QUIET_FIRST_V**2, s.QUIET_FIRST_V**2 / 10
        self._spread, self._top = s.QUIET_FIRST_V / 4, -inf

    def add(self, median: float, drop_v: float, seconds: float) -> bool:
        """Take the median voltage and the fast drop that is made of it; what recovers slowly is not in the drop."""
        self._vary(drop_v, seconds)
        if sqrt(self._variance) >= s.QUIET_TIMES * sqrt(self._noise) + s.QUIET_MORE_V:
            self.seconds, self.falls, self._top, self._low = 0.0, False, -inf, median
            return False
        self._low += (median - self._low) * (1.0 - exp(-seconds / s.FALL_TAU_S))
        self.seconds += seconds
        self._spread += (abs(median - self._low) - self._spread) * (1.0 - exp(-seconds / s.FALL_SPREAD_TAU_S))
        if self.seconds > s.FALL_AFTER_S:
            self._top = max(self._top, self._low)
            self.falls |= self._low < self._top - max(s.FALL_V, 3.0 * self._spread)
        return True

    def _vary(self, drop_v: float, seconds: float) -> None:
        part = 1.0 - exp(-seconds / s.QUIET_TREND_TAU_S)
        apart = drop_v - self._level
        strayed = apart - self._trend
        self._level += apart * part
        self._trend += strayed * part
        square, most = strayed**2, s.QUIET_CAP * self._noise
        if square > 4.0 * most:
            self._level, self._trend = drop_v, 0.0
        self._variance += (min(square, most) - self._variance) * (1.0 - exp(-seconds / s.QUIET_TAU_S))
        if self._variance < self._noise:
            self._noise += (self._variance - self._noise) * (1.0 - exp(-seconds / s.QUIET_LEARN_TAU_S))
        else:
            self._noise *= 1.0 + seconds / s.QUIET_FORGET_S
        self._noise = min(max(self._noise, s.QUIET_RANGE_V[0] ** 2), s.QUIET_RANGE_V[1] ** 2)

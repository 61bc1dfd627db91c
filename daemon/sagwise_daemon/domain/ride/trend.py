"""A straight line through points, and how sure it is. Law: no slope without its standard error.

Ordinary least squares: slope b = Sxy/Sxx, its standard error s/√Sxx with s² = SSE/(n − 2) (NIST/SEMATECH e-Handbook of
Statistical Methods, 4.1.4.1 and 4.4.3.1); a test holds it to NIST's certified values.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sagwise_daemon.domain.model import Floats

DAYS_PER_YEAR = 365.25
SURE_SIGMAS = 3.0


@dataclass(frozen=True, slots=True)
class Line:
    """y = level + slope·(x − mean_x), with the standard errors of slope and level; scatter: of the points about it."""

    points: int
    mean_x: float
    level: float
    level_sigma: float
    slope: float
    slope_sigma: float
    scatter: float

    def at(self, x: float) -> tuple[float, float]:
        """The line's value there and its standard error."""
        away = x - self.mean_x
        return self.level + self.slope * away, float(np.hypot(self.level_sigma, self.slope_sigma * away))


@dataclass(frozen=True, slots=True)
class Trend:
    """A line over days, in words of years. at_end: its value on the last day, `days_end`. sure: the slope is beyond
    three standard errors.
    """

    rides: int
    days_end: float
    at_end: float
    at_end_sigma: float
    per_year: float
    per_year_sigma: float
    scatter: float
    sure: bool


def fit(x: Floats, y: Floats) -> Line | None:
    """The line through the points where both are known; None for fewer than three, or all at one x."""
    known = ~(np.isnan(x) | np.isnan(y))
    x, y = x[known], y[known]
    if len(x) < 3 or np.ptp(x) == 0.0:
        return None
    mean_x, level = float(x.mean()), float(y.mean())
    away = x - mean_x
    sxx = float(away @ away)
    slope = float(away @ (y - level)) / sxx
    left = y - level - slope * away
    scatter = float(np.sqrt(left @ left / (len(x) - 2)))
    return Line(len(x), mean_x, level, scatter / len(x) ** 0.5, slope, scatter / sxx**0.5, scatter)


def trend(days: Floats, y: Floats) -> Trend | None:
    """The same over days, None where there is no line."""
    line = fit(days, y)
    if line is None:
        return None
    days_end = float(np.nanmax(days))
    at_end, at_end_sigma = line.at(days_end)
    return Trend(
        line.points,
        days_end,
        at_end,
        at_end_sigma,
        line.slope * DAYS_PER_YEAR,
        line.slope_sigma * DAYS_PER_YEAR,
        line.scatter,
        abs(line.slope) > SURE_SIGMAS * line.slope_sigma,
    )

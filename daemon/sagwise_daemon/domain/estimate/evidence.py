"""A straight line through points whose errors wander. Law: points close together share their error, so that many of
them prove no more than one.

y = first − ratio d + u e + n, for many lines at once: e wanders along d (unit variance, an Ornstein-Uhlenbeck process
of length `length`), u is a point's own measure of it, n is new at every point. Kept as a table of information, which
needs nothing known before: of the line's two numbers, of e where the last point was, and of what goes between.
"""

from __future__ import annotations

from math import exp
from typing import NamedTuple

import numpy as np

from sagwise_daemon.domain.model import Floats

# Rows of the table, a to f of the symmetric matrix [[a, b, d], [b, c, e], [d, e, f]] over first, ratio and the error,
# and what it gives times the three numbers.
FIRST, BETWEEN, RATIO, FIRST_ERROR, RATIO_ERROR, ERROR, OF_FIRST, OF_RATIO, OF_ERROR = range(9)
ROWS = 9
LINE_AND_ERROR = [FIRST_ERROR, RATIO_ERROR]


class Line(NamedTuple):
    """first − ratio d, with the variances of both; between: their covariance, negated. (groups,) each."""

    first: Floats
    ratio: Floats
    first_variance: Floats
    ratio_variance: Floats
    between: Floats

    @property
    def ratio_sigma(self) -> Floats:
        """Standard uncertainty of the ratio."""
        return np.asarray(np.sqrt(self.ratio_variance))

    def variance(self, d: float) -> Floats:
        """Of the line at `d`."""
        return self.first_variance + 2.0 * d * self.between + d**2 * self.ratio_variance


class Known(NamedTuple):
    """What is known of a number besides the points: its value, and its weight, one over the variance; (groups,)."""

    value: Floats
    weight: Floats


class Evidence:
    """What some points tell, (groups,) lines at once. length: over which their error is the same, in units of d."""

    def __init__(self, groups: int, length: float) -> None:
        self._length = length
        self._d = 0.0
        self._table = np.zeros((ROWS, groups))
        self._table[ERROR] = 1.0

    def copy(self) -> Evidence:
        """The same, to be added to apart."""
        other = Evidence(self._table.shape[1], self._length)
        other._d, other._table = self._d, self._table.copy()
        return other

    def fade(self, share: float) -> None:
        """What was told so far counts by `share` only; of the error as much is known anew as at the beginning."""
        self._table *= share
        self._table[ERROR] += 1.0 - share

    def add(self, d: float, y: Floats, own: Floats, weight: Floats) -> None:
        """A point; own: u, in units of y. weight: one over the variance of n, 0 for none; (groups,) each."""
        self._wander(abs(d - self._d))
        self._d = d
        of = -d
        for row, part in (
            (FIRST, 1.0),
            (BETWEEN, of),
            (RATIO, of**2),
            (FIRST_ERROR, own),
            (RATIO_ERROR, of * own),
            (ERROR, own**2),
            (OF_FIRST, y),
            (OF_RATIO, of * y),
            (OF_ERROR, own * y),
        ):
            self._table[row] += weight * part

    def _wander(self, apart: float) -> None:
        """The error `apart` further on: so much of it is the same, the rest is new."""
        table, same = self._table, exp(-apart / self._length)
        new = 1.0 - same**2
        whole = same**2 + new * table[ERROR]
        first, ratio, known = table[FIRST_ERROR].copy(), table[RATIO_ERROR].copy(), table[OF_ERROR].copy()
        lost = new / whole
        table[FIRST] -= lost * first**2
        table[BETWEEN] -= lost * first * ratio
        table[RATIO] -= lost * ratio**2
        table[OF_FIRST] -= lost * first * known
        table[OF_RATIO] -= lost * ratio * known
        table[FIRST_ERROR : ERROR + 1] /= whole
        table[LINE_AND_ERROR] *= same
        table[OF_ERROR] *= same / whole

    def line(self, first: Known, ratios: Known) -> Line:
        """The likeliest line, with what else is known of both its numbers."""
        table = self._table
        by_first, by_ratio = table[FIRST_ERROR] / table[ERROR], table[RATIO_ERROR] / table[ERROR]
        a = table[FIRST] - by_first * table[FIRST_ERROR] + first.weight
        b = table[BETWEEN] - by_first * table[RATIO_ERROR]
        c = table[RATIO] - by_ratio * table[RATIO_ERROR] + ratios.weight
        y = table[OF_FIRST] - by_first * table[OF_ERROR] + first.value * first.weight
        dy = table[OF_RATIO] - by_ratio * table[OF_ERROR] + ratios.value * ratios.weight
        determinant = a * c - b * b
        return Line(
            (c * y - b * dy) / determinant,
            (a * dy - b * y) / determinant,
            c / determinant,
            a / determinant,
            b / determinant,
        )

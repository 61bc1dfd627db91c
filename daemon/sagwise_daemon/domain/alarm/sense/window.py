"""How groups move against the pack over a window of blocks. Law: sums only, so memory is bounded and no row is kept.

Let m be the pack's common voltage and d a group's distance from it. What current explains of d is a line on m: a
group of more resistance moves more. What is left of d after that line is what the pack's current does not explain.
Two neighbours that share a floating tap keep their sum and lose their difference: half the difference of what is left
of them is large ("apart"), half the sum is small ("together").
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sagwise_daemon.domain.alarm.sense.block import Block
from sagwise_daemon.domain.model import Floats

COUNT, M, MM, D, DD, MD, NEXT = range(7)
SUMS = 7

# Keeps the line flat where the common voltage has hardly moved: two converter steps of 1 mV.
STILL_V = 0.002
# A group's dynamic resistance over the pack's is 1 + slope. Outside this no cell lies, and a fault would be fitted.
SLOPE_RANGE = (-0.9, 3.0)


@dataclass(frozen=True, slots=True, eq=False)
class Left:
    """What is left of each group after its line, as mean squares in V², NaN where a group was invalid.

    own: (blocks, groups). apart, together: (blocks, groups - 1), entry k of groups k and k + 1.
    """

    own: Floats
    apart: Floats
    together: Floats


def block_sums(block: Block) -> Floats:
    """(SUMS, groups) of one block; a group that was not always valid counts as absent."""
    common, absent = block.common_v, ~block.valid
    d = block.group_v - common[:, None]
    if not block.whole:
        d[:, absent] = 0.0
    sums = np.empty((SUMS, d.shape[1]))
    sums[COUNT], sums[M], sums[MM] = len(common), common.sum(), common @ common
    sums[D] = np.add.reduce(d, axis=0)
    sums[DD] = np.einsum("rg,rg->g", d, d)
    sums[MD] = common @ d
    sums[NEXT, :-1] = np.einsum("rg,rg->g", d[:, :-1], d[:, 1:])
    sums[NEXT, -1] = 0.0
    if not block.whole:
        sums[:, absent] = 0.0
    return sums


class Window:
    """The last `blocks` blocks."""

    def __init__(self, blocks: int, groups: int) -> None:
        self._sums = np.zeros((blocks, SUMS, groups))
        self._at = 0

    def clear(self) -> None:
        """Forget everything."""
        self._sums[:] = 0.0

    def push(self, sums: Floats) -> None:
        """Take one block in place of the oldest."""
        self._sums[self._at] = sums
        self._at = (self._at + 1) % len(self._sums)

    def last(self, count: int) -> Floats:
        """(SUMS, groups) of the last `count` blocks together."""
        first = self._at - count
        newest = np.add.reduce(self._sums[max(first, 0) : self._at], axis=0)
        return np.asarray(newest if first >= 0 else newest + np.add.reduce(self._sums[first:], axis=0))

    def total(self) -> Floats:
        """(SUMS, groups) of the whole window."""
        return np.asarray(np.add.reduce(self._sums, axis=0))

    def left(self, slope: Floats) -> Left:
        """What no current explains, block by block, in no order. slope: (groups,) of the lines."""
        level = self._level(slope)
        with np.errstate(divide="ignore", invalid="ignore"):
            own, cross = self._residuals(level, slope)
        apart = (own[:, :-1] + own[:, 1:] - 2.0 * cross) / 4.0
        together = (own[:, :-1] + own[:, 1:] + 2.0 * cross) / 4.0
        return Left(own, apart, together)

    def _level(self, slope: Floats) -> Floats:
        """The middle of the blocks' own levels: one wild block moves a mean, and with it every other block."""
        n = self._sums[:, COUNT]
        with np.errstate(divide="ignore", invalid="ignore"):
            levels = np.sort((self._sums[:, D] - slope * self._sums[:, M]) / n, axis=0)
        known = (n > 0).sum(axis=0)
        return np.asarray(levels[np.maximum(known - 1, 0) // 2, np.arange(n.shape[1])])

    def _residuals(self, a: Floats, b: Floats) -> tuple[Floats, Floats]:
        """Mean squares of each group, and mean products of each group with the next one."""
        n, m, mm, d, dd, md, beside = np.moveaxis(self._sums, 1, 0)
        own = (dd - 2 * a * d - 2 * b * md + n * a * a + 2 * a * b * m + b * b * mm) / n
        low, high = slice(None, -1), slice(1, None)
        cross = beside[:, low] - a[high] * d[:, low] - a[low] * d[:, high] - b[high] * md[:, low]
        cross += n[:, low] * a[low] * a[high] + (a[low] * b[high] + a[high] * b[low]) * m[:, low]
        cross += b[low] * b[high] * mm[:, low] - b[low] * md[:, high]
        return own, cross / n[:, low]


def line(total: Floats) -> tuple[Floats, Floats]:
    """Variance of the common voltage, and each group's slope on it, from sums (SUMS, groups)."""
    n = np.maximum(total[COUNT], 1.0)
    mean_m = total[M] / n
    moved = np.maximum(total[MM] / n - mean_m * mean_m, 0.0)
    slope = (total[MD] / n - mean_m * total[D] / n) / (moved + STILL_V**2)
    return moved, np.minimum(np.maximum(slope, SLOPE_RANGE[0]), SLOPE_RANGE[1])


def apart_at_most(total: Floats) -> float:
    """No two neighbours' half difference has a larger mean square than this, V², before any line is taken off."""
    n = np.maximum(np.minimum(total[COUNT, :-1], total[COUNT, 1:]), 1.0)
    mean = (total[D, :-1] - total[D, 1:]) / (2.0 * n)
    square = (total[DD, :-1] + total[DD, 1:] - 2.0 * total[NEXT, :-1]) / (4.0 * n)
    return float((square - mean * mean).max(initial=0.0))

"""Sense leads, judged from the voltages alone. Law: only what no cell can do is called a fault.

A broken tap between two groups leaves their sum and shares it out at random. Swapped taps read minus a cell, and the
groups beside it two or three. Every block is judged once, all groups at once, and a verdict is held while its
evidence is fresh.
"""

from __future__ import annotations

import numpy as np

from sagwise_daemon.domain.alarm.sense.block import Block, Bools
from sagwise_daemon.domain.alarm.sense.window import COUNT, D, Window, apart_at_most, line
from sagwise_daemon.domain.model import Floats

SHORT_BLOCKS = 12  # seconds: some pulls long, and too short for charge to drift
LONG_EVERY, LONG_BLOCKS = 8, 12  # a minute and a half, to see a tap creep
TORN_V = 0.030  # apart by this in a block: five times what two neighbours of 10 % different resistance leave over
CREPT_V = 0.040  # and over the long window, where charge and warmth move groups by some millivolts
TORN_OVER_USUAL = 5.0  # and by this many times what is usual in the pack now: near empty all groups scatter
TOGETHER_SHARE, CREPT_TOGETHER_SHARE = (
    0.20,
    0.15,
)  # the sum must stay: a weak group moves alone, which makes sum and difference alike
TORN_BLOCKS = 3  # a spark makes one block, a tap that lets go makes many
HELD_BLOCKS = 20  # an intermittent contact may hold this long and is still the same fault
APART_RAISE_V, APART_HOLD_V = 0.20, 0.06  # off the pack in opposite directions, whatever the history
APART_SHARE = 0.2  # by equal amounts: a high and a low neighbour by chance do not match that well
APART_OVER_USUAL = 6.0
APART_BLOCKS = 4
CROSSED_TOLERANCE = 0.25  # of a cell: sag and charge make two cells differ by less


def usual(values: Floats) -> float:
    """A low third of them, NaN left out: in a pack of four, two may be at fault and two are not."""
    known = int(np.isfinite(values).sum())
    return float(np.sort(values)[max(known - 1, 0) // 3])


class BrokenTaps:
    """Taps between two groups; entry k is the tap between groups k and k + 1 (from 0)."""

    def __init__(self, groups: int) -> None:
        self._held = np.zeros(max(groups - 1, 0), int)  # blocks for which a verdict is still good
        self._long = Window(LONG_BLOCKS, groups)
        self._gathered: list[Floats] = []

    def clear(self) -> None:
        """A gap: nothing before it is compared with what follows. What was found stays until seen again or aged."""
        self._long.clear()
        self._gathered = []

    def judge(self, short: Window, total: Floats, sums: Floats) -> Bools:
        """(groups - 1,) whether each tap is broken. total: of the short window; sums: of its newest block."""
        found = _torn(short, total, TORN_V, TOGETHER_SHARE)
        self._gathered.append(sums)
        if len(self._gathered) == LONG_EVERY:
            self._long.push(np.sum(self._gathered, axis=0))
            self._gathered = []
            found = found | _torn(self._long, self._long.total(), CREPT_V, CREPT_TOGETHER_SHARE)
        np.maximum(self._held - 1, 0, out=self._held)
        self._held[found | self._far_apart(short)] = HELD_BLOCKS
        return self._held > 0

    def _far_apart(self, short: Window) -> Bools:
        """Opposite and equal distance from the pack: enough alone where it is far, to go on where it was found."""
        total = short.last(APART_BLOCKS)
        off = np.where(total[COUNT] > 0, total[D], np.nan) / np.maximum(total[COUNT], 1.0)
        half = np.abs(off[:-1] - off[1:]) / 2
        if not np.fmax.reduce(half, initial=0.0) > (APART_HOLD_V if self._held.any() else APART_RAISE_V):
            return np.zeros(len(half), np.bool_)
        both = np.abs(off[:-1] + off[1:]) / 2
        limit = np.where(self._held > 0, APART_HOLD_V, APART_RAISE_V)
        limit = np.maximum(limit, APART_OVER_USUAL * usual(np.abs(off)))
        return np.asarray((half > limit) & (both < APART_SHARE * half))


def _torn(window: Window, total: Floats, least_v: float, together: float) -> Bools:
    # Nothing can be torn where all that moves apart would not fill the blocks that are wanted: most packs, most of
    # the time. Half, since the blocks are measured from their middle and this from their mean.
    if apart_at_most(total) < least_v**2 * TORN_BLOCKS / SHORT_BLOCKS / 2.0:
        return np.zeros(total.shape[1] - 1, np.bool_)
    left = window.left(line(total)[1])
    own = max(usual(_mean(left.own)), 0.0) ** 0.5
    limit = max(least_v, TORN_OVER_USUAL * own) ** 2
    torn = (left.apart > limit) & (left.together < together**2 * left.apart)
    return np.asarray(torn.sum(axis=0) >= TORN_BLOCKS)


def _mean(squares: Floats) -> Floats:
    known = np.isfinite(squares)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(known, squares, 0.0).sum(axis=0) / known.sum(axis=0))


def crossed(block: Block, plausible: tuple[float, float]) -> Bools:
    """(groups,) whether a group reads minus a cell while those beside it read whole cells, two or more, or minus."""
    volts = block.mean_v
    cell = -volts
    found = (cell > plausible[0]) & (cell < plausible[1])
    for index in np.flatnonzero(found).tolist():
        beside = volts[[i for i in (index - 1, index + 1) if 0 <= i < len(volts)]] / cell[index]
        whole = np.rint(beside)
        fits = (np.abs(beside - whole) < CROSSED_TOLERANCE) & ((whole >= 2) | (whole <= -1))
        found[index] = bool(fits.all() and (whole >= 2).any())
    return np.asarray(found)

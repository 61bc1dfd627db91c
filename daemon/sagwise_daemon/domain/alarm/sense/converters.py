"""Readings that no cell can give, one group at a time. Law: only what physics forbids, never merely what is odd.

A group that carries its peers' current moves when they move. One whose digits stand still, or that lies outside what
a cell can read and does not answer the current, is not being measured. At the ends of the pack a broken tap spoils
one group alone: it then rises under a steady load, falls without load, or rattles.
"""

from __future__ import annotations

import numpy as np

from sagwise_daemon.domain.alarm.sense.block import Block, Bools
from sagwise_daemon.domain.alarm.sense.taps import usual
from sagwise_daemon.domain.alarm.sense.window import line
from sagwise_daemon.domain.model import Floats

STUCK_V = 0.030  # the pack moved this far while the group's digits stood still
STUCK_STEPS = 8.0  # and this many converter steps, or a coarse converter would look frozen
STUCK_MOVES = 3  # in at least this many seconds
DEAD_RESPONSE = 0.3  # of the pack's movement: no cell has a third of its peers' resistance
DEAD_MOVED_V = 0.010
INVALID_BLOCKS = 2  # without a valid reading; the on-delay comes on top

END_BLOCKS = 12
QUIET_V = 0.005  # the common voltage moves less than this from second to second
LOADED_V, UNLOADED_V = 0.030, 0.010  # below its highest of late: under load, hardly under load
FORBIDDEN_V = 0.020  # what a group may rise under steady load or fall without load within a second
FORBIDDEN_OF_COMMON = 10.0  # and as many times the common movement: an empty group moves that much more
FORBIDDEN_SUM_V = 0.25
# Way there and back within a second, by more than a converter's step at a time, over what is usual in the pack: the
# last group of a pack may be empty and move ten times as far as its peers.
RATTLE_V, RATTLE_OVER_USUAL = 0.10, 12.0
WILD_BLOCKS = 3


class Still:
    """Groups whose digits have stood still, and how far the pack has moved since.

    step_v: the smallest step seen between two readings, the converter's; inf before any.
    """

    def __init__(self, groups: int) -> None:
        self._value = np.full(groups, np.nan)
        self._low, self._high = np.full(groups, np.inf), np.full(groups, -np.inf)
        self._moves = np.zeros(groups, int)
        self.step_v = np.inf
        self._common = np.nan

    def judge(self, block: Block) -> Bools:
        """(groups,) whether each is frozen."""
        volts, common = block.group_v, block.common_v
        low, high = float(common.min()), float(common.max())
        self._learn_step(volts)
        frozen = (volts == self._value).all(axis=0)
        self._value = volts[-1].copy()
        moved = high - low > STUCK_V / 3 or abs(high - self._common) > STUCK_V / 3
        self._common = high
        if not frozen.any():
            self._low.fill(low)
            self._high.fill(high)
            self._moves.fill(0)
            return np.zeros(len(frozen), np.bool_)
        self._low = np.where(frozen, np.minimum(self._low, low), low)
        self._high = np.where(frozen, np.maximum(self._high, high), high)
        self._moves = np.where(frozen, self._moves + moved, 0)
        far = self._high - self._low > max(STUCK_V, STUCK_STEPS * self.step_v)
        return np.asarray(far & (self._moves >= STUCK_MOVES))

    def _learn_step(self, volts: Floats) -> None:
        if len(volts) > 1:
            steps = np.abs(volts[1:] - volts[:-1])
            seen = steps[steps > 1e-5]
            if len(seen):
                self.step_v = min(self.step_v, float(seen.min()))


class Ends:
    """The first and the last group, each alone on its tap."""

    def __init__(self) -> None:
        self._last: tuple[Floats, float] | None = None
        self._forbidden = np.zeros((END_BLOCKS, 2))
        self._common = np.full(END_BLOCKS, -np.inf)
        self._at = 0

    def clear(self) -> None:
        """A gap."""
        self._last = None
        self._common[:] = -np.inf

    def judge(self, block: Block, capacity_ah: float, step_v: float) -> Bools:
        """(2,) whether the first and the last group do what no cell does. step_v: the converter's."""
        mean, common = block.mean_v[[0, -1]], block.common_mean_v
        self._common[self._at] = common
        forbidden = np.zeros(2)
        if self._last is not None:
            moved = mean - self._last[0]
            forbidden = self._moves(moved, common - self._last[1], block, capacity_ah)
            forbidden[forbidden < 2.0 * step_v] = 0.0
        rattle = self._rattle(block, step_v)
        self._forbidden[self._at] = np.where(np.isnan(mean), 0.0, np.maximum(forbidden, rattle))
        self._at = (self._at + 1) % END_BLOCKS
        self._last = mean, common
        evidence = self._forbidden
        if not evidence.any():
            return np.zeros(2, np.bool_)
        return np.asarray((evidence.sum(axis=0) > FORBIDDEN_SUM_V) & ((evidence > 0).sum(axis=0) >= WILD_BLOCKS))

    def _moves(self, moved: Floats, common_moved: float, block: Block, capacity_ah: float) -> Floats:
        spread = float(block.common_v.max() - block.common_v.min())
        if abs(common_moved) > QUIET_V or spread > 4 * QUIET_V:
            return np.zeros(2)
        below = float(self._common.max() - self._common[self._at])
        allowed = FORBIDDEN_V + FORBIDDEN_OF_COMMON * abs(common_moved)
        current_c = block.mean_a / capacity_ah
        known = current_c == current_c
        loaded = current_c > 0.5 if known else below > LOADED_V
        unloaded = abs(current_c) < 0.1 if known else below < UNLOADED_V
        against = moved if loaded else -moved if unloaded else np.zeros(2)
        return np.asarray(np.where(against > allowed, against, 0.0))

    def _rattle(self, block: Block, step_v: float) -> Floats:
        """Way there and back over what is usual in the pack, where it is too much; V."""
        ends = _way(block.group_v[:, [0, -1]], step_v)
        if not (ends > RATTLE_V).any():
            return np.zeros(2)
        limit = RATTLE_V + RATTLE_OVER_USUAL * usual(_way(block.group_v, step_v))
        return np.asarray(np.where(ends > limit, ends / 4, 0.0))


def _way(volts: Floats, step_v: float) -> Floats:
    """How far each group goes from row to row, single steps left out, less where it ends up."""
    steps = np.abs(volts[1:] - volts[:-1])
    steps[steps < 1.5 * step_v] = 0.0
    return np.asarray(steps.sum(axis=0) - np.abs(volts[-1] - volts[0]))


def dead(block: Block, total: Floats, plausible: tuple[float, float]) -> Bools:
    """(groups,) whether a group reads what no cell can and does not answer the current either.

    total: sums of the short window, (SUMS, groups).
    """
    volts = block.group_v[0]
    outside = (volts < plausible[0]) | (volts > plausible[1])
    if not outside.any():
        return np.asarray(outside)
    moved, slope = line(total)
    return np.asarray(outside & (moved > DEAD_MOVED_V**2) & (np.abs(1.0 + slope) < DEAD_RESPONSE))

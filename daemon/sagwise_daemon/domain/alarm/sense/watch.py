"""What readings say about their own sensors. Law: memory is bounded, and batches of any size give the same verdicts.

`Sense.take` is told every reading and gives, row by row, what was known after the last full second: which leads are
open or swapped, which readings are frozen, whether the current is believable, and each group's resistance against the
pack's. The alarm rules put their delays on top.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan

import numpy as np

from sagwise_daemon.domain.alarm.sense.block import Block, Cutter, block_of
from sagwise_daemon.domain.alarm.sense.converters import INVALID_BLOCKS, Ends, Still, dead
from sagwise_daemon.domain.alarm.sense.current import CurrentSensor
from sagwise_daemon.domain.alarm.sense.found import Found
from sagwise_daemon.domain.alarm.sense.joints import Joints
from sagwise_daemon.domain.alarm.sense.taps import SHORT_BLOCKS, BrokenTaps, crossed
from sagwise_daemon.domain.alarm.sense.window import Window, block_sums
from sagwise_daemon.domain.model import Floats, Pack, Readings

OPEN, CROSSED, STUCK, SUSPECT, FRESH, RATIO, CURRENT = range(7)
FIELDS = 7
FRESH_BLOCKS = 10  # a suspicion older than the on-delay and a little more is an alarm by now, or none


@dataclass(frozen=True, slots=True, eq=False)
class Senses:
    """Row by row; the table is (rows, FIELDS, groups), and the properties are (rows, groups) unless stated.

    open, crossed, stuck: 1 found, 0 not, NaN not known. suspect: 1 where a reading is not to be believed because of
    one of them. fresh: 1 where that is so since a few seconds only. ratio: a group's resistance over the pack's or
    over its own earlier in the ride, NaN until known. current: (rows, 1) as open.
    """

    table: Floats

    @classmethod
    def unknown(cls, rows: int, groups: int) -> Senses:
        """Nothing is known."""
        return cls(np.broadcast_to(_unknown(groups), (rows, FIELDS, groups)))

    def rows(self, which: slice) -> Senses:
        """Some of them, without a copy."""
        return Senses(self.table[which])

    @property
    def open(self) -> Floats:
        return self.table[:, OPEN]

    @property
    def crossed(self) -> Floats:
        return self.table[:, CROSSED]

    @property
    def stuck(self) -> Floats:
        return self.table[:, STUCK]

    @property
    def suspect(self) -> Floats:
        return self.table[:, SUSPECT]

    @property
    def fresh(self) -> Floats:
        return self.table[:, FRESH]

    @property
    def ratio(self) -> Floats:
        return self.table[:, RATIO]

    @property
    def current(self) -> Floats:
        return self.table[:, CURRENT, :1]


class Sense:
    """All of it for one pack."""

    def __init__(self, pack: Pack) -> None:
        groups = pack.series
        self._pack = pack
        self._plausible = (0.5 * pack.cell.empty_v, pack.cell.full_v + 0.5)
        self._cutter = Cutter()
        self._short = Window(SHORT_BLOCKS, groups)
        self._taps, self._ends, self._still = BrokenTaps(groups), Ends(), Still(groups)
        self._current, self._joints = CurrentSensor(pack), Joints(groups)
        self._invalid_for = np.zeros(groups, int)
        self._suspect_for = np.zeros(groups, int)
        self._now = _unknown(groups)
        self._watched = {name: pack.rules[name].enabled for name in ("sense_open", "sense_crossed", "reading_stuck")}

    def take(self, readings: Readings) -> Senses:
        """What is known at each row of `readings`."""
        table, first = np.empty((len(readings), *self._now.shape)), 0
        for row, full in self._cutter.cut(readings):
            table[first:row] = self._now
            first = row
            self._judge(full)
        table[first:] = self._now
        return Senses(table)

    def _judge(self, full: Readings | None) -> None:
        now = self._now = self._now.copy()
        if full is None:
            self._interrupt()
            return
        block = block_of(full, now[SUSPECT] > 0)
        self._invalid_for += 1
        self._invalid_for *= False if block.whole else np.isnan(full.group_v).all(axis=0)
        found = self._found(block)
        suspect = found.suspect()
        self._suspect_for += 1
        self._suspect_for *= suspect
        now[OPEN], now[CROSSED], now[STUCK], now[SUSPECT] = found.open, found.crossed, found.stuck, suspect
        now[FRESH] = suspect & (self._suspect_for <= FRESH_BLOCKS)
        if not isnan(block.common_v[0]):
            now[CURRENT] = self._current.judge(block)
            now[RATIO] = self._joints.judge(self._short, suspect)

    def _found(self, block: Block) -> Found:
        found = Found(len(block.valid), self._watched)
        if isnan(block.common_v[0]):
            found.add_invalid(self._invalid_for >= INVALID_BLOCKS)
            return found
        sums = block_sums(block)
        self._short.push(sums)
        total = self._short.total()
        silent = dead(block, total, self._plausible)
        found.add_crossed(crossed(block, self._plausible))
        found.add_torn(self._taps.judge(self._short, total, sums))
        found.add_invalid(self._invalid_for >= INVALID_BLOCKS)
        frozen = self._still.judge(block)
        wild = self._ends.judge(block, self._pack.capacity_ah, self._still.step_v)
        found.add_ends(wild | silent[[0, -1]])
        found.add_stuck(frozen | silent)
        return found

    def _interrupt(self) -> None:
        self._short.clear()
        self._taps.clear()
        self._ends.clear()
        self._now[[OPEN, CROSSED, STUCK, CURRENT]] = np.nan


def _unknown(groups: int) -> Floats:
    table = np.full((FIELDS, groups), np.nan)
    table[[SUSPECT, FRESH]] = 0.0
    return table

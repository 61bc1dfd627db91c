"""One fault, one name. Law: what a graver fault explains is not found again as a lesser one.

Swapped taps spoil three groups, a broken tap two, and a converter that hangs may freeze a row of groups. Each is named
once, by the lowest group it touches (swapped taps by the group that reads negative), and its groups are taken out
before the next kind is looked for.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from sagwise_daemon.domain.alarm.sense.block import Bools


class Found:
    """Gathers one block's faults; add them in the order of the methods. All arrays are (groups,).

    open: named by the group below the broken tap, or by the group at the pack's end. watched: which rules are in
    service; a fault that nobody is told of takes no reading away.
    """

    def __init__(self, groups: int, watched: Mapping[str, bool]) -> None:
        self._watched = watched
        self._taken = np.zeros(groups, np.bool_)
        self.crossed: Bools = np.zeros(groups, np.bool_)
        self.open: Bools = np.zeros(groups, np.bool_)
        self.stuck: Bools = np.zeros(groups, np.bool_)

    def suspect(self) -> Bools:
        """Groups whose readings are not to be believed."""
        return self._taken

    def add_crossed(self, swapped: Bools) -> None:
        """Groups that read minus a cell; the groups beside them are spoilt too."""
        if self._watched["sense_crossed"] and swapped.any():
            self.crossed |= swapped
            self._taken |= swapped
            self._taken[:-1] |= swapped[1:]
            self._taken[1:] |= swapped[:-1]

    def add_torn(self, torn: Bools) -> None:
        """Taps, entry k between groups k and k + 1 from 0."""
        if not (self._watched["sense_open"] and torn.any()):
            return
        free = torn & ~self._taken[:-1] & ~self._taken[1:]
        self.open[:-1] |= free
        self._taken[:-1] |= free
        self._taken[1:] |= free

    def add_invalid(self, invalid: Bools) -> None:
        """Groups without any valid reading, neighbours together."""
        if self._watched["sense_open"]:
            self._take_runs(self.open, invalid)

    def add_ends(self, wild: Bools) -> None:
        """(2,) the first and the last group alone."""
        if self._watched["sense_open"]:
            ends = np.zeros(len(self.open), np.bool_)
            ends[[0, -1]] = wild
            ends &= ~self._taken
            self.open |= ends
            self._taken |= ends

    def add_stuck(self, frozen: Bools) -> None:
        """Groups that do not move, neighbours together."""
        if self._watched["reading_stuck"]:
            self._take_runs(self.stuck, frozen)

    def _take_runs(self, named: Bools, which: Bools) -> None:
        if which.any():
            free = which & ~self._taken
            named |= free & ~np.concatenate(([False], free[:-1]))
            self._taken |= free

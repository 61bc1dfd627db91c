"""Each group's resistance against the pack's, from how it moves when the pack moves. Law: no current is needed.

Over a few seconds a group's voltage moves by its resistance times the current, and so does the pack's: the slope of
one on the other is the ratio of their resistances, whatever the current, its sensor and the temperature they share.
It follows a joint that lets go within half a minute, where a figure of the whole ride hardly moves.
"""

from __future__ import annotations

from math import exp

import numpy as np

from sagwise_daemon.domain.alarm.sense.block import BLOCK_S, Bools
from sagwise_daemon.domain.alarm.sense.window import COUNT, MD, MM, D, M, Window
from sagwise_daemon.domain.model import Floats

SPAN_BLOCKS = 3  # seconds over which a movement is taken: the contract's resistance is that of 1 s
MEMORY_S = 30.0  # half the rule's on-delay: the figure is of now, and of more than one pull
STEPS_NEEDED = 3.0  # steps of the common voltage before anything is said, as many as the estimator wants
STEP_V = 0.030  # what counts as one
EARLIER_BLOCKS = 30  # seconds of known figures that make a group's own early in the ride


class Joints:
    """Running sums of the common movement and of each group's with it."""

    def __init__(self, groups: int) -> None:
        self._square = np.zeros(groups)
        self._product = np.zeros(groups)
        self._earlier = np.zeros(groups)
        self._known_for = np.zeros(groups, int)
        self._fade = exp(-BLOCK_S / MEMORY_S)

    def judge(self, short: Window, suspect: Bools) -> Floats:
        """(groups,) resistance over the pack's or over the group's own earlier in the ride, whichever is more.

        NaN while too little has moved. suspect: groups not to be believed, which begin anew.
        """
        total = short.last(SPAN_BLOCKS)
        n = np.maximum(total[COUNT], 1.0)
        mean = total[M] / n
        self._square = self._fade * self._square + np.maximum(total[MM] / n - mean * mean, 0.0)
        self._product = self._fade * self._product + total[MD] / n - mean * total[D] / n
        gone = suspect | (total[COUNT] == 0)
        self._square[gone] = self._product[gone] = 0.0
        # A step through the middle of the span has a quarter of its square as variance, in each of the span's blocks.
        known = self._square > STEPS_NEEDED * SPAN_BLOCKS * STEP_V**2 / 4
        ratio = np.where(known, 1.0 + self._product / np.where(known, self._square, 1.0), np.nan)
        return np.fmax(ratio, ratio / self._own(ratio, known))

    def _own(self, ratio: Floats, known: Bools) -> Floats:
        """Each group's mean ratio over its first known seconds; NaN until they are over."""
        learning = known & (self._known_for < EARLIER_BLOCKS)
        self._earlier[learning] += ratio[learning] / EARLIER_BLOCKS
        self._known_for += learning
        return np.where(self._known_for >= EARLIER_BLOCKS, self._earlier, np.nan)

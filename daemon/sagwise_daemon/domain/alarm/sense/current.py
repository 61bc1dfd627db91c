"""Whether the current reading explains what the voltages do. Law: judged over many movements, never by one.

A pack's voltage falls when its current rises. Where the common voltage moves and the current does not, moves the
other way, or has nothing to do with it, the sensor is wrong; so it is where the current steps and no voltage answers.
At standstill only a little current can flow, and every pause shows the sensor's own zero: pauses that agree on a
current which no standing bike draws are an offset.
"""

from __future__ import annotations

from collections import deque
from math import isnan

import numpy as np

from sagwise_daemon.domain.alarm.sense.block import Block
from sagwise_daemon.domain.alarm.sense.zero import Zero
from sagwise_daemon.domain.model import Floats, Pack
from sagwise_daemon.domain.pack.chemistry import prior_drop_v

BLOCKS = 24  # seconds of the comparison: several pulls, and half a minute until a fault fills it
EVERY = 3  # blocks between two looks
MOVED_V = 0.010  # the common voltage's movement from second to second, standard deviation, worth explaining
MOVES = 5  # seconds in which it moves by half of that at least
BOTH_WAYS_V = 0.040  # up and down: a pack that only recovers, or only empties, does so without the current's doing
UNEXPLAINED = 0.6  # share of that movement which the current leaves over; a healthy pack leaves a tenth
STEP_C = 0.25  # the current's own movement worth answering
NO_ANSWER = 0.15  # of the resistance expected; temperature, age and a wrong pack file make no factor of six
ANSWER_V = 0.008
LOST_V = 0.040  # movement of the common voltage without a current, where there was one
LOST_BLOCKS = 3


class CurrentSensor:
    """Judges block by block."""

    def __init__(self, pack: Pack) -> None:
        self._pack = pack
        self._moves: deque[tuple[float, float]] = deque(maxlen=BLOCKS)
        self._levels: deque[float] = deque(maxlen=BLOCKS)
        self._last: tuple[float, float] | None = None
        self._seen = False
        self._count = 0
        self._wrong = False
        self._lost_for = 0
        self._lost_range = (np.inf, -np.inf)
        self._zero = Zero(pack.capacity_ah)
        self._expected_v = prior_drop_v(pack.cell)

    def judge(self, block: Block) -> float:
        """1 the sensor is wrong, 0 it is not, NaN not known."""
        common, current_c = block.common_mean_v, block.mean_a / self._pack.capacity_ah
        if isnan(current_c):
            return self._lost(block)
        self._seen, self._lost_for, self._lost_range = True, 0, (np.inf, -np.inf)
        if self._last is not None:
            self._moves.append((common - self._last[0], current_c - self._last[1]))
            self._levels.append(current_c)
        self._last = common, current_c
        offset = self._zero.judge(block)
        self._count += 1
        if self._count % EVERY == 0:
            self._wrong = self._unexplained()
        return float(offset or self._wrong)

    def _lost(self, block: Block) -> float:
        self._last = None
        if not self._seen or not np.isnan(block.current_a).all():
            return np.nan
        self._lost_for += 1
        low, high = self._lost_range
        low, high = min(low, float(block.common_v.min())), max(high, float(block.common_v.max()))
        self._lost_range = low, high
        return float(self._lost_for >= LOST_BLOCKS and high - low > LOST_V)

    def _unexplained(self) -> bool:
        if len(self._moves) < BLOCKS // 2:
            return False
        moves = np.array(self._moves)
        volts, amperes = moves[:, 0], moves[:, 1]
        vv, cc, vc = float(volts @ volts), float(amperes @ amperes), float(volts @ amperes)
        count = len(moves)
        if self._no_answer(volts, amperes, vv, cc, vc):
            return True
        if vv < count * MOVED_V**2 or (np.abs(volts) > MOVED_V / 2).sum() < MOVES:
            return False
        if min(volts.clip(min=0.0).sum(), -volts.clip(max=0.0).sum()) < BOTH_WAYS_V:
            return False
        return _explained(volts, amperes, np.array(self._levels)) < 1.0 - UNEXPLAINED

    def _no_answer(self, volts: Floats, amperes: Floats, vv: float, cc: float, vc: float) -> bool:
        count = len(volts)
        if cc < count * STEP_C**2 or (np.abs(amperes) > STEP_C).sum() < MOVES:
            return False
        size = (cc / count) ** 0.5
        return -vc / cc < NO_ANSWER * self._expected_v and self._expected_v * size > ANSWER_V


def _explained(volts: Floats, amperes: Floats, level_c: Floats) -> float:
    """Share of the voltage's movement that is owed to the current: its movement, now or a second ago, and its level.

    The level stands for charge: near empty a steady current lowers the voltage ever faster. A voltage that rises with
    the current is not explained by it.
    """
    if float(volts @ amperes) >= 0.0:
        return 0.0
    before = np.concatenate(([0.0], amperes[:-1]))
    model = np.stack([amperes, before, level_c - amperes, np.ones(len(volts))], axis=1)
    said, *_ = np.linalg.lstsq(model, volts, rcond=1e-6)
    over = volts - model @ said
    return 1.0 - float(over @ over) / max(float(volts @ volts), 1e-12)

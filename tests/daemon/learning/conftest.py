"""Rides of a pack that is made for learning from: steps, coasts, and a rest at either end.

A plain circuit, written apart from the estimator: curve, ohmic part, one relaxation of 20 s. Four readings a second.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from sagwise_daemon.domain.core import State, new_state, take
from sagwise_daemon.domain.estimate import Learnt
from sagwise_daemon.domain.model import Cell, Floats, Pack, Readings
from sagwise_daemon.domain.pack.chemistry import OcvCurve, built_in_curve
from sagwise_daemon.domain.pack.profile import build_pack

STEP_S = 0.25
STATED_AH = 22.5
SLOW_S, SLOW_SHARE = 20.0, 0.4


def pack_of(groups: int, chemistry: str = "nmc", parallel: int = 5) -> Pack:
    """The measured curve is the built-in one, so that it is known exactly."""
    soc, volts = built_in_curve(chemistry)
    full, empty = {"lfp": (3.6, 2.5)}.get(chemistry, (4.2, 2.8))
    return build_pack("Otter", groups, parallel, Cell("measured", 4.5, full, empty, None, None, soc, volts))


@dataclass
class Ridden:
    """capacity, resistance: shares of what is stated, and of 2.8 mΩ, one a group. used: charge drawn, of the stated.

    offset_a: of the current sensor. current: whether it is measured. frozen: (group from 0, from s, to s) that hangs.
    """

    capacity: list[float] = field(default_factory=lambda: [1.0] * 4)
    resistance: list[float] = field(default_factory=lambda: [1.0] * 4)
    chemistry: str = "nmc"
    start: float = 0.95
    used: float = 0.6
    offset_a: float = 0.0
    celsius: float | None = 25.0
    ohm: float = 0.0028
    frozen: tuple[int, float, float] | None = None
    rest_s: float = 240.0

    @property
    def pack(self) -> Pack:
        return pack_of(len(self.capacity), self.chemistry)

    def current(self) -> Floats:
        parts, gone = [np.zeros(round(15 / STEP_S))], 0.0
        for pull in np.tile([3.0, 2.0, 4.0], 200):
            spell = np.concatenate([np.full(round(5 / STEP_S), pull), np.zeros(round(5 / STEP_S))]) * STATED_AH
            parts.append(spell)
            gone += spell.sum() * STEP_S / 3600 / STATED_AH
            if gone >= self.used:
                break
        return np.concatenate([*parts, np.zeros(round(self.rest_s / STEP_S))])

    def truth(self) -> tuple[Floats, Floats, Floats]:
        """Current, (rows,); state of charge and rest voltage after 60 s, (rows, groups)."""
        current = self.current()
        drawn = np.concatenate([[0.0], np.cumsum(current)[:-1]]) * STEP_S / 3600 / STATED_AH
        soc = self.start - drawn[:, None] / np.array(self.capacity)
        return current, soc, self._slow(current)[:, None] * np.array(self.resistance)

    def _slow(self, current: Floats) -> Floats:
        slow, out = 0.0, np.empty_like(current)
        for row, amps in enumerate(current.tolist()):
            out[row] = slow
            slow += (amps * self.ohm * SLOW_SHARE - slow) * STEP_S / SLOW_S
        return out

    def readings(self, seed: int = 0) -> Readings:
        rng = np.random.default_rng(seed)
        current, soc, slow = self.truth()
        curve = OcvCurve(*built_in_curve(self.chemistry))
        volts = curve.volts(soc) - current[:, None] * self.ohm * np.array(self.resistance) - slow
        volts = np.round((volts + rng.normal(0, 0.001, volts.shape)) * 2000) / 2000
        times = np.arange(len(current)) * STEP_S
        if self.frozen is not None:
            group, first, last = self.frozen
            rows = (times >= first) & (times < last)
            volts[rows, group] = volts[np.argmax(rows), group]
        seen = current + self.offset_a + rng.normal(0, 0.2, len(current))
        celsius = np.full((len(times), 1), np.nan if self.celsius is None else self.celsius)
        return Readings(times, volts, seen, celsius, np.full(len(times), np.nan))

    def rest_v(self) -> Floats:
        """(rows, groups) true rest voltage."""
        _, soc, slow = self.truth()
        return OcvCurve(*built_in_curve(self.chemistry)).volts(soc) - slow * np.exp(-60.0 / SLOW_S)

    def ride(self, learnt: Learnt | None = None, seed: int = 0) -> tuple[State, Floats]:
        """Ridden through the core: its state at the end, and rest voltages as estimated, (rows, groups)."""
        state, readings = new_state(self.pack, learnt), self.readings(seed)
        parts = [
            take(state, readings.rows(slice(row, row + 256))).estimates.rest_v for row in range(0, len(readings), 256)
        ]
        return state, np.concatenate(parts)

    def but(self, **changes: object) -> Ridden:
        return replace(self, **changes)  # type: ignore[arg-type]


@pytest.fixture
def ridden() -> Callable[..., Ridden]:
    return Ridden

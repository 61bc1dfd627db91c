"""Records made up from closed forms, so that every figure can be worked out by hand."""

from __future__ import annotations

from collections.abc import Callable
from types import MappingProxyType

import numpy as np
import pytest

from sagwise_daemon.domain.model import (
    AlarmEvent,
    AlarmState,
    Cell,
    Estimates,
    Pack,
    Priority,
    Readings,
    RuleSettings,
)
from sagwise_daemon.domain.ride.recorded import Recorded

SERIES = 4
CAPACITY_AH = 22.5
NAN = float("nan")


def make_pack(series: int = SERIES, full_v: float = 4.2) -> Pack:
    """5 parallel cells of 4.5 Ah; the curve is a straight line from 3.0 V at empty to 4.2 V at full."""
    cell = Cell("measured", 4.5, full_v, 2.8, 14.0, 30.0, np.array([0.0, 1.0]), np.array([3.0, 4.2]))
    rule = RuleSettings(3.3, 0.05, 1.0, 10.0, 0.0, Priority.HIGH, False, True)
    return Pack("Otter 4s5p", series, 5, cell, MappingProxyType({"rest_low": rule}))


def make_record(
    current_a: np.ndarray,
    *,
    hz: float = 10.0,
    resistance_mohm: tuple[float, ...] = (3.0, 3.0, 3.0, 4.5),
    capacity_ah: tuple[float, ...] = (22.5,) * SERIES,
    soc: float | tuple[float, ...] = 0.95,
    temperature_c: float = 25.0,
    distance_m: np.ndarray | None = None,
    events: tuple[tuple[float, AlarmEvent], ...] = (),
) -> Recorded:
    """A pack of pure resistances: rest is the curve at the charge left, loaded rest less I·R. Estimates are exact."""
    current_a = np.asarray(current_a, float)
    rows = len(current_a)
    time_s = np.arange(rows) / hz
    drawn_ah = np.concatenate([[0.0], np.cumsum(0.5 * (current_a[1:] + current_a[:-1]) / hz)]) / 3600
    rest_v = 3.0 + 1.2 * (np.array(soc) - drawn_ah[:, None] / np.array(capacity_ah))
    resistance = np.array(resistance_mohm)
    group_v = rest_v - current_a[:, None] * resistance / 1000
    metres = np.full(rows, NAN) if distance_m is None else distance_m
    readings = Readings(time_s, group_v, current_a, np.full((rows, 2), temperature_c), metres)
    once = slice(None, None, max(1, int(hz)))
    full = np.ones_like(rest_v[once])
    estimates = Estimates(
        time_s[once],
        rest_v[once],
        0.005 * full,
        rest_v[once],
        resistance * full,
        resistance * full,
        (rest_v[once] - 3.0) / 1.2,
        np.zeros(full.shape, np.int8),
    )
    return Recorded(make_pack(len(resistance)), readings, estimates, events)


def make_event(
    rule: str, group: int | None, to: AlarmState = AlarmState.UNACKNOWLEDGED, priority: Priority = Priority.HIGH
) -> AlarmEvent:
    return AlarmEvent(0.0, rule, group, to, priority, 3.29, 3.3, "V")


@pytest.fixture
def pack() -> Callable[..., Pack]:
    return make_pack


@pytest.fixture
def record() -> Callable[..., Recorded]:
    return make_record


@pytest.fixture
def event() -> Callable[..., AlarmEvent]:
    return make_event

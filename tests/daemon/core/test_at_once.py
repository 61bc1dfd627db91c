"""Readings alone or many at once: the very same estimates, energies and events, bit by bit."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from sagwise_daemon.domain import core
from sagwise_daemon.domain.model import Cell, Readings
from sagwise_daemon.domain.pack.chemistry import OcvCurve, built_in_curve
from sagwise_daemon.domain.pack.profile import build_pack

GROUPS, HZ, ROWS = 6, 25, 4500
CELL = Cell("nmc", 4.5, 4.2, 2.8, 14.0, 30.0, *built_in_curve("nmc"))


def ride() -> Readings:
    """Bursts at 25 Hz, 22 % to nearly empty; a lead off for a while, current lost for 2 s and for 5 s, a gap of 4 s."""
    rng = np.random.default_rng(11)
    time = np.arange(ROWS) / HZ + np.where(np.arange(ROWS) > 2500, 4.0, 0.0)
    current = np.repeat(rng.choice([0.0, 15.0, 70.0, 110.0], ROWS // 50), 50)
    current[:500] = 0.0
    soc = 0.22 - np.cumsum(current) / HZ / 3600.0 / 22.5 * 1.6
    ohm = 0.003 * np.array([1.0, 1.0, 1.1, 1.4, 1.0, 0.95])
    volts = OcvCurve(CELL.ocv_soc, CELL.ocv_v).volts(soc)[:, None] - current[:, None] * ohm
    volts = np.round(volts + rng.normal(0.0, 0.002, volts.shape), 3)
    volts[1500:1700, 2] = np.nan
    current = current + rng.normal(0.0, 0.3, ROWS)
    current[2000:2050] = current[3000:3125] = np.nan
    distance = np.where(np.arange(ROWS) % 7 == 0, time * 8.0, np.nan)
    return Readings(time, volts, current, np.full((ROWS, 2), 20.0), distance)


def told(readings: Readings, at_once: int) -> tuple[dict[str, Any], list[Any]]:
    state = core.new_state(build_pack("Otter", GROUPS, 5, CELL))
    parts = [core.take(state, readings.rows(slice(k, k + at_once))) for k in range(0, ROWS, at_once)]
    names = [*core.Estimates.__dataclass_fields__]
    columns = {name: np.concatenate([np.atleast_1d(getattr(p.estimates, name)) for p in parts]) for name in names}
    columns["shortfall_v"] = np.concatenate([part.shortfall_v for part in parts])
    return columns, [event for part in parts for event in part.events]


@pytest.fixture(scope="module")
def alone() -> tuple[dict[str, Any], list[Any]]:
    return told(ride(), 1)


@pytest.mark.parametrize("at_once", [7, 256])
def test_how_many_come_at_once_changes_nothing(alone: tuple[dict[str, Any], list[Any]], at_once: int) -> None:
    columns, events = told(ride(), at_once)
    for name, column in columns.items():
        np.testing.assert_array_equal(column, alone[0][name], err_msg=name)
    assert events == alone[1]
    assert {"rest_low", "sense_open"} & {event.rule for event in events}
    assert np.isfinite(columns["energy_left_wh"]).any()

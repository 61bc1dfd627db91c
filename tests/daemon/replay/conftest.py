"""A pack of four groups, and rides over it that the test makes itself, by a cell of its own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.io.trace import Trace

PACK = """[pack]
name = "Heron's little sister"
series = 4
parallel = 1
[cell]
chemistry = "measured"
capacity_ah = 5.0
full_v = 4.20
empty_v = 2.80
resistance_mohm = 20
max_discharge_a = 40
ocv = [[0.0, 3.00], [0.1, 3.30], [0.3, 3.55], [0.5, 3.68], [0.8, 3.98], [1.0, 4.18]]
[alarm.rest_low]
volts = 3.30
"""
SOC = [0.0, 0.1, 0.3, 0.5, 0.8, 1.0]
OCV_V = [3.00, 3.30, 3.55, 3.68, 3.98, 4.18]
DT = 0.1


@pytest.fixture
def pack_file(tmp_path: Path) -> Path:
    path = tmp_path / "sister.toml"
    path.write_text(PACK, encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def ride() -> Callable[..., Trace]:
    """A ride of 3 s pulls at 30 A (6C) and 5 s of coasting after 20 s of rest, from `start` to `end` of charge.

    The cell: the curve above in straight lines, 15 mΩ at once and 8 mΩ after 10 s. Group 3 starts 2 % lower.
    """

    def make(start: float, end: float) -> Trace:
        seconds = 20.0 + (start - end) * 5.0 * 3600.0 / 30.0 * 8.0 / 3.0
        time_s = np.arange(round(seconds / DT)) * DT
        current = np.where((time_s > 20.0) & ((time_s - 20.0) % 8.0 < 3.0), 30.0, 0.0)
        low_pass, slow = np.zeros(len(time_s)), 0.0
        for row, amperes in enumerate(current):
            slow += (amperes - slow) * DT / 10.0
            low_pass[row] = slow
        charge = start - np.cumsum(current) * DT / 3600.0 / 5.0
        groups = [np.interp(charge - less, SOC, OCV_V) for less in (0.0, 0.0, 0.02, 0.0)]
        volts = np.stack(groups, axis=1) - (0.015 * current + 0.008 * low_pass)[:, None]
        return Trace(time_s, np.round(volts / 5e-4) * 5e-4, current, np.full((len(time_s), 1), 25.0), None)

    return make

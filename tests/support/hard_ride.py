"""A ride that brings everything: alarms, gaps, blanks, a lead that comes off. Law: same seed, same ride."""

from __future__ import annotations

import numpy as np

from sagwise_daemon.domain.model import Cell, Readings
from sagwise_daemon.domain.pack.chemistry import built_in_curve

ROWS, GROUPS = 1500, 5


def a_cell(max_discharge_a: float = 5.0) -> Cell:
    """4.5 Ah, nmc; five in parallel ride here."""
    soc, v = built_in_curve("nmc")
    return Cell("nmc", 4.5, 4.2, 2.8, 14.0, max_discharge_a, soc, v)


def hard_ride(seed: int) -> Readings:
    """Pulls, regen in the cold, gaps, blanks, a lead that comes off, down to empty."""
    rng = np.random.default_rng(seed)
    step_s = np.where(rng.random(ROWS) < 0.005, rng.uniform(0.5, 150.0, ROWS), 0.05)
    time_s = np.round(np.cumsum(step_s), 6)
    current = np.where(time_s % 8.0 < 3.0, rng.uniform(50.0, 100.0), 0.0) + rng.normal(0.0, 0.3, ROWS)
    current -= np.where(time_s % 40.0 < 6.0, 60.0, 0.0)
    soc, v = built_in_curve("nmc")
    charge = 0.3 - 0.35 * np.arange(ROWS) / ROWS
    volts = np.interp(charge, soc, v)[:, None] - 0.0035 * current[:, None] - np.linspace(0.0, 0.08, GROUPS)
    volts += rng.normal(0.0, 0.003, volts.shape)
    volts[rng.random(volts.shape) < 0.01] = np.nan
    volts[700:740, : rng.integers(1, GROUPS + 1)] = np.nan
    volts[1000:1100, 1] += rng.choice([-2.0, 0.6])
    celsius = (
        25.0 + rng.normal(0.0, 0.1, (ROWS, 2)) + np.where(time_s % 60.0 > 40.0, rng.choice([-48.0, 40.0]), 0.0)[:, None]
    )
    celsius[rng.random(celsius.shape) < 0.02] = np.nan
    current[rng.random(ROWS) < 0.05] = np.nan
    current[1200:1260] = np.nan
    metres = np.cumsum(rng.random(ROWS))
    metres[rng.random(ROWS) < 0.1] = np.nan
    return Readings(time_s, volts, current, celsius, metres)

"""A year of rides of one pack, made by the simulator. Law: seeded; the pack is the same on every ride but for its age.

The groups differ by fixed factors, as built. Every group ages alike, and one of them faster. The weather is that of a
northern year, so that resistances swing by half between January and July.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sagwise_daemon.io.trace import Trace
from sagwise_sim.pack import Pack
from sagwise_sim.scenario import Scenario, parse
from sagwise_sim.simulation import build, simulate

DAYS = 365.0
SERIES = 16
RATE_HZ = 5.0
RISE_A, ROWS = 22.5, 3  # a rise of 1C, between means of three rows


@dataclass(frozen=True, slots=True)
class Year:
    """How the pack ages: per_year for all, aged_per_year more for the group `aged`."""

    rides: int
    aged: int = 7
    aged_per_year: float = 0.35
    per_year: float = 0.06
    seed: int = 4

    def day(self, number: int) -> float:
        """When a ride was, in days; number counts from 0."""
        return DAYS * (number + 0.5) / self.rides

    def trace(self, number: int) -> Trace:
        """Four minutes: rest, ride, rest."""
        made = simulate(self._parsed(number))
        return Trace(made.time_s, made.group_v, made.current_a, made.temperature_c, made.distance_m)

    def true_ratio(self, number: int) -> float:
        """The aged group's 1 s resistance over the median, for the rises of 1C and more that this ride makes: at each
        of them a copy of the cells takes the step for a second, and another goes on as before.
        """
        current_a = self.trace(number).current_a
        assert current_a is not None
        pack, found, last = build(self._parsed(number)).pack, [], -ROWS
        for row, amperes in enumerate(current_a.tolist()):
            before_a = float(current_a[max(0, row - ROWS + 1) : row + 1].mean())
            after_a = float(current_a[row + 1 : row + ROWS + 1].mean()) if row + ROWS < len(current_a) else before_a
            if after_a - before_a >= RISE_A and row - last > ROWS:
                last = row
                found.append((_after_1s(pack, before_a) - _after_1s(pack, after_a)) / (after_a - before_a))
            pack.step(amperes, 1.0 / RATE_HZ)
        resistance = np.median(np.array(found), axis=0)
        return float(resistance[self.aged - 1] / np.median(resistance))

    def _parsed(self, number: int) -> Scenario:
        rng = np.random.default_rng((self.seed, number))
        year = self.day(number) / DAYS
        ambient_c = 11.0 - 9.0 * math.cos(2 * math.pi * year) + rng.normal(0.0, 3.0)
        return parse(f"ride {number}", self._scenario(number, year, float(ambient_c), rng))

    def _scenario(self, number: int, year: float, ambient_c: float, rng: np.random.Generator) -> dict[str, Any]:
        built = np.random.default_rng(self.seed)
        factors = 1.0 + built.normal(0.0, 0.03, SERIES)
        capacities = 1.0 + built.normal(0.0, 0.005, SERIES)
        ages = np.full(SERIES, 1.0 + self.per_year * year)
        ages[self.aged - 1] += self.aged_per_year * year
        groups = [
            {"number": group, "resistance": float(factor * age), "capacity": float(capacity)}
            for group, (factor, age, capacity) in enumerate(zip(factors, ages, capacities, strict=True), 1)
        ]
        return {
            "scenario": {"title": f"Otter, ride {number} of a year", "seed": self.seed * 10_000 + number},
            "pack": {
                "name": "Otter 16s5p",
                "chemistry": "nmc",
                "series": SERIES,
                "parallel": 5,
                "capacity_ah": 4.5,
                "resistance_mohm": 14,
                "start_soc": float(rng.uniform(0.6, 0.98)),
                "spread_capacity": 0.0,
                "spread_resistance": 0.0,
                "spread_soc": 0.001,
                "ambient_c": ambient_c,
                "start_c": ambient_c + float(rng.uniform(0.0, 6.0)),
            },
            "group": groups,
            "sensors": {"rate_hz": RATE_HZ},
            "segment": [
                {"kind": "rest", "duration_s": 15},
                {"kind": "ride", "duration_s": 150, "intensity": float(rng.uniform(0.4, 0.9))},
                {"kind": "rest", "duration_s": 70},
            ],
        }


def _after_1s(pack: Pack, current_a: float) -> np.ndarray:
    """(groups,) loaded voltages after a second of that current, the pack untouched."""
    aside = copy.deepcopy(pack)
    aside.step(current_a, 1.0)
    return np.asarray(aside.loaded_v(current_a))

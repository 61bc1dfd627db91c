"""A year of rides of one pack, made by the simulator. Law: seeded; the pack is the same on every ride but for its age.

The groups differ by fixed factors, as built. Every group ages alike, and one of them faster. The weather is that of a
northern year, so that resistances swing by half between January and July.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sagwise_daemon.io.trace import Trace
from sagwise_sim.scenario import parse
from sagwise_sim.simulation import build, simulate

DAYS = 365.0
SERIES = 16
RATE_HZ = 5.0
STEP_A, MEAN_C = 45.0, 14.0


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
        rng = np.random.default_rng((self.seed, number))
        year = self.day(number) / DAYS
        ambient_c = 11.0 - 9.0 * math.cos(2 * math.pi * year) + rng.normal(0.0, 3.0)
        made = simulate(parse(f"ride {number}", self._scenario(number, year, float(ambient_c), rng)))
        return Trace(made.time_s, made.group_v, made.current_a, made.temperature_c, made.distance_m)

    def true_ratio(self, year: float) -> float:
        """The aged group's 1 s resistance over the median, as a step finds it in cells as warm as they mostly were."""
        told = self._scenario(0, year, MEAN_C, np.random.default_rng(0))
        told["pack"] |= {"start_soc": 0.7, "start_c": MEAN_C, "spread_soc": 0.0}
        pack = build(parse("step", told)).pack
        before_v = pack.loaded_v(0.0)
        pack.step(STEP_A, 1.0)
        resistance = (before_v - pack.loaded_v(STEP_A)) / STEP_A
        return float(resistance[self.aged - 1] / np.median(resistance))

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

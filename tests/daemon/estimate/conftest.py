"""Rides of an equivalent circuit, written apart from the estimator, and the means to play any ride through it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from sagwise_daemon.domain import estimate
from sagwise_daemon.domain.model import Cell, Estimate, Floats, Pack, Reading
from sagwise_daemon.domain.pack.chemistry import OcvCurve, built_in_curve
from sagwise_daemon.domain.pack.profile import build_pack


@dataclass
class Ride:
    """volts: (rows, groups). rest: the true rest voltage, (rows, groups). At 10 Hz."""

    time_s: Floats
    current_a: Floats
    volts: Floats
    rest: Floats
    soc: Floats
    temperature_c: Floats


@dataclass
class Circuit:
    """A group as a plain circuit of 22.5 Ah: ohmic, 3 s and 60 s elements, none of them the estimator's own.

    capacity, resistance: shares of the stated ones, one a group.
    """

    chemistry: str = "nmc"
    capacity: list[float] = field(default_factory=lambda: [1.0] * 6)
    resistance: list[float] = field(default_factory=lambda: [1.0] * 6)
    soc: float = 0.9
    ohmic: float = 0.0028
    elements: tuple[tuple[float, float], ...] = ((3.0, 0.0008), (60.0, 0.0012))
    noise_v: float = 0.002
    cold: float = 1.0
    temperature_c: float = 25.0

    def ride(self, minutes: float = 5.0, seed: int = 3, peak_a: float = 110.0, rest_s: float = 15.0) -> Ride:
        rng = np.random.default_rng(seed)
        rows = int(minutes * 600)
        current = np.zeros(rows)
        at = int(rest_s * 10)
        while at < rows:
            hold = int(rng.integers(20, 80))
            current[at : at + hold] = rng.choice([0.0, 0.0, 8.0, rng.uniform(0.4, 1.0) * peak_a])
            at += hold
        return self.respond(current, rng)

    def respond(self, current: Floats, rng: np.random.Generator) -> Ride:
        curve = OcvCurve(*built_in_curve(self.chemistry))
        share, more = np.array(self.capacity), np.array(self.resistance) * self.cold
        drawn = np.concatenate([[0.0], np.cumsum(current[:-1])]) * 0.1 / 3600 / 22.5
        soc = self.soc - drawn[:, None] / share
        slow, slow_left = np.zeros(len(current)), np.zeros(len(current))
        for tau, r in self.elements:
            decay, x = np.exp(-0.1 / tau), 0.0
            for k, amps in enumerate(current):
                slow[k] += r * x
                slow_left[k] += r * x * np.exp(-60.0 / tau)
                x = amps + (x - amps) * decay
        ocv = curve.volts(soc)
        volts = ocv - more * (self.ohmic * current + slow)[:, None] + rng.normal(0, self.noise_v, soc.shape)
        times = np.arange(len(current)) * 0.1
        degrees = np.full(len(current), self.temperature_c)
        return Ride(times, current, volts, ocv - more * slow_left[:, None], soc, degrees)


def make_pack(series: int, chemistry: str = "nmc", resistance_mohm: float | None = 14.0) -> Pack:
    full, empty = {"lfp": (3.6, 2.5)}.get(chemistry, (4.2, 2.8))
    cell = Cell(chemistry, 4.5, full, empty, resistance_mohm, None, *built_in_curve(chemistry))
    return build_pack("Otter", series, 5, cell)


def play(
    pack: Pack, ride: Ride, state: estimate.EstimatorState | None = None, temperature: bool = True
) -> list[Estimate]:
    state = estimate.new(pack) if state is None else state
    degrees = [np.array([c]) if temperature else np.empty(0) for c in ride.temperature_c]
    rows = zip(ride.time_s, ride.volts, ride.current_a, degrees, strict=True)
    return [estimate.update(state, Reading(float(t), v, float(i), c)) for t, v, i, c in rows]


def column(estimates: list[Estimate], name: str) -> Floats:
    return np.array([getattr(e, name) for e in estimates])


class Bench:
    """The helpers of this folder, since test modules cannot import a conftest."""

    circuit = Circuit
    pack = staticmethod(make_pack)
    play = staticmethod(play)
    column = staticmethod(column)


@pytest.fixture(scope="session")
def usual() -> tuple[Ride, list[Estimate]]:
    """Five minutes of a sound pack of six groups, played once for all that only look at it."""
    ride = Circuit().ride()
    return ride, play(make_pack(6), ride)


@pytest.fixture(scope="session")
def bench() -> Bench:
    return Bench()

"""One reading through estimator and energy. Law: as the core does it."""

from __future__ import annotations

from sagwise_daemon.domain import estimate
from sagwise_daemon.domain.estimate.energy import EnergyLeft, Left
from sagwise_daemon.domain.model import Reading, Readings


def add(energy: EnergyLeft, state: estimate.EstimatorState, reading: Reading) -> Left:
    """What is left after `reading`."""
    readings = Readings.one(reading)
    estimates, told = estimate.take(state, readings)
    return energy.take(readings, estimates, told)[0]

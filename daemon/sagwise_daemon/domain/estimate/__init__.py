"""Estimation: `new(pack)`, then `take(state, readings)`. Law: callers use these names and no file behind them."""

from __future__ import annotations

from sagwise_daemon.domain.estimate.estimator import (
    EstimatorState,
    learnt,
    new,
    ride_ended,
    shortfall_v,
    shortfalls_v,
    soc_sigma,
    take,
    update,
    weak_groups,
)
from sagwise_daemon.domain.estimate.held import resistance_10s_25c_mohm
from sagwise_daemon.domain.estimate.taught import Learnt
from sagwise_daemon.domain.estimate.weak import Kind, Weakness

__all__ = [
    "EstimatorState",
    "Kind",
    "Learnt",
    "Weakness",
    "learnt",
    "new",
    "resistance_10s_25c_mohm",
    "ride_ended",
    "shortfall_v",
    "shortfalls_v",
    "soc_sigma",
    "take",
    "update",
    "weak_groups",
]

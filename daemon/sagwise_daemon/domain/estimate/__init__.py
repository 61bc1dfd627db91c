"""Estimation: `new(pack)`, then `take(state, readings)`. Law: callers use these names and no file behind them."""

from __future__ import annotations

from sagwise_daemon.domain.estimate.estimator import (
    EstimatorState,
    new,
    shortfall_v,
    shortfalls_v,
    soc_sigma,
    take,
    update,
)
from sagwise_daemon.domain.estimate.held import resistance_10s_25c_mohm

__all__ = [
    "EstimatorState",
    "new",
    "resistance_10s_25c_mohm",
    "shortfall_v",
    "shortfalls_v",
    "soc_sigma",
    "take",
    "update",
]

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

__all__ = ["EstimatorState", "new", "shortfall_v", "shortfalls_v", "soc_sigma", "take", "update"]

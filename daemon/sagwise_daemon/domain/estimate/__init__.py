"""Estimation: `new(pack)`, then `update(state, reading)`. Law: callers use these names and no file behind them."""

from __future__ import annotations

from sagwise_daemon.domain.estimate.estimator import EstimatorState, new, shortfall_v, soc_sigma, update

__all__ = ["EstimatorState", "new", "shortfall_v", "soc_sigma", "update"]

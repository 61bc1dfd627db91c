"""A first-order low pass over many readings at once. Law: the same as taking them one after another."""

from __future__ import annotations

from math import exp

import numpy as np

from sagwise_daemon.domain.model import Floats

# Weights grow as exp(time / tau) within a stretch; this keeps them far from where the earliest would be lost.
LONGEST = 100.0


def low_passed(first: Floats, values: Floats, seconds: Floats, tau_s: float) -> Floats:
    """(rows, n): from `first` (n,) on, drawn towards each of `values` (rows, n) for its `seconds` (rows,), with the
    time constant `tau_s`.
    """
    if len(values) == 1:
        return np.asarray(first + (values - first) * (1.0 - exp(-float(seconds[0]) / tau_s)))
    ages = np.cumsum(seconds) / tau_s
    if ages[-1] > LONGEST:
        half = len(values) // 2
        early = low_passed(first, values[:half], seconds[:half], tau_s)
        return np.concatenate([early, low_passed(early[-1], values[half:], seconds[half:], tau_s)])
    grown = np.exp(ages)
    parts = -np.expm1(seconds / -tau_s) * grown
    return np.asarray((first + np.cumsum(parts[:, None] * values, axis=0)) / grown[:, None])

"""A first-order low pass over readings in turn. Law: many at once are the same, to the last bit, as one by one."""

from __future__ import annotations

from math import exp

import numpy as np

from sagwise_daemon.domain.model import Floats


def low_passed(first: Floats, values: Floats, seconds: Floats, tau_s: float) -> Floats:
    """(rows, n): from `first` (n,) on, drawn towards each of `values` (rows, n) for its `seconds` (rows,), with the
    time constant `tau_s`.
    """
    passed, last = np.empty_like(values), first
    for row, value, span_s in zip(passed, values, seconds.tolist(), strict=True):
        np.subtract(value, last, out=row)
        row *= 1.0 - exp(-span_s / tau_s)
        row += last
        last = row
    return passed

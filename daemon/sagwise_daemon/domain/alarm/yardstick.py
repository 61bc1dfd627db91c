"""The buzzer that sagwise is measured against. Law: it knows nothing but the lowest loaded voltage.

Below the limit for `on_delay_s` it sounds; at or above it re-arms. A reading without any valid group leaves it as
it is.
"""

from __future__ import annotations

import numpy as np

from sagwise_daemon.domain.alarm.delays import TOLERANCE
from sagwise_daemon.domain.model import Floats

ON_DELAY_S = 1.0


def plain_threshold(
    time_s: Floats, group_v: Floats, limit_v: float, on_delay_s: float = ON_DELAY_S
) -> list[tuple[float, int]]:
    """When it would have sounded, and which group was the lowest then (from 1).

    time_s: (rows,) rising. group_v: (rows, groups), NaN invalid. The moment is the exact end of the delay.
    """
    known = ~np.isnan(group_v).all(axis=1)
    time_s, group_v = time_s[known], group_v[known]
    if not len(time_s):
        return []
    below = np.fmin.reduce(group_v, axis=1) < limit_v - TOLERANCE
    edges = np.flatnonzero(np.diff(below, prepend=False, append=False))
    sounded: list[tuple[float, int]] = []
    for first, after in edges.reshape(-1, 2).tolist():
        moment = float(time_s[first]) + on_delay_s
        row = int(np.searchsorted(time_s, moment - TOLERANCE))
        if row < after:
            sounded.append((moment, int(np.nanargmin(group_v[row])) + 1))
    return sounded

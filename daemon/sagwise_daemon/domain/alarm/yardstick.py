"""The buzzer that sagwise is measured against. Law: it knows nothing but the lowest loaded voltage.

Below the limit for `on_delay_s` it sounds; at or above it re-arms. A reading without any valid group leaves it as
it is.
"""

from __future__ import annotations

import numpy as np

from sagwise_daemon.domain.alarm.delays import TOLERANCE
from sagwise_daemon.domain.model import Floats

ON_DELAY_S = 1.0


class Buzzer:
    """The lowest loaded voltage of a ride, to be tried with one setting after another.

    time_s: (rows,) rising. group_v: (rows, groups), NaN invalid.
    """

    def __init__(self, time_s: Floats, group_v: Floats) -> None:
        lowest = np.fmin.reduce(group_v, axis=1)
        known = ~np.isnan(lowest)
        self._time_s, self._lowest_v, self._group_v = time_s[known], lowest[known], group_v
        self._rows = np.flatnonzero(known)

    def sounded(self, limit_v: float, on_delay_s: float = ON_DELAY_S) -> list[tuple[float, int]]:
        """When it would have sounded, and which group was the lowest then (from 1).

        The moment is the exact end of the delay.
        """
        below = self._lowest_v < limit_v - TOLERANCE
        edges = np.flatnonzero(np.diff(below, prepend=False, append=False))
        sounded: list[tuple[float, int]] = []
        for first, after in edges.reshape(-1, 2).tolist():
            moment = float(self._time_s[first]) + on_delay_s
            row = int(np.searchsorted(self._time_s, moment - TOLERANCE))
            if row < after:
                sounded.append((moment, int(np.nanargmin(self._group_v[self._rows[row]])) + 1))
        return sounded


def plain_threshold(
    time_s: Floats, group_v: Floats, limit_v: float, on_delay_s: float = ON_DELAY_S
) -> list[tuple[float, int]]:
    """As `Buzzer.sounded`, for a single setting."""
    return Buzzer(time_s, group_v).sounded(limit_v, on_delay_s)

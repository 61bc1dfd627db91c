"""Limit, deadband and delays of many conditions at once. Law: only what was measured raises or clears.

One entry of each array is one condition. It is met when its value lies beyond the limit, and gone when the value
lies beyond the limit the other way by more than the deadband; in between neither. After OPC UA Part 9 (deadband,
on-delay, off-delay):

- On: met at one reading and at every known one until the on-delay has passed, the condition stands. One reading
  that is not met starts the delay anew.
- Off: gone at one reading and at every known one until the off-delay has passed, it falls. One reading that is not
  gone starts the delay anew.
- NaN is not known: it neither raises nor clears. Time up to an unknown reading, and a gap between readings, counts
  towards an on-delay that met readings frame and never towards an off-delay: the cautious reading of both.
- Looks between which nothing changes are passed over together: where no delay runs and no value lies beyond what
  would start one, a look leaves everything as it is.
- The moment of a change is the exact end of its delay, which lies between the reading before and the one that
  proves it; after unknown time never earlier than the last moment looked at.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.model import Floats

Indices = NDArray[np.intp]

# Half a nano-unit: far below the wire's steps, far above the rounding of sums such as 3.30 + 0.05.
TOLERANCE = 5e-10
NEVER = np.inf


class Delays:
    """The conditions' standing. All arrays are (n,).

    sign: +1 where values above the limit are met, -1 where below. at_limit: whether the limit itself is met.
    """

    def __init__(
        self, sign: Floats, limit: Floats, deadband: Floats, off_delay_s: Floats, at_limit: NDArray[np.bool_]
    ) -> None:
        self._sign = sign
        self._met_beyond = sign * limit + np.where(at_limit, -TOLERANCE, TOLERANCE)
        self._gone_within = sign * limit - deadband - TOLERANCE
        self._off_delay_s = off_delay_s
        self._on_since = np.full(len(limit), NEVER)
        self._off_since = np.full(len(limit), NEVER)
        self._running = False  # whether a delay has begun and not ended
        self.standing: NDArray[np.bool_] = np.zeros(len(limit), np.bool_)

    def updates(
        self, time_s: Floats, value: Floats, on_delay_s: Floats, since_last_s: Floats, gap_s: float
    ) -> Iterator[tuple[int, Indices, Floats]]:
        """Take looks in turn: the row of each at which something changed, and what `update` says of it.

        time_s, since_last_s: (rows,). value, on_delay_s: (rows, n). A look more than `gap_s` after the last one
        knows nothing of the time between. Take all of them: the looks are had as the iterator goes on.
        """
        row = 0
        while row < len(time_s):
            if not self._running:
                row += self._quiet(value[row:])
                if row == len(time_s):
                    return
            since = float(since_last_s[row])
            now = float(time_s[row])
            changed, moments = self.update(
                now, value[row], on_delay_s[row], began_s=now, since_last_s=since, gap=since > gap_s
            )
            if len(changed):
                yield row, changed, moments
            row += 1

    def _quiet(self, value: Floats) -> int:
        """How many looks from the first on leave everything as it is; no delay runs."""
        signed = self._sign * value
        stirred = np.where(self.standing, signed < self._gone_within, signed > self._met_beyond).any(axis=1)
        return int(stirred.argmax()) if stirred.any() else len(value)

    def update(
        self,
        time_s: float,
        value: Floats,
        on_delay_s: Floats,
        *,
        began_s: Floats | float,
        since_last_s: float,
        gap: bool,
    ) -> tuple[Indices, Floats]:
        """Take one look; the conditions that changed and the moments they did, in no order.

        value: in the rule's unit, NaN unknown. began_s: since when a condition first met now has been so, as a
        rule `time_s`. since_last_s: time since the last look at all values; gap: nothing was known in between.
        """
        signed = self._sign * value
        met = signed > self._met_beyond
        gone = signed < self._gone_within
        known = signed == signed
        self._off_since[...] += np.where(known, since_last_s if gap else 0.0, since_last_s)
        np.minimum(self._on_since, began_s, out=self._on_since, where=met)
        np.copyto(self._on_since, NEVER, where=known & ~met)
        np.minimum(self._off_since, time_s, out=self._off_since, where=gone)
        np.copyto(self._off_since, NEVER, where=known & ~gone)
        ends = np.where(self.standing, self._off_since + self._off_delay_s, self._on_since + on_delay_s)
        changed = np.flatnonzero(np.where(self.standing, gone, met) & (ends <= time_s + TOLERANCE))
        self.standing[changed] ^= True
        self._running = bool((np.where(self.standing, self._off_since, self._on_since) < NEVER).any())
        return changed, np.minimum(ends[changed], time_s)

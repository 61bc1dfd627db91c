"""The 1 s resistance, straight from load steps of the ride. Law: a step is two calm windows, never two samples.

A current sensor that lags the voltages by 0.1 to 0.3 s ruins a resistance taken from neighbouring samples. So the
voltage is averaged over a calm window before a rise and another that begins well after it. Each step is brought to
25 degC; the figure is the median of the rises of at least 1C so far (the contract's resistance). Charge transfer bends
(Butler and Volmer's asinh), so a rise from a load that is there already shows less than one from rest, up to a third;
each is brought to a rise from rest by the share of the drop that bends.
"""

from __future__ import annotations

from math import asinh, inf, nan

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.model import Floats

RING = 64
MAD_TO_SIGMA = 1.4826  # median absolute deviation of a normal distribution
SPACING_S = 0.04  # 64 samples at least this far apart hold the 2.3 s that a step needs
MIDDLE_BEFORE_S = sum(s.STEP_BEFORE_S) / 2


def step_resistance(before_v: Floats, before: float, after_v: Floats, after: float) -> Floats:
    """R = (V1 − V2)/(I2 − I1), as IEC 61960-3 has it; volts per unit of the currents."""
    return (before_v - after_v) / (after - before)


def drop_of_step(low: float, high: float) -> float:
    """1 s drop of a step from `low` to `high`, in C, over its size: 1 at small steps near rest, less at larger ones."""
    bent = asinh(s.ASINH_GAIN * high) - asinh(s.ASINH_GAIN * low)
    return s.STEP_STRAIGHT + (1.0 - s.STEP_STRAIGHT) * bent / (s.ASINH_GAIN * (high - low))


def median_rows(rows: Floats) -> Floats:
    """Median down the first axis, NaN left out; NaN where a column has no value."""
    ordered = np.sort(rows, axis=0)  # NaN comes last
    count = np.isfinite(ordered).sum(axis=0)
    column = np.arange(rows.shape[1])
    low = ordered[np.maximum(count - 1, 0) // 2, column]
    high = ordered[np.minimum(count // 2, len(rows) - 1), column]
    return np.asarray(np.where(count > 0, (low + high) / 2, np.nan))


class Steps:
    """The last two seconds, and the steps found so far.

    r_25: (groups,) at 25 degC, volts per C, for a step of step_c from rest; NaN until three steps are seen, complete
    when none is. step_c: their median size. middle_v: of the middle group as the steps were, whatever load they began
    from, NaN until known: the filters' figures were found with it.
    """

    def __init__(self, groups: int) -> None:
        # Lists, since one number of an array costs more than all that is done with it.
        self._time, self._c = [-inf] * RING, [0.0] * RING
        self._volts: list[Floats] = [np.full(groups, np.nan)] * RING
        self._next = self._tail = 0
        self._free_at = -inf
        self._found = np.full((s.STEPS_KEPT, groups), np.nan)
        self._sizes = np.full((s.STEPS_KEPT, 1), np.nan)
        self._bends = np.full((s.STEPS_KEPT, 1), np.nan)
        self._count = 0
        self.r_25: Floats = np.full(groups, np.nan)
        self.middle_v = nan
        self.step_c = s.TYPICAL_STEP_C
        self.complete = False

    def interrupt(self, time_s: float) -> None:
        """Nothing before this moment may be one side of a step: readings were lost, or the board began anew."""
        self._time = [-inf] * RING
        self._free_at = time_s

    def add(self, time_s: float, volts: Floats, c: float, factor: float) -> None:
        """Take one sample; `factor`: the temperature's factor on resistance. `volts` is kept, not copied."""
        times, here = self._time, self._next
        if time_s - times[here - 1] < SPACING_S:
            return
        times[here], self._c[here], self._volts[here] = time_s, c, volts
        self._next = (here + 1) % RING
        middle, tail = time_s - MIDDLE_BEFORE_S, self._tail
        while times[tail] < middle and tail != here:
            tail = (tail + 1) % RING
        self._tail = tail
        if c - self._c[tail] >= s.STEP_MIN_C and time_s >= self._free_at:
            self._try(time_s, factor)

    def _try(self, time_s: float, factor: float) -> None:
        age, currents = time_s - np.array(self._time), np.array(self._c)
        before = (age >= s.STEP_BEFORE_S[0] - 1e-6) & (age <= s.STEP_BEFORE_S[1] + 1e-6)
        after, held = age <= s.STEP_AFTER_S + 1e-6, age <= s.STEP_HELD_S + 1e-6
        if before.sum() < 2 or after.sum() < 2:
            return
        low, high = float(currents[before].mean()), float(currents[after].mean())
        step = high - low
        if step < s.STEP_MIN_C or not _calm(currents[before], step) or not _calm(currents[held], step):
            return
        r = step_resistance(self._mean(before), low, self._mean(after), high)
        self._keep(r / factor, step, drop_of_step(low, high))
        self._free_at = time_s + s.STEP_PAUSE_S

    def _mean(self, window: NDArray[np.bool_]) -> Floats:
        return np.asarray(np.mean([self._volts[place] for place in np.flatnonzero(window)], axis=0))

    def over_median(self) -> tuple[Floats, Floats]:
        """(groups,) resistance over the median group's, less 1, and its standard uncertainty; NaN until three steps."""
        rows = self._found[: min(self._count, s.STEPS_KEPT)]
        count = np.isfinite(rows).sum(axis=0)
        if not len(rows) or not (count >= s.STEPS_NEEDED).any():
            return np.full(rows.shape[1], np.nan), np.full(rows.shape[1], np.nan)
        over = rows / median_rows(rows.T)[:, None] - 1.0
        middle = median_rows(over)
        scatter = MAD_TO_SIGMA * median_rows(np.abs(over - middle))
        enough = count >= s.STEPS_NEEDED
        sigma = np.hypot(scatter / np.sqrt(np.maximum(count, 1)), s.STEP_SIGMA)
        return np.where(enough, middle, np.nan), np.where(enough, sigma, np.nan)

    @property
    def counts(self) -> Floats:
        """(groups,) how many steps the figure of each rests on."""
        return np.asarray(np.isfinite(self._found).sum(axis=0), np.float64)

    def _keep(self, r_25: Floats, step: float, bend: float) -> None:
        row = self._count % s.STEPS_KEPT
        self._found[row] = np.where(r_25 > 0, r_25, np.nan)
        self._sizes[row], self._bends[row] = step, bend
        self._count += 1
        rows = self._found[: min(self._count, s.STEPS_KEPT)]
        enough = np.isfinite(rows).sum(axis=0) >= s.STEPS_NEEDED
        self.complete = bool(enough.all())
        self.step_c = float(median_rows(self._sizes[: len(rows)])[0])
        self.middle_v = float(median_rows(np.where(enough, median_rows(rows), np.nan)[:, None])[0])
        from_rest = median_rows(rows / self._bends[: len(rows)]) * drop_of_step(0.0, self.step_c)
        self.r_25 = np.where(enough, from_rest, np.nan)


def _calm(currents: Floats, step: float) -> bool:
    return float(currents.max() - currents.min()) <= s.STEP_FLATNESS * step

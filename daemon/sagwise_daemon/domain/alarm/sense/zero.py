"""The current sensor's own zero, from the pauses of a ride. Law: one pause proves nothing, unless the wheel stands.

A rider closes the throttle every few seconds, and each time the current comes back to the same figure, below which
only braking leads: what the electronics draw, and what the sensor adds. No other current of a ride is met again and
again to a hundredth of C. A figure that no standing bike draws is an offset. Where the wheel is seen to stand after it
has turned, one pause is enough, unless the current changed since: a charger is plugged in at standstill.
"""

from __future__ import annotations

from math import sqrt

import numpy as np

from sagwise_daemon.domain.alarm.sense.block import BLOCK_S, Block, Bools
from sagwise_daemon.domain.model import Floats

OFFSET_C, OFFSET_A, OFFSET_MOST_C = (
    0.06,
    2.0,
    1.0,
)  # no bike draws more without traction; less does not hide rest from the estimator
KEPT = 120  # blocks: two minutes
EVERY = 4  # blocks between two looks, which cost more than the rest
QUIETEST = 0.2  # of the blocks: their scatter is the sensor's own noise, the others hold movement too
STEADY_OVER_NOISE, STEADY_C = 2.0, 0.005  # how much a steady current scatters within a second
WIDTH_C, WIDTH_OVER_NOISE = 0.015, 4.0  # pauses this close are the same figure
AWAY_C, AWAY_OF_FIGURE = 0.12, 0.40  # between two visits the current was elsewhere, further than a held throttle wavers
VISITS, VISITS_BELOW = 4, 3  # that agree; below zero fewer: no two brakings hold one figure
VISITS_STEPPED, ZEROS_BEFORE = 2, 2  # enough where the true zero was known and the voltages show the moment it moved
STEP_SHARE = (0.5, 1.6)  # of the shift, as the voltages see it
STEP_GAIN = 1.5  # how much better the voltages are explained with the step
AROUND = 30  # blocks before and after
POLARISATION_S = (2.0, 20.0)  # of the slower parts of sag
BELOW_SHARE = (
    0.25  # of the time since the first visit: more of it below the figure, and the figure is no closed throttle
)
STANDING_BLOCKS = 12  # a stalled wheel on a hill is not held this long to a hundredth of C
HELD_BLOCKS = 20


class Zero:
    """Judges block by block; currents in C."""

    def __init__(self, capacity_ah: float) -> None:
        self._capacity_ah = capacity_ah
        self._least_c = max(OFFSET_C, OFFSET_A / capacity_ah)
        self._mean, self._scatter = np.full(KEPT, np.nan), np.full(KEPT, np.nan)
        self._common = np.full(KEPT, np.nan)
        self._count = 0
        self._noise_c = 0.0
        self._held = 0
        self._standing: list[float] = []
        self._distance_m = np.nan
        self._ridden = False

    def judge(self, block: Block) -> bool:
        """Whether the sensor has an offset."""
        at, rows = self._count % KEPT, len(block.current_a)
        off_a = block.current_a - block.mean_a
        scatter_c = sqrt(float(off_a @ off_a) / rows) / self._capacity_ah
        self._mean[at], self._scatter[at] = block.mean_a / self._capacity_ah, scatter_c
        self._common[at] = block.common_mean_v
        self._count += 1
        self._held = max(self._held - 1, 0)
        if self._stands(block, float(self._mean[at])) or (self._count % EVERY == 0 and self._comes_back(rows)):
            self._held = HELD_BLOCKS
        return self._held > 0

    def _comes_back(self, rows: int) -> bool:
        at = self._count % KEPT
        kept = (self._mean, self._scatter, self._common)
        mean, scatter, common = (np.concatenate([v[at:], v[:at]])[-self._count :] for v in kept)
        self._noise_c = float(np.sort(scatter)[int(QUIETEST * len(scatter))])
        steady = scatter <= STEADY_OVER_NOISE * self._noise_c + STEADY_C
        width = WIDTH_C + WIDTH_OVER_NOISE * self._noise_c / rows**0.5
        zero = steady & (np.abs(mean) < self._least_c / 2)
        for side in (1.0, -1.0):
            far = steady & (side * mean > self._least_c)
            if side > 0 and zero.any():
                far[: int(np.flatnonzero(zero)[-1])] = False
            if far.sum() >= VISITS_STEPPED and self._met_again(mean, common, far, zero, width, side):
                return True
        return False

    def _met_again(self, mean: Floats, common: Floats, far: Bools, zero: Bools, width: float, side: float) -> bool:
        """Whether one figure of the steady currents `far` is come back to, and hardly anything lies below it."""
        figure = _figure(mean[far], width)
        if not 2.0 * width < abs(figure) < OFFSET_MOST_C:
            return False
        away = np.abs(mean - figure) > max(AWAY_C, AWAY_OF_FIGURE * abs(figure)) + width
        here = far & (np.abs(mean - figure) <= width)
        first = int(np.argmax(here))
        visits = _visits(here, away)
        if visits < VISITS_STEPPED or (mean[first:] < figure - AWAY_C / 2 - width).mean() > BELOW_SHARE:
            return False
        before = np.flatnonzero(zero[:first])
        if len(before) >= ZEROS_BEFORE:
            return stepped(mean, common, (int(before[-1]), first), figure - float(mean[before].mean()))
        return visits >= (VISITS if side > 0 else VISITS_BELOW)

    def _stands(self, block: Block, mean: float) -> bool:
        first, last = float(block.distance_m[0]), float(block.distance_m[-1])
        if last != last:
            return False
        if last != self._distance_m or first != last:
            self._ridden = self._ridden or last > self._distance_m
            self._distance_m, self._standing = last, []
            return False
        self._standing.append(mean)
        if not self._ridden or len(self._standing) < STANDING_BLOCKS:
            return False
        figures = np.array(self._standing[1:])  # the throttle may still have been closing in the first
        del self._standing[STANDING_BLOCKS:]
        alike = float(figures.std()) < WIDTH_C / 2 + 1.5 * self._noise_c / len(block.current_a) ** 0.5
        return bool(alike and abs(float(figures.mean())) > self._least_c)


def _figure(means: Floats, width: float) -> float:
    """Where most of them lie within `width` of each other."""
    means = np.sort(means)
    ends = np.searchsorted(means, means + width, side="right")
    most = int(np.argmax(ends - np.arange(len(means))))
    return float(means[most : ends[most]].mean())


def _visits(here: Bools, away: Bools) -> int:
    """How often the current came to the figure, having been elsewhere in between."""
    marks = np.where(here, 1, np.where(away, -1, 0))
    marks = np.concatenate(([-1], marks[marks != 0]))
    return int(((marks[1:] == 1) & (marks[:-1] == -1)).sum())


def stepped(current_c: Floats, common_v: Floats, between: tuple[int, int], shift_c: float) -> bool:
    """Whether the current's zero moved by about `shift_c` somewhere `between` two blocks, by what the voltages say.

    The common voltage is fitted by a line in time, the current and its slower parts. A shift of the sensor alone is a
    current to which no voltage answers: the fit then wants a step of resistance times shift, and no other figure.
    """
    low, high = max(between[0] - AROUND, 0), min(between[1] + AROUND, len(current_c))
    current_c, common_v, rows = current_c[low:high], common_v[low:high], high - low
    parts = [np.ones(rows), np.linspace(-1.0, 1.0, rows), current_c, *(_lagging(current_c, s) for s in POLARISATION_S)]
    model = np.column_stack([*parts, np.zeros(rows)])
    best, said = np.inf, np.zeros(model.shape[1])
    plain, *_ = np.linalg.lstsq(model, common_v, rcond=1e-9)
    over = common_v - model @ plain
    limit = float(over @ over) / STEP_GAIN
    for at in range(between[0] + 1 - low, between[1] + 1 - low):
        model[:, -1] = np.arange(rows) >= at
        found, *_ = np.linalg.lstsq(model, common_v, rcond=1e-9)
        over = common_v - model @ found
        if float(over @ over) < best:
            best, said = float(over @ over), found
    resistance = -float(said[2:-1].sum())
    return (
        best < limit and resistance > 0.0 and STEP_SHARE[0] < float(said[-1]) / (resistance * shift_c) < STEP_SHARE[1]
    )


def _lagging(values: Floats, seconds: float) -> Floats:
    part, state, out = 1.0 - np.exp(-BLOCK_S / seconds), values[0], np.empty_like(values)
    for index, value in enumerate(values.tolist()):
        state = out[index] = state + part * (value - state)
    return out

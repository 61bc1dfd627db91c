"""Whether a record that somebody else measured can be one of the pack that it is said to be of. Law: a doubt names what
does not fit and the likeliest mistake; what is left is a record that physics allows, not one that is right.

A load draws the voltage down: over the steps of the current the voltage's steps follow by the group's resistance, with
the sign turned. Figures are common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from sagwise_daemon.domain.model import Floats, Pack, Readings
from sagwise_daemon.domain.ride.recorded import middle

LEAST_STEPS = 50
STEP_SHARE = 0.2  # of the largest step: less is noise
FOLLOWS = 0.4  # correlation of both steps, with its sign; noise of fifty reaches that once in 400 records
SAG_AT_1C_V = (0.004, 1.0)  # at once, or within a row: 0.02 V is a power cell, 0.3 an old one in frost
OVER_FULL_V = 0.15
SLOWEST_S, FASTEST_S = 5.0, 0.001
WARMTH_C = (-40.0, 90.0)
MOST_ROWS = 50_000  # looked at: a unit is wrong from the first of them on


def doubts(readings: Readings, pack: Pack) -> tuple[str, ...]:
    """What does not fit, a sentence each; none for a record that may be the pack's."""
    readings = readings.rows(slice(0, MOST_ROWS))
    return (*_time(readings.time_s), *_volts(readings, pack), *_current(readings, pack), *_warmth(readings))


def _time(time_s: Floats) -> Iterator[str]:
    step_s = middle(np.diff(time_s))
    if step_s > SLOWEST_S:
        yield (
            f"rows lie {step_s:.3g} s apart: the time's unit is wrong, or they are too few to tell sag from low "
            "(one a second is little)"
        )
    if step_s < FASTEST_S:
        yield f"rows lie {1e6 * step_s:.3g} µs apart: the time's unit is wrong"


def _volts(readings: Readings, pack: Pack) -> Iterator[str]:
    group_v = _median_v(readings)
    if np.isnan(group_v).all():
        return
    high_v, cell = float(np.nanmax(group_v)), pack.cell
    if high_v > cell.full_v + OVER_FULL_V:
        yield f"groups reach {high_v:.2f} V, and {pack.name} is full at {cell.full_v:.2f} V: it is another pack's"
    if high_v < cell.empty_v:
        yield (
            f"groups never rise above {high_v:.3g} V, and {pack.name} is empty at {cell.empty_v:.2f} V: the voltage's "
            "unit is wrong, or it is another pack's"
        )


def _current(readings: Readings, pack: Pack) -> Iterator[str]:
    steps_a, steps_v = np.diff(readings.current_a), np.diff(_median_v(readings))
    large = np.abs(steps_a) > STEP_SHARE * np.nanmax(np.abs(steps_a), initial=0.0)
    large &= ~np.isnan(steps_v)
    if large.sum() < LEAST_STEPS:
        return
    steps_a, steps_v = steps_a[large], steps_v[large]
    together = float(steps_a @ steps_v)
    follows = together / float(np.sqrt((steps_a @ steps_a) * (steps_v @ steps_v)) or 1.0)
    if follows > FOLLOWS:
        yield "the voltages rise with the current, so its sign is turned: positive is discharge"
    sag_v = -together / float(steps_a @ steps_a) * pack.capacity_ah
    if follows < -FOLLOWS and not SAG_AT_1C_V[0] <= sag_v <= SAG_AT_1C_V[1]:
        yield (
            f"at 1C, {pack.capacity_ah:g} A, a group would sag {_small(sag_v)} at once, which none does: the current's "
            "unit is wrong, or the pack's capacity"
        )


def _small(volts: float) -> str:
    return f"{volts:.0f} V" if volts >= 1.0 else f"{1000.0 * volts:.2g} mV"


def _warmth(readings: Readings) -> Iterator[str]:
    mean_c = middle(readings.temperature_c)
    if mean_c < WARMTH_C[0] or mean_c > WARMTH_C[1]:
        yield f"the temperature is {mean_c:.0f} °C in the middle of it: its unit is wrong"


def _median_v(readings: Readings) -> Floats:
    """(rows,) median of the groups that are known, NaN without any."""
    known = ~np.isnan(readings.group_v).all(axis=1)
    found = np.full(len(readings), np.nan)
    if known.any():
        found[known] = np.nanmedian(readings.group_v[known], axis=1)
    return found

"""Two rides on one axis. Law: the same stretch of time, energy or distance stands under the same place, and nothing is
drawn where a ride has nothing.

By energy and by distance the axis is what had been used or travelled by then; it never runs backwards, so that braking
into the pack lies at the furthest place reached before it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.model import Floats, Readings
from sagwise_daemon.domain.ride.recorded import Recorded
from sagwise_daemon.domain.ride.summary import running_m, running_wh

UNITS = {"time": "s", "energy": "Wh", "distance": "m"}
OVER_GROUPS = ("loaded_v", "rest_v")
BRIDGED = 4
CHANNELS = (*OVER_GROUPS, "current_a", "temperature_c")


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """low, high: (points,), NaN where there is nothing."""

    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """A ride laid along an axis. columns: by channel (rows,) places that never fall, the lowest there and the highest,
    where there is any.
    """

    end: float
    columns: Mapping[str, tuple[Floats, Floats, Floats]]


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """One side of a comparison: its channels over the common axis. end: where its own rides end on it."""

    end: float
    channels: Mapping[str, Band]


def lay(record: Recorded, by: str, channels: Sequence[str], energy_wh: float | None = None) -> Laid:
    """A ride along an axis. energy_wh: what the whole ride used, where the record's readings are extremes of which that
    cannot be counted; the axis of energy is then drawn out to end there.

    Raises KeyError for an unknown axis or channel, ValueError where the ride has no such axis: neither energy without
    current nor distance without a counter.
    """
    axis = _axis(record, by)
    if by == "energy" and energy_wh is not None and energy_wh > 0.0 < axis[-1]:
        axis = axis * (energy_wh / axis[-1])
    return Laid(float(axis[-1]), {name: _columns(record, axis, name) for name in channels})


def compare(sides: Sequence[Sequence[Laid]], points: int) -> tuple[Floats, list[Side]]:
    """(points,) the axis, the middle of equal spans up to the furthest end, and each side on it.

    A side of several rides is their median; at least one ride each.
    """
    end = max(laid.end for side in sides for laid in side)
    edges = np.linspace(0.0, max(end, 1e-9), points + 1)
    return (edges[:-1] + edges[1:]) / 2, [_side(side, edges) for side in sides]


def _axis(record: Recorded, by: str) -> Floats:
    readings = record.readings
    found: Floats = _ALONG[by](readings)
    if np.isnan(found).all():
        raise ValueError({"energy": "no current was measured", "distance": "no distance was measured"}[by])
    return np.asarray(np.maximum.accumulate(np.fmax(found, 0.0)))


def _seconds(readings: Readings) -> Floats:
    return np.asarray(readings.time_s - readings.time_s[0])


def _metres(readings: Readings) -> Floats:
    return running_m(readings.distance_m)


_ALONG = {"time": _seconds, "energy": running_wh, "distance": _metres}


def _columns(record: Recorded, axis: Floats, name: str) -> tuple[Floats, Floats, Floats]:
    """Two numbers a row, however many groups there are: of a pack's rides only one at a time is held whole."""
    readings = record.readings
    if name == "rest_v":
        if record.estimates is None:
            return np.empty(0), np.empty(0), np.empty(0)
        at = np.interp(record.estimates.time_s, readings.time_s, axis)
        return _known(at, record.estimates.rest_v)
    values = {"loaded_v": readings.group_v, "current_a": readings.current_a[:, None]}
    return _known(axis, {**values, "temperature_c": readings.temperature_c}[name])


def _known(at: Floats, values: Floats) -> tuple[Floats, Floats, Floats]:
    if not values.size:
        return np.empty(0), np.empty(0), np.empty(0)
    least, most = np.fmin.reduce(values, axis=1), np.fmax.reduce(values, axis=1)
    known = ~np.isnan(least)
    return at[known], least[known], most[known]


def _side(rides: Sequence[Laid], edges: Floats) -> Side:
    bands = {name: [_band(*laid.columns[name], edges) for laid in rides] for name in rides[0].columns}
    middles = {
        name: Band(_median([one.low for one in some]), _median([one.high for one in some]))
        for name, some in bands.items()
    }
    return Side(float(np.median([laid.end for laid in rides])), middles)


def _band(at: Floats, least: Floats, most: Floats, edges: Floats) -> Band:
    """Lowest and highest of all columns in each span; a span that a ride passed over between two readings has both."""
    low, high = np.full(len(edges) - 1, np.nan), np.full(len(edges) - 1, np.nan)
    if not len(at):
        return Band(low, high)
    bounds = np.searchsorted(at, edges)
    bounds[-1] = len(at)
    held = np.flatnonzero(np.diff(bounds) > 0)
    if len(held):
        low[held] = np.minimum.reduceat(least, bounds[held])
        high[held] = np.maximum.reduceat(most, bounds[held])
        bridge(low, high, held)
    return Band(low, high)


def bridge(low: Floats, high: Floats, held: NDArray[np.intp]) -> None:
    """A few spans between two that have readings take a straight line: the axis is finer there than the readings."""
    inside = np.arange(int(held[0]), int(held[-1]) + 1)
    before = held[np.searchsorted(held, inside, side="right") - 1]
    after = held[np.searchsorted(held, inside)]
    inside = inside[after - before <= BRIDGED]
    for values in (low, high):
        values[inside] = np.interp(inside, held, values[held])


def _median(rows: Sequence[Floats]) -> Floats:
    """Where at least half of the rides have something: a few that went further are not the pack."""
    if len(rows) == 1:
        return rows[0]
    stacked = np.stack(rows)
    enough = (~np.isnan(stacked)).sum(axis=0) * 2 >= len(rows)
    result = np.full(stacked.shape[1], np.nan)
    result[enough] = np.nanmedian(stacked[:, enough], axis=0)
    return result

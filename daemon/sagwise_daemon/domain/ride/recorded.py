"""A record as it lies in the store, for those who look at it afterwards. Law: the ride's own time, whole or not at all.

Estimates are those that the bike made at the time, once a second; what the store does not keep is worked out here.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from sagwise_daemon.domain.model import AlarmEvent, Estimates, Floats, Pack, Readings
from sagwise_daemon.domain.pack.chemistry import resistance_factor
from sagwise_daemon.domain.ride.summary import running_total

DIGITS = 6
CALM_S = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Recorded:
    """One record. Every time counts from its first sample.

    estimates: at most one a second, None where none was ever known. events: with the ride's time, oldest first.
    """

    pack: Pack
    readings: Readings
    estimates: Estimates | None
    events: tuple[tuple[float, AlarmEvent], ...] = ()


def warmth_c(readings: Readings, at_s: Floats) -> Floats:
    """(moments,) mean of the sensors, the last known before each moment; NaN where there is none."""
    known = np.isfinite(readings.temperature_c)
    count = known.sum(axis=1)
    rows = np.flatnonzero(count)
    if not len(rows):
        return np.full(len(at_s), np.nan)
    mean_c = np.where(known, readings.temperature_c, 0.0).sum(axis=1)[rows] / count[rows]
    place = np.searchsorted(readings.time_s[rows], at_s, side="right") - 1
    return np.asarray(np.where(place < 0, np.nan, mean_c[np.maximum(place, 0)]))


def calm_current(readings: Readings, over_s: float = CALM_S) -> Floats:
    """(rows,) mean current of the last `over_s` at each row: a sensor's noise is no load. NaN where none is known."""
    time_s, current_a = readings.time_s, readings.current_a
    running = running_total(time_s, current_a)
    if np.isnan(running).all():
        return running
    running = np.where(np.isnan(running), 0.0, running)
    span_s = np.minimum(over_s, time_s - time_s[0])
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_a = (running - np.interp(time_s - span_s, time_s, running)) / span_s
    mean_a[0] = current_a[0]
    return np.asarray(mean_a)


def at_25c(resistance_mohm: Floats, temperature_c: Floats) -> Floats:
    """(moments, groups) resistance brought to 25 degC; NaN where no temperature is known."""
    factor = np.array([math.nan if math.isnan(one) else resistance_factor(one) for one in temperature_c.tolist()])
    return np.asarray(resistance_mohm / factor[:, None])


def first_known(values: Floats) -> Floats:
    """(groups,) the first of each column of (rows, groups) that is known, NaN where none is."""
    known = ~np.isnan(values)
    return np.where(known.any(axis=0), values[known.argmax(axis=0), np.arange(values.shape[1])], np.nan)


def last_known(values: Floats) -> Floats:
    """As `first_known`, the last."""
    return first_known(values[::-1])


def middle(values: Floats) -> float:
    """Median of those known, NaN without any."""
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) else math.nan


def spread(values: Floats) -> float:
    """Highest minus lowest of those known; NaN for fewer than two."""
    known = values[~np.isnan(values)]
    return float(known.max() - known.min()) if len(known) > 1 else math.nan


def document(value: Any) -> Any:
    """Dataclasses, arrays and numbers as JSON has them; what is not known or not finite is None."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: document(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, np.ndarray):
        return document(value.tolist())
    if isinstance(value, Mapping):
        return {key: document(one) for key, one in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [document(one) for one in value]
    if isinstance(value, float):
        return round(value, DIGITS) if math.isfinite(value) else None
    return value

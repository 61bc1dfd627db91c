"""A ride as one HTML page. Law: it opens anywhere, offline, without a script; nothing in it is fetched.

`report` gathers, `page` lays out, `plots` draws, `sentences` words. Numbers are those of the stored summary.
"""

from __future__ import annotations

import numpy as np

from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.ride.comparison import Band, bridge
from sagwise_daemon.io.report.page import Material, page
from sagwise_daemon.io.store.history import History
from sagwise_daemon.io.store.known_packs import lost

POINTS = 600
LEAST = 2

__all__ = ["report"]


def report(history: History, ride_id: int) -> str:
    """The page of a record, also of one that was thinned. Raises KeyError where there is none, ValueError while it goes
    on or where it has no reading.
    """
    ride = history.rides.ride(ride_id)
    if ride.ended_by is None:
        raise ValueError(f"ride {ride_id} goes on; a report is made when it has ended")
    pack = history.pack(ride_id)
    if pack is None:
        raise ValueError(f"{lost(ride_id)}; a report needs it")
    summary = history.summary(ride_id)
    if summary is None:
        raise ValueError(f"ride {ride_id} has no readings, so there is nothing to draw")
    time_s, bands = _bands(history, ride_id, max(LEAST, min(POINTS, ride.samples // 2)))
    return page(Material(ride, summary, pack, history.events(ride_id), time_s, bands))


def _bands(history: History, ride_id: int, points: int) -> tuple[Floats, dict[str, Band]]:
    """What is drawn, over equal spans; sensors of temperature as one."""
    known = history.rides.channels(ride_id)
    sensors = [name for name in known if name.startswith("temperature_")]
    single = [name for name in ("loaded_v", "rest_v", "current_a") if name in known]
    found = history.rides.envelope(ride_id, [*single, *sensors], points)
    bands = {name: Band(found.low[row], found.high[row]) for row, name in enumerate(single)}
    if sensors:
        first = len(single)
        bands["temperature_c"] = Band(np.fmin.reduce(found.low[first:]), np.fmax.reduce(found.high[first:]))
    return found.time_s, {name: _bridged(band) for name, band in bands.items()}


def _bridged(band: Band) -> Band:
    """A span or two without a reading between two that have one, as estimates at 1 Hz have in a short ride, take a
    straight line."""
    held = np.flatnonzero(~np.isnan(band.low))
    if not len(held):
        return band
    low, high = band.low.copy(), band.high.copy()
    bridge(low, high, held)
    return Band(low, high)

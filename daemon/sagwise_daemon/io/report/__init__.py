"""A ride as one HTML page. Law: it opens anywhere, offline, without a script; nothing in it is fetched.

`report` gathers, `page` lays out, `plots` draws, `sentences` words. Numbers are those of the stored summary.
"""

from __future__ import annotations

from sagwise_daemon.domain.ride.comparison import compare, lay
from sagwise_daemon.io.report.page import Material, page
from sagwise_daemon.io.store.history import History

POINTS = 600
CHANNELS = ("loaded_v", "rest_v", "current_a", "temperature_c")

__all__ = ["report"]


def report(history: History, ride_id: int) -> str:
    """The page of a record. Raises KeyError where there is none, ValueError while it goes on or has no sample left."""
    ride = history.ride(ride_id)
    summary = history.summary(ride_id)
    record = history.recorded(ride_id)
    if ride.ended_by is None:
        raise ValueError(f"ride {ride_id} goes on; a report is made when it has ended")
    if summary is None or record is None:
        raise ValueError(f"ride {ride_id} has no samples left, so there is nothing to draw")
    points = max(2, min(POINTS, ride.samples // 2))
    time_s, (side,) = compare([[lay(record, "time", CHANNELS)]], points)
    return page(Material(ride, summary, record, time_s, side.channels))

"""What each group would hold, by one ride. Law: charge that went, over the state of charge that the rest voltages lost;
nothing is said of a ride that drew too little or that did not end at rest.

The curve is the cell's: where the real one differs, all rides are wrong by the same share, and the trend is not.
"""

from __future__ import annotations

import numpy as np

from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.pack.chemistry import OcvCurve
from sagwise_daemon.domain.ride.recorded import Recorded, calm_current
from sagwise_daemon.domain.ride.summary import SECONDS_PER_HOUR, running_total

LEAST_SOC = 0.25  # drawn: of less, the uncertainty of the two ends is a large share
CALM_C = 0.05
CALM_S = 60.0  # at rest at the end: the estimate is then little more than the voltmeter
SHARE_MAX = 0.10  # a capacity less sure than this is no figure


def capacities(record: Recorded) -> tuple[Floats, Floats]:
    """(groups,) capacity from full to empty and its standard uncertainty, Ah; NaN where unknown."""
    unknown = np.full(record.pack.series, np.nan)
    estimates = record.estimates
    if estimates is None or not _ended_at_rest(record):
        return unknown, unknown
    known = np.flatnonzero(~np.isnan(estimates.ocv_v).any(axis=1))
    if len(known) < 2:
        return unknown, unknown
    first, last = int(known[0]), int(known[-1])
    drawn_ah = _charge_ah(record, float(estimates.time_s[first]), float(estimates.time_s[last]))
    curve = OcvCurve(record.pack.cell.ocv_soc, record.pack.cell.ocv_v)
    soc = [curve.soc(estimates.ocv_v[row]) for row in (first, last)]
    sigma = [estimates.rest_sigma_v[row] / curve.slope(at) for row, at in zip((first, last), soc, strict=True)]
    lost = soc[0] - soc[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.hypot(*sigma) / lost
        capacity_ah = drawn_ah / lost
    sure = (lost >= LEAST_SOC) & (share <= SHARE_MAX)
    return np.where(sure, capacity_ah, np.nan), np.where(sure, capacity_ah * share, np.nan)


def _ended_at_rest(record: Recorded) -> bool:
    readings = record.readings
    end = readings.time_s >= readings.time_s[-1] - CALM_S
    current_a = calm_current(readings)[end]
    if np.isnan(current_a).all() or readings.time_s[-1] - readings.time_s[0] < CALM_S:
        return False
    return bool(np.nanmax(np.abs(current_a)) <= CALM_C * record.pack.capacity_ah)


def _charge_ah(record: Recorded, from_s: float, to_s: float) -> float:
    running = running_total(record.readings.time_s, record.readings.current_a)
    start, end = np.interp([from_s, to_s], record.readings.time_s, running)
    return float(end - start) / SECONDS_PER_HOUR

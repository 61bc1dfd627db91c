"""What kind of record it is. Law: told by the pack itself, nobody has to say so.

ride: the bike drew current or moved. charge: charge went in, and far more than came out. standing: neither. Where no
current is measured, a charge is known by the groups' common voltage rising further than rest alone lifts it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.estimate.resistance import median_rows
from sagwise_daemon.domain.model import Readings
from sagwise_daemon.domain.ride.summary import SECONDS_PER_HOUR, running_m, running_total

RIDE, CHARGE, STANDING = "ride", "charge", "standing"
KINDS = (RIDE, CHARGE, STANDING)

# Common practice, no published source.
RIDDEN_C = 0.2  # drawn for longer than a moment: lights and electronics stay well below
RIDDEN_S = 5.0
MOVED_M = 20.0  # pushed about the shed is not ridden
CHARGED_AH_SHARE = 0.01
RISEN_V = 0.05  # a pack at rest recovers by some 20 mV in the hours after a ride


def kind_of(readings: Readings, capacity_ah: float) -> str:
    """The kind of a whole record. capacity_ah: the pack's."""
    drawn_s = _seconds(readings, np.asarray(readings.current_a > RIDDEN_C * capacity_ah))
    charge = running_total(readings.time_s, readings.current_a)
    charge_ah = float(charge[-1]) / SECONDS_PER_HOUR
    if charge_ah < -CHARGED_AH_SHARE * capacity_ah and drawn_s < RIDDEN_S:
        return CHARGE
    moved_m = float(running_m(readings.distance_m)[-1])
    if drawn_s >= RIDDEN_S or moved_m >= MOVED_M:
        return RIDE
    if not np.isnan(charge_ah):
        return STANDING
    return _by_voltage(readings)


def _by_voltage(readings: Readings) -> str:
    median_v = median_rows(readings.group_v.T)
    median_v = median_v[~np.isnan(median_v)]
    if not len(median_v):
        return STANDING
    edge = max(1, min(len(median_v) // 10, 100))
    first, last = float(np.median(median_v[:edge])), float(np.median(median_v[-edge:]))
    if float(median_v.min()) < min(first, last) - RISEN_V:
        return RIDE  # also one that begins under load and ends at rest; no charge falls below where it began
    return CHARGE if last - first > RISEN_V else STANDING


def _seconds(readings: Readings, which: NDArray[np.bool_]) -> float:
    """How long a condition lasted, each row counting until the next for up to a second."""
    span_s = np.minimum(np.diff(readings.time_s, append=readings.time_s[-1]), 1.0)
    return float((span_s * which).sum())

"""From the filters' states to what is said. Law: where the loaded voltage is the better guide, say unknown."""

from __future__ import annotations

from math import isnan, nan

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.common import Common, Z
from sagwise_daemon.domain.estimate.lowpass import low_passed
from sagwise_daemon.domain.estimate.peers import EXTRA, OFFSET, OFFSET_LEFT, RATIO, SCALE, SOC, Peers
from sagwise_daemon.domain.estimate.told import (
    BASE_V,
    CHARGE,
    CHARGE_VARIANCE,
    DELTA_LEFT,
    FACTOR,
    GAP_SHARE,
    OFFSET_LEFT_V,
    OFFSET_VARIANCE,
    RESISTANCE,
    SLOW_LEFT,
    UNSEEN,
    Told,
)
from sagwise_daemon.domain.model import Estimates, Floats, Unknown
from sagwise_daemon.domain.pack.chemistry import OcvCurve

# An enumeration's members as numpy's own: it looks long at what it does not know.
KNOWN, SETTLING, INVALID = (np.int8(int(reason)) for reason in (Unknown.KNOWN, Unknown.SETTLING, Unknown.INVALID))


class Floor:
    """Rest is never below the loaded voltage just measured, unless charging has lifted that."""

    def __init__(self) -> None:
        self._volts: Floats | None = None
        self._regen_age = np.inf

    def take(self, volts: Floats, c: list[float], seconds: list[float]) -> Floats:
        """The least that rest may be after each of some readings, (rows, groups) as `volts`; NaN where charging has
        lifted them. A NaN voltage leaves a group's floor unknown until the next.
        """
        first, spans_s = volts[0] if self._volts is None else self._volts, np.array(seconds)
        whole = not isnan(float(volts.sum() + first.sum()))
        least = low_passed(first, volts, spans_s, s.FLOOR_TAU_S) if whole else _gappy(first, volts, spans_s)
        self._volts = least[-1]
        floor_v, lifted = least - s.FLOOR_MARGIN_V, self._lifted(c, seconds)
        if any(lifted):
            floor_v[lifted] = nan
        return np.asarray(floor_v)

    def _lifted(self, c: list[float], seconds: list[float]) -> list[bool]:
        """Whether charging has lifted the voltages, of each row."""
        lifted = []
        for current, span_s in zip(c, seconds, strict=True):
            self._regen_age = 0.0 if current < s.REGEN_C else self._regen_age + span_s
            lifted.append(self._regen_age < s.REGEN_MEMORY_S)
        return lifted


def _gappy(first: Floats, volts: Floats, seconds: Floats) -> Floats:
    """`low_passed` row by row: a group begins anew where its voltage comes back."""
    last, least = first, np.empty_like(volts)
    for row in range(len(volts)):
        last = low_passed(last, volts[row, None], seconds[row, None], s.FLOOR_TAU_S)[0]
        last = least[row] = np.where(np.isnan(last), volts[row], last)
    return least


def estimates(time_s: Floats, told: Told, curve: OcvCurve, milliohm: float) -> Estimates:
    """The estimates of all rows. milliohm: of one volt per C at a group."""
    share = 1.0 + told.x[:, RATIO]
    soc = told.single(CHARGE) + told.x[:, SOC]
    left = curve.volts(soc - share * told.single(DELTA_LEFT)) - share * told.single(SLOW_LEFT)
    rest = left + told.single(OFFSET_LEFT_V) + told.x[:, OFFSET] * OFFSET_LEFT
    ocv, slope = curve.both(soc)
    sigma = _sigma_v(told, curve, soc, slope, ocv - rest)
    unknown = _reasons(told, sigma)
    blank = unknown != KNOWN
    unsaid = blank if blank.any() else None
    r_25 = _resistance(told) * milliohm
    sure = np.sqrt(told.single(CHARGE_VARIANCE) + told.single(UNSEEN) + told.soc_variance) < s.SOC_KNOWN_SIGMA
    return Estimates(
        time_s=time_s,
        rest_v=_said(np.fmax(rest, told.floor_v), unsaid),
        rest_sigma_v=_said(sigma, unsaid),
        ocv_v=_said(ocv, unsaid),
        resistance_mohm=_said(r_25 * told.single(FACTOR), unsaid),
        resistance_25c_mohm=np.where(blank | ~told.warm[:, None], nan, r_25),
        soc=np.where(blank | ~sure, nan, np.minimum(np.maximum(soc, 0.0), 1.0)),
        unknown=unknown,
    )


def _said(values: Floats, unsaid: NDArray[np.bool_] | None) -> Floats:
    """NaN where nothing is to be said; unsaid: None for nowhere."""
    return values if unsaid is None else np.where(unsaid, nan, values)


def _sigma_v(told: Told, curve: OcvCurve, soc: Floats, slope: Floats, gap_v: Floats) -> Floats:
    """Standard uncertainty of the rest voltage; gap_v: equilibrium less rest, known to a share of itself."""
    charge = told.single(CHARGE_VARIANCE) + told.soc_variance - s.SIGMA_SOC**2 - s.PEER_SIGMA_SOC**2
    charge = np.maximum(charge, 0.0)
    variance = (
        told.single(BASE_V) ** 2
        + (told.single(GAP_SHARE) * gap_v) ** 2
        + (s.SIGMA_OF_SLOPE * slope) ** 2
        + (s.SIGMA_OF_RATIO_V * told.x[:, RATIO]) ** 2
        + _of_charge(curve, soc, slope, charge)
        + told.single(OFFSET_VARIANCE)
        + np.maximum(told.doubt_v - s.EXPECTED_WITHIN_V, 0.0) ** 2
    )
    sigma = np.sqrt(variance)
    return np.asarray(np.where(told.warm[:, None], sigma, sigma * s.NO_TEMPERATURE_FACTOR))


def _of_charge(curve: OcvCurve, soc: Floats, slope: Floats, variance: Floats) -> Floats:
    """Variance of the equilibrium voltage by that of the charge.

    Whoever stands on a plateau and may as well be past its end does not know the voltage as well as its slope says.
    """
    near, unsure = variance * slope**2, variance >= s.STRAIGHT_SIGMA_SOC**2
    if not unsure.any():
        return np.asarray(near)
    sigma = np.sqrt(variance)
    apart = (curve.volts(soc + sigma) - curve.volts(soc - sigma)) / 2
    return np.asarray(np.where(unsure, np.maximum(near, apart**2), near))


def _resistance(told: Told) -> Floats:
    """Volts per C at 25 degC: from steps, the filter's until three are seen.

    NaN where that is none: as a tap gives way, the filter finds a group that rises with the load.
    """
    filtered = told.single(RESISTANCE) * (1.0 + told.x[:, SCALE]) + told.x[:, EXTRA]
    return np.where(np.isnan(told.r_25), np.where(filtered > 0.0, filtered, nan), told.r_25)


def _reasons(told: Told, sigma_v: Floats) -> NDArray[np.int8]:
    """(rows, groups) of `Unknown`."""
    most_v = np.where(told.unmeasured, s.BLIND_KNOWN_SIGMA_V, s.KNOWN_SIGMA_V)[:, None]
    wide = np.where(sigma_v > most_v, told.late[:, None], KNOWN)
    unknown = np.where(told.early[:, None] != KNOWN, told.early[:, None], wide)
    np.copyto(unknown, SETTLING, where=told.doubted)
    np.copyto(unknown, INVALID, where=~told.valid)
    return np.where(told.blank[:, None], told.early[:, None], unknown)


def shortfall_v(ratio: Floats) -> Floats:
    """How much lower than estimated `rest_low` takes a group found short of capacity: 0 to 15 mV, same shape."""
    lost = 1.0 - 1.0 / (1.0 + ratio)
    part = (lost - s.SHORTFALL_FROM) / (s.SHORTFALL_TO - s.SHORTFALL_FROM)
    return np.asarray(s.SHORTFALL_V * np.clip(part, 0.0, 1.0))


def soc_sigma(common: Common, peers: Peers) -> Floats:
    """Standard uncertainty of the state of charge, (groups,)."""
    return np.asarray(np.sqrt(common.p[Z, Z] + common.unseen + peers.soc_variance))

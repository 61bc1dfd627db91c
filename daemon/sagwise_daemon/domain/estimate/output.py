"""From the filters' states to what is said. Law: where the loaded voltage is the better guide, say unknown."""

from __future__ import annotations

from math import exp, nan

import numpy as np

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.common import OFFSET_LEFT as COMMON_LEFT
from sagwise_daemon.domain.estimate.common import Common, Shared, W, Z
from sagwise_daemon.domain.estimate.inputs import Moment
from sagwise_daemon.domain.estimate.peers import OFFSET, OFFSET_LEFT, RATIO, SOC, Peers
from sagwise_daemon.domain.model import Estimate, Floats, Unknown


class Floor:
    """Rest is never below the loaded voltage just measured, unless charging has lifted that."""

    def __init__(self) -> None:
        self._volts: Floats | None = None
        self._regen_age = np.inf

    def add(self, volts: Floats, c: float, seconds: float) -> None:
        """Take one reading; NaN voltages leave a group's floor unknown until the next."""
        part = 1.0 - exp(-seconds / s.FLOOR_TAU_S)
        if self._volts is None:
            self._volts = volts.copy()
        smooth = self._volts + part * (volts - self._volts)
        self._volts = np.where(np.isnan(self._volts), volts, smooth)
        self._regen_age = 0.0 if c < s.REGEN_C else self._regen_age + seconds

    def hold(self, rest: Floats) -> Floats:
        """`rest`, lifted to the floor where there is one."""
        if self._volts is None or self._regen_age < s.REGEN_MEMORY_S:
            return rest
        return np.fmax(rest, self._volts - s.FLOOR_MARGIN_V)


def equilibrium(shared: Shared, peers: Peers) -> tuple[Floats, Floats, Floats]:
    """State of charge, equilibrium voltage and rest voltage of every group, all known or not; (groups,) each."""
    x = peers.x
    share = 1.0 + x[RATIO]
    soc = shared.soc + x[SOC]
    left = peers.curve.volts(soc - share * shared.delta_left) - share * shared.slow_left_v
    rest = left + shared.offset_left_v + x[OFFSET] * OFFSET_LEFT
    return soc, peers.curve.volts(soc), rest


def soc_sigma(common: Common, peers: Peers) -> Floats:
    """Standard uncertainty of the state of charge, (groups,)."""
    return np.asarray(np.sqrt(common.p[Z, Z] + peers.p[SOC, SOC]))


def sigma_v(common: Common, peers: Peers, soc: Floats, gap_v: Floats, warm: bool) -> Floats:
    """Standard uncertainty of the rest voltage; gap_v: equilibrium less rest, known to a share of itself."""
    slope = peers.curve.slope(soc)
    charge = common.p[Z, Z] + peers.p[SOC, SOC] - s.SIGMA_SOC**2 - s.PEER_SIGMA_SOC**2
    fading = (common.p[W, W] - s.SIGMA_OFFSET_V**2) * COMMON_LEFT**2
    variance = (
        (s.SIGMA_BASE_V if common.rested else s.SIGMA_LOADED_START_V) ** 2
        + ((s.SIGMA_OF_GAP if common.scaled else s.UNSCALED_SIGMA_OF_GAP) * gap_v) ** 2
        + (s.SIGMA_OF_SLOPE * slope) ** 2
        + (s.SIGMA_OF_RATIO_V * peers.x[RATIO]) ** 2
        + np.maximum(charge, 0.0) * slope**2
        + max(fading, 0.0)
    )
    sigma = np.sqrt(variance)
    return np.asarray(sigma if warm else sigma * s.NO_TEMPERATURE_FACTOR)


def shortfall_v(peers: Peers) -> Floats:
    """How much lower than estimated `rest_low` takes a group found short of capacity: 0 to 15 mV, (groups,)."""
    lost = 1.0 - 1.0 / (1.0 + peers.x[RATIO])
    part = (lost - s.SHORTFALL_FROM) / (s.SHORTFALL_TO - s.SHORTFALL_FROM)
    return np.asarray(s.SHORTFALL_V * np.clip(part, 0.0, 1.0))


def known(
    time_s: float, shared: Shared, common: Common, peers: Peers, moment: Moment, floor: Floor, r_25: Floats
) -> Estimate:
    """The estimate as the filters have it; r_25 in milliohms at the group."""
    soc, ocv, rest = equilibrium(shared, peers)
    sigma = sigma_v(common, peers, soc, ocv - rest, moment.warm)
    return Estimate(
        time_s=time_s,
        rest_v=floor.hold(rest),
        rest_sigma_v=sigma,
        ocv_v=ocv,
        resistance_mohm=r_25 * moment.factor,
        resistance_25c_mohm=r_25 if moment.warm else np.full_like(r_25, nan),
        soc=np.where(soc_sigma(common, peers) < s.SOC_KNOWN_SIGMA, np.minimum(np.maximum(soc, 0.0), 1.0), nan),
        unknown=np.zeros(len(soc), np.int8),
    )


def hide(estimate: Estimate, unknown: np.ndarray) -> Estimate:
    """The same with every group blank that has a reason in `unknown`, (groups,) int8."""
    blank = unknown != Unknown.KNOWN
    if not blank.any():
        return estimate
    fields = ("rest_v", "rest_sigma_v", "ocv_v", "resistance_mohm", "resistance_25c_mohm", "soc")
    shown = {name: np.where(blank, nan, getattr(estimate, name)) for name in fields}
    return Estimate(time_s=estimate.time_s, unknown=unknown, **shown)


def blank(time_s: float, groups: int, reason: Unknown) -> Estimate:
    """Nothing is known of any group, for one reason."""
    unknown = np.full(groups, reason, np.int8)
    rest, sigma, ocv, now, at_25, soc = (np.full(groups, nan) for _ in range(6))
    return Estimate(time_s, rest, sigma, ocv, now, at_25, soc, unknown)

"""How the estimator begins. Law: a rested voltage is trusted, a loaded one only as far as its sigma says.

Ten seconds of rest give the charge from the curve. A cell that still recovers from what nobody saw shows it by its
drift, and the offset's sigma grows with it. Where the load comes first, the charge is a guess from the loaded
voltage and the prior resistance, with the sigma of a guess.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.inputs import Moment
from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.pack.chemistry import OcvCurve


@dataclass(frozen=True, slots=True, eq=False)
class Beginning:
    """soc: (groups,). soc_sigma: of the median; peer_sigma: (groups,) of differences. rested: 10 s were had."""

    soc: Floats
    soc_sigma: float
    peer_sigma: Floats
    offset_sigma_v: float
    rested: bool


class Start:
    """Gathers readings until there is something to begin with."""

    def __init__(self, curve: OcvCurve, drop_v: float) -> None:
        self._curve = curve
        self._drop_v = drop_v
        self._since = 0.0
        self._first: list[Floats] = []
        self._last: list[tuple[float, Floats]] = []

    def add(self, volts: Floats, moment: Moment) -> Beginning | None:
        """One reading with every group's voltage known; None while more rest is worth waiting for."""
        resting = abs(moment.c) < s.REST_C
        if self._first:
            self._since += moment.seconds
        if resting:
            self._gather(volts)
            return self._rested() if self._since >= s.REST_NEEDED_S else None
        if self._since >= s.SHORT_REST_S:
            return self._begin(self._recent(), s.SHORT_REST_SIGMA_V, rested=False)
        return self._loaded(volts, moment)

    def _gather(self, volts: Floats) -> None:
        if self._since <= s.REST_WINDOW_S:
            self._first.append(volts)
        self._last.append((self._since, volts))
        while self._last[0][0] < self._since - s.REST_WINDOW_S:
            self._last.pop(0)

    def _recent(self) -> Floats:
        return np.asarray(np.mean([volts for _, volts in self._last], axis=0))

    def _rested(self) -> Beginning:
        recent = self._recent()
        drift = float(np.median(recent - np.mean(self._first, axis=0)))
        return self._begin(recent, max(s.SIGMA_OFFSET_V, s.DRIFT_GAIN * abs(drift)), rested=True)

    def _begin(self, volts: Floats, offset_sigma_v: float, rested: bool) -> Beginning:
        soc = self._curve.soc(volts)
        steepness = np.maximum(self._curve.slope(soc), 1e-3)
        read = s.CURVE_SIGMA_V / float(np.median(steepness))
        peer = np.hypot(s.PEER_SIGMA_SOC, s.PEER_NOISE_V / steepness)
        sigma = float(np.hypot(s.SIGMA_SOC, read))
        return Beginning(soc, min(sigma, s.SOC_SIGMA_CAP), np.minimum(peer, s.SOC_SIGMA_CAP), offset_sigma_v, rested)

    def _loaded(self, volts: Floats, moment: Moment) -> Beginning:
        drop = s.LOADED_START_DROP * self._drop_v * moment.factor * moment.c
        median = float(np.median(volts)) + drop
        soc = np.full(len(volts), float(self._curve.soc(np.array(median))))
        steepness = max(self._curve.at(float(soc[0]))[1], 1e-3)
        sigma = float(np.hypot(s.SIGMA_OHMIC * drop, s.LOADED_START_SIGMA_V)) / steepness
        peer = np.full(len(volts), s.LOADED_START_PEER_SIGMA)
        return Beginning(soc, min(sigma, s.SOC_SIGMA_CAP), peer, s.LOADED_START_SIGMA_V, rested=False)

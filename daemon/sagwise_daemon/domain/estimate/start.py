"""How the estimator begins. Law: a rested voltage is trusted, a loaded one only as far as its sigma says.

Ten seconds of rest give the charge from the curve. A cell that still recovers from what nobody saw shows it by its
drift, and the offset's sigma grows with it. Where the load comes first, a few steps measure the resistance, and the
charge is a guess from the loaded voltage and that resistance, with the sigma of a guess.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, isnan

import numpy as np

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.inputs import Moment
from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.pack.chemistry import OcvCurve


@dataclass(frozen=True, slots=True, eq=False)
class Beginning:
    """soc: (groups,). soc_sigma: of the median; peer_sigma: (groups,) of differences. rested: no load was seen."""

    soc: Floats
    soc_sigma: float
    peer_sigma: Floats
    offset_v: float
    offset_sigma_v: float
    rested: bool


class Start:
    """Gathers readings until there is something to begin with. `drop_v`: prior 1 s resistance, volts per C."""

    def __init__(self, curve: OcvCurve, drop_v: float) -> None:
        self._curve = curve
        self._drop_v = drop_v
        self._rest_s = self._load_s = 0.0
        self._first: list[Floats] = []
        self._last: list[tuple[float, Floats]] = []

    def add(self, volts: Floats, moment: Moment, measured_v: float, slow_c: float) -> Beginning | None:
        """One reading with every group's voltage known; None while more is worth waiting for.

        measured_v: 1 s resistance at 25 degC from steps, volts per C, NaN until known. slow_c: current low-passed
        over 20 s.
        """
        seconds = moment.seconds if isfinite(moment.seconds) else 0.0
        if abs(moment.calm_c) < s.REST_C:
            self._rest_s += seconds if self._first else 0.0
            self._gather(volts)
            return self._rested() if self._rest_s >= s.REST_NEEDED_S else None
        if self._rest_s >= s.SHORT_REST_S and not self._load_s:
            return self._begin(self._recent(), 0.0, s.SHORT_REST_SIGMA_V, rested=False)
        self._load_s += seconds
        self._rest_s = 0.0
        self._first, self._last = [], []
        if isnan(measured_v) and self._load_s < s.LOADED_WAIT_S:
            return None
        return self._loaded(volts, moment, self._drop_v if isnan(measured_v) else measured_v, slow_c)

    def _gather(self, volts: Floats) -> None:
        if self._rest_s <= s.REST_WINDOW_S:
            self._first.append(volts)
        self._last.append((self._rest_s, volts))
        while self._last[0][0] < self._rest_s - s.REST_WINDOW_S:
            self._last.pop(0)

    def _recent(self) -> Floats:
        return np.asarray(np.mean([volts for _, volts in self._last], axis=0))

    def _rested(self) -> Beginning:
        recent = self._recent()
        drift = float(np.median(recent - np.mean(self._first, axis=0)))
        offset_v = -s.DRIFT_GAIN * drift if drift > s.DRIFT_SEEN_V else 0.0
        sigma = max(s.SIGMA_OFFSET_V, s.DRIFT_GAIN * abs(drift) / 2)
        if self._load_s:
            sigma = max(sigma, s.LOADED_START_SIGMA_V / 2)
        return self._begin(recent, offset_v, sigma, rested=not self._load_s)

    def _begin(self, volts: Floats, offset_v: float, offset_sigma_v: float, rested: bool) -> Beginning:
        soc = self._curve.soc(volts - offset_v)
        steepness = np.maximum(self._curve.slope(soc), 1e-3)
        unseen = offset_sigma_v if offset_sigma_v > s.SIGMA_OFFSET_V else 0.0
        read = float(np.hypot(s.CURVE_SIGMA_V, unseen)) / float(np.median(steepness))
        peer = np.hypot(s.PEER_SIGMA_SOC, s.PEER_NOISE_V / steepness)
        sigma = min(float(np.hypot(s.SIGMA_SOC, read)), s.SOC_SIGMA_CAP)
        return Beginning(soc, sigma, np.minimum(peer, s.SOC_SIGMA_CAP), offset_v, offset_sigma_v, rested)

    def _loaded(self, volts: Floats, moment: Moment, drop_v: float, slow_c: float) -> Beginning:
        drop = drop_v * moment.factor * (moment.c + s.LOADED_SLOW_DROP * slow_c)
        median = float(np.median(volts)) + drop
        sigma_v = float(np.hypot(s.LOADED_SIGMA_OF_DROP * drop, s.LOADED_START_SIGMA_V))
        low, middle, high = self._curve.soc(median + sigma_v * np.array([-1.0, 0.0, 1.0])).tolist()
        # Past the end of a plateau the slope there says nothing of how far back on it the cell may be.
        sigma = max(sigma_v / max(self._curve.at(middle)[1], 1e-3), (high - low) / 2)
        soc, peer = np.full(len(volts), middle), np.full(len(volts), s.LOADED_START_PEER_SIGMA)
        return Beginning(soc, min(sigma, s.SOC_SIGMA_CAP), peer, 0.0, s.LOADED_START_SIGMA_V, rested=False)

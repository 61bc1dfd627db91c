"""Rest voltage, resistance and charge of every group, reading by reading. Law: one path for live and replay.

`new` for a pack, `update` for each reading. A reboot or a gap needs no call of its own: the step is the true one,
and what happened unseen widens sigma or makes the answer unknown.
"""

from __future__ import annotations

from math import inf, isnan, nan

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.estimate import output
from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.common import RATIO, Common, W, Z
from sagwise_daemon.domain.estimate.inputs import Inputs, Moment
from sagwise_daemon.domain.estimate.peers import EXTRA, SCALE, Peers
from sagwise_daemon.domain.estimate.resistance import Steps
from sagwise_daemon.domain.estimate.start import Beginning, Start
from sagwise_daemon.domain.model import Estimate, Floats, Pack, Reading, Unknown
from sagwise_daemon.domain.pack.chemistry import OcvCurve, prior_drop_v


class EstimatorState:
    """Everything carried from one reading to the next; changed in place by `update`.

    start: gathers readings until there is a beginning, None once the filters run. reason: why nothing is known
    yet. since_s: seconds of readings since the beginning or the last gap.
    """

    def __init__(self, pack: Pack) -> None:
        self.pack = pack
        self.curve = OcvCurve(pack.cell.ocv_soc, pack.cell.ocv_v)
        drop_v = prior_drop_v(pack.cell)
        self.drop_v = drop_v
        self.inputs = Inputs(pack.capacity_ah)
        self.start: Start | None = Start(self.curve, drop_v)
        self.common = Common(self.curve, drop_v)
        self.peers = Peers(self.curve, pack.series, drop_v)
        self.steps = Steps(pack.series)
        self.floor = output.Floor()
        self.reason = Unknown.STARTING
        self.since_s = 0.0
        self.plausible = (s.PLAUSIBLE_V[0] * pack.cell.empty_v, pack.cell.full_v + s.PLAUSIBLE_V[1])
        self.milliohm = 1000.0 / pack.capacity_ah  # of one volt per C


def new(pack: Pack) -> EstimatorState:
    """Before the first reading of `pack`."""
    return EstimatorState(pack)


def shortfall_v(state: EstimatorState) -> Floats:
    """(groups,) 0 to 0.015 V: how much lower `rest_low` takes a group that was found short of capacity."""
    return output.shortfall_v(state.peers)


def soc_sigma(state: EstimatorState) -> Floats:
    """(groups,) standard uncertainty of the state of charge, 0 to 1."""
    return output.soc_sigma(state.common, state.peers)


def update(state: EstimatorState, reading: Reading) -> Estimate:
    """Take one reading of exactly the pack's groups; `time_s` rises. Never raises on what a sensor can say."""
    moment = state.inputs.take(reading)
    if moment is None:
        return output.blank(reading.time_s, state.pack.series, Unknown.NO_CURRENT)
    volts = reading.group_v
    valid = (volts > state.plausible[0]) & (volts < state.plausible[1])
    if moment.seconds > s.SHORT_GAP_S and moment.seconds != inf:
        _gap(state, moment, reading.time_s)
    if state.start is not None:
        return _starting(state, reading, moment, valid)
    return _running(state, reading, moment, valid)


def _gap(state: EstimatorState, moment: Moment, time_s: float) -> None:
    """Readings or current were missing: what may have flowed unseen widens sigma, or all begins anew."""
    state.reason, state.since_s = Unknown.GAP, -moment.seconds
    state.floor = output.Floor()
    state.steps.interrupt(time_s)
    if state.start is not None or moment.seconds > s.LONG_GAP_S:
        state.start = Start(state.curve, state.drop_v)
        return
    common = state.common
    unseen = s.GAP_CURRENT_C * moment.seconds / 3600.0
    common.open(
        float(common.x[Z]),
        float(np.sqrt(common.p[Z, Z] + unseen**2)),
        float(common.x[W]),
        float(np.sqrt(common.p[W, W]) + s.GAP_SIGMA_V),
        common.rested,
    )


def _starting(state: EstimatorState, reading: Reading, moment: Moment, valid: NDArray[np.bool_]) -> Estimate:
    groups = state.pack.series
    if not valid.all():
        if 2 * valid.sum() < groups or not valid.any():
            return output.blank(reading.time_s, groups, Unknown.INVALID)
        volts = np.where(valid, reading.group_v, np.median(reading.group_v[valid]))
    else:
        volts = reading.group_v
    assert state.start is not None
    common, steps = state.common, state.steps
    common.flow(moment.mean_c, moment.seconds)
    steps.add(reading.time_s, np.where(valid, reading.group_v, nan), moment.c, moment.factor)
    beginning = state.start.add(volts, moment, _measured(state), common.currents[1])
    if beginning is None:
        if state.reason is Unknown.STARTING:
            state.reason = Unknown.SETTLING
        return output.blank(reading.time_s, groups, state.reason)
    _begin(state, beginning)
    return output.blank(reading.time_s, groups, state.reason)


def _begin(state: EstimatorState, beginning: Beginning) -> None:
    median = float(np.median(beginning.soc))
    state.common.open(median, beginning.soc_sigma, beginning.offset_v, beginning.offset_sigma_v, beginning.rested)
    state.peers.open(beginning.soc - median, beginning.peer_sigma)
    state.start = None
    state.since_s = s.KNOWN_AFTER_S if beginning.rested else 0.0
    if not beginning.rested and state.reason is not Unknown.GAP:
        state.reason = Unknown.SETTLING


def _running(state: EstimatorState, reading: Reading, moment: Moment, valid: NDArray[np.bool_]) -> Estimate:
    common, peers, volts = state.common, state.peers, reading.group_v
    common.predict(moment.mean_c, moment.seconds)
    charge = moment.mean_c * moment.seconds / 3600.0
    peers.predict(charge * (1.0 + float(common.x[RATIO])), moment.seconds)
    state.since_s += moment.seconds
    count = int(valid.sum())
    if 2 * count >= max(len(valid), 2) or count == len(valid):
        median = _median(volts, valid, count)
        shared = common.update(median, moment)
        peers.update(volts, valid, shared, moment)
    else:
        shared = common.shared(nan, moment.factor)
    volts = np.where(valid, volts, np.nan)
    state.floor.add(volts, moment.c, moment.seconds)
    state.steps.add(reading.time_s, volts, moment.c, moment.factor)
    if not common.scaled:
        _scale(state)
    estimate = output.known(reading.time_s, shared, common, peers, moment, state.floor, _resistance(state))
    return output.hide(estimate, _reasons(state, estimate, valid))


def _measured(state: EstimatorState) -> float:
    """The middle group's 1 s resistance from steps, volts per C at 25 degC; NaN until three are seen."""
    r_25 = state.steps.r_25
    found = r_25[np.isfinite(r_25)]
    return float(np.median(found)) if len(found) else nan


def _scale(state: EstimatorState) -> None:
    measured_v = _measured(state)
    if isnan(measured_v) and state.since_s < s.SCALE_WITHIN_S:
        return
    state.common.scale(measured_v, state.steps.step_c)
    state.peers.scale(state.common.drop_v)


def _median(volts: Floats, valid: NDArray[np.bool_], count: int) -> float:
    ordered = np.sort(volts if count == len(volts) else volts[valid])
    return float(ordered[(count - 1) // 2] + ordered[count // 2]) / 2


def _resistance(state: EstimatorState) -> Floats:
    """Milliohms at 25 degC: from steps, the filter's until three are seen."""
    steps, x = state.steps, state.peers.x
    r_25 = steps.r_25
    if isnan(float(r_25.sum())):
        filtered = state.common.resistance(steps.step_c) * (1.0 + x[SCALE]) + x[EXTRA]
        r_25 = np.where(np.isnan(r_25), filtered, r_25)
    return r_25 * state.milliohm


def _reasons(state: EstimatorState, estimate: Estimate, valid: NDArray[np.bool_]) -> NDArray[np.int8]:
    unknown = estimate.unknown
    if state.since_s < s.KNOWN_AFTER_S:
        unknown[:] = state.reason
    else:
        unknown[estimate.rest_sigma_v > s.KNOWN_SIGMA_V] = (
            state.reason if state.reason is Unknown.GAP else Unknown.SETTLING
        )
    unknown[state.peers.doubted] = Unknown.SETTLING
    unknown[~valid] = Unknown.INVALID
    return unknown

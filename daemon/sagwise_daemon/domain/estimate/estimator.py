"""Rest voltage, resistance and charge of every group, reading by reading. Law: one path for live and replay.

`new` for a pack, `update` for each reading. A reboot or a gap needs no call of its own: the step is the true one,
and what happened unseen widens sigma or makes the answer unknown. The common filter goes reading by reading. What
follows from it and does not act back on it, the peers and the floor, waits until it is asked for, and is then made for
all readings since (`_catch_up`).
"""

from __future__ import annotations

from math import inf, isfinite, isnan, nan

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.estimate import output, weak
from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.capacity import Capacity
from sagwise_daemon.domain.estimate.common import RATIO, Common, Shared, W, Z
from sagwise_daemon.domain.estimate.inputs import Inputs, Moment, Seen, Unmeasured
from sagwise_daemon.domain.estimate.peers import RATIO as PEER_RATIO
from sagwise_daemon.domain.estimate.peers import Lesson, Peers
from sagwise_daemon.domain.estimate.resistance import Steps
from sagwise_daemon.domain.estimate.start import Beginning, Start
from sagwise_daemon.domain.estimate.taught import Learnt, aged, merged
from sagwise_daemon.domain.estimate.told import Told, settled
from sagwise_daemon.domain.estimate.voltages_only import VoltagesOnly, learnt_scales, wide_scales
from sagwise_daemon.domain.model import Estimate, Estimates, Floats, Pack, Reading, Readings, Unknown
from sagwise_daemon.domain.pack.chemistry import OcvCurve, prior_drop_v


class Waiting:
    """Rows that the common filter has taken and the others have not.

    first: of all those rows. lessons: for the peers; taken: how many of them each row has behind it. running: first row
    that the floor is to take, with the current in C and the seconds of each from there on.
    """

    def __init__(self, first: int) -> None:
        self.first = self.running = first
        self.lessons: list[Lesson] = []
        self.taken: list[int] = []
        self.c: list[float] = []
        self.seconds: list[float] = []


class EstimatorState:
    """Everything carried from one reading to the next; changed in place by `update`.

    start: gathers readings until there is a beginning, None once the filters run. reason: why nothing is known
    yet. since_s: seconds of readings since the beginning or the last gap. before: what earlier rides taught;
    other_pack: it did not fit the pack's resistances, and is forgotten.
    """

    def __init__(self, pack: Pack, learnt: Learnt | None = None) -> None:
        self.pack = pack
        self.before = Learnt.nothing(pack.series) if learnt is None else aged(learnt)
        self.other_pack = False
        self.warm = False
        self.curve = OcvCurve(pack.cell.ocv_soc, pack.cell.ocv_v)
        drop_v = prior_drop_v(pack.cell)
        self.drop_v = drop_v
        self.inputs = Inputs(pack.capacity_ah)
        self.start: Start | None = Start(self.curve, drop_v)
        self.common = Common(self.curve, drop_v)
        self.peers = Peers(self.curve, pack.series, drop_v)
        self.steps = Steps(pack.series)
        self.alone: VoltagesOnly | None = None  # while the current is unknown
        self.floor = output.Floor()
        self.reason = Unknown.STARTING
        self.since_s = 0.0
        self.drawn = self.waiting_s = 0.0
        self.shared: Shared | None = None  # of the reading last learnt from; what is left after 60 s moves slowly
        self.settled: tuple[float, ...] | None = None  # what of the common filter stays until it learns; None: look
        self.waiting = Waiting(0)
        self.plausible = (s.PLAUSIBLE_V[0] * pack.cell.empty_v, pack.cell.full_v + s.PLAUSIBLE_V[1])
        self.milliohm = 1000.0 / pack.capacity_ah  # of one volt per C
        self.capacity = Capacity(self.curve, pack.series, pack.cell)
        self.unbelieved: NDArray[np.bool_] = np.zeros(pack.series, bool)
        self.proving = self.before.resistance_known
        self._start_from(self.before)

    def _start_from(self, before: Learnt) -> None:
        self.common.start_from(before.shares_v, before.ratio, before.ratio_sigma)
        self.drop_v = self.common.drop_v
        self.start = Start(self.curve, self.drop_v)
        middle = float(np.nanmedian(before.resistance_25c_mohm)) if before.resistance_known else nan
        over = before.resistance_25c_mohm / middle - 1.0
        self.peers.start_from(before.group_ratio, before.group_ratio_sigma, over, self.drop_v)
        self.inputs.zero.start_from(before.offset_c, before.offset_sigma_c)


def new(pack: Pack, learnt: Learnt | None = None) -> EstimatorState:
    """Before the first reading of `pack`; learnt: what its earlier rides left. Raises ValueError for another pack's."""
    if learnt is not None and len(learnt.steps) != pack.series:
        raise ValueError(f"learnt: of {len(learnt.steps)} groups, the pack has {pack.series}")
    return EstimatorState(pack, learnt)


def learnt(state: EstimatorState) -> Learnt | None:
    """What is known of the pack, this ride included; None where this ride has taught nothing yet."""
    ride = _taught(state)
    return None if ride.empty else merged(state.before, ride)


def ride_ended(state: EstimatorState) -> None:
    """What this ride taught becomes what was there before the next; the filters run on."""
    known = learnt(state)
    state.before = state.before if known is None else aged(known)
    state.steps = Steps(state.pack.series)
    state.capacity.again()


def weak_groups(state: EstimatorState) -> tuple[weak.Weakness, ...]:
    """Every group with what it is short of, if that is sure."""
    known = merged(state.before, _taught(state))
    over, over_sigma = state.steps.over_median()
    return weak.judge(known.group_ratio, known.group_ratio_sigma, over, over_sigma)


def _taught(state: EstimatorState) -> Learnt:
    """What this ride taught, by itself."""
    steps, capacity, zero = state.steps, state.capacity, state.inputs.zero
    measured = state.warm and state.common.scaled and isfinite(steps.middle_v)
    blank = Learnt.nothing(state.pack.series)
    return Learnt(
        rides=1,
        resistance_25c_mohm=steps.r_25 * state.milliohm if measured else blank.resistance_25c_mohm,
        steps=np.where(np.isfinite(steps.r_25), steps.counts, 0.0) if measured else blank.steps,
        step_c=steps.step_c if measured else nan,
        shares_v=state.common.ridden_v if measured else blank.shares_v,
        ratio=capacity.ratio,
        ratio_sigma=capacity.ratio_sigma,
        group_ratio=capacity.group_ratio,
        group_ratio_sigma=capacity.group_ratio_sigma,
        offset_c=zero.offset_c if zero.known else nan,
        offset_sigma_c=zero.sigma_c if zero.known else inf,
        behind_ratio=blank.behind_ratio,
        behind_ratio_sigma=blank.behind_ratio_sigma,
    )


def shortfall_v(state: EstimatorState) -> Floats:
    """(groups,) 0 to 0.015 V: how much lower `rest_low` takes a group that was found short of capacity."""
    return output.shortfall_v(state.peers.x[PEER_RATIO])


def shortfalls_v(told: Told) -> Floats:
    """The same after each reading of a record, (rows, groups)."""
    return output.shortfall_v(told.x[:, PEER_RATIO])


def soc_sigma(state: EstimatorState) -> Floats:
    """(groups,) standard uncertainty of the state of charge, 0 to 1."""
    return output.soc_sigma(state.common, state.peers)


def update(state: EstimatorState, reading: Reading) -> Estimate:
    """As `take`, for one."""
    return take(state, Readings.one(reading))[0].row(0)


def take(state: EstimatorState, readings: Readings, suspect: NDArray[np.bool_] | None = None) -> tuple[Estimates, Told]:
    """Readings of exactly the pack's groups in turn; `time_s` rises. Never raises on what a sensor can say.

    suspect: (rows, groups) readings not to be believed, whatever they say. The estimates, and the record of the filters
    that they were made from.
    """
    volts = readings.group_v
    valid = (volts > state.plausible[0]) & (volts < state.plausible[1])
    if suspect is not None:
        valid &= ~suspect
    told = Told(volts if valid.all() else np.where(valid, volts, nan), valid)
    medians = _medians(volts)
    moments = state.inputs.take(readings, medians)
    changes = frozenset() if suspect is None else _changes(state.unbelieved, suspect)
    state.waiting = Waiting(0)
    rows = zip(moments, readings.time_s.tolist(), told.volts, valid, valid.sum(axis=1).tolist(), medians, strict=True)
    for row, (moment, time_s, group_v, some, count, median) in enumerate(rows):
        seen = Seen(time_s, group_v, some, count, median)
        if suspect is not None and row in changes:
            _believe(state, suspect[row], told)
        if isinstance(moment, Unmeasured):
            _alone(state, seen, moment, told, row)
        else:
            if moment.seconds > s.SHORT_GAP_S and moment.seconds != inf:
                _catch_up(state, told)
                moment = _gap(state, moment, time_s)
            state.alone = None
            if state.start is not None:
                reason = _starting(state, seen, moment)
                told.nothing(row, state.common, reason, state.start is not None)
            else:
                _running(state, seen, moment, told, row)
        state.waiting.taken.append(len(state.waiting.lessons))
        told.believed[row] = not state.other_pack
    _catch_up(state, told)
    told.close()
    return output.estimates(readings.time_s, told, state.curve, state.milliohm), told


def _catch_up(state: EstimatorState, told: Told) -> None:
    """Let peers and floor take what the common filter has taken."""
    waiting = state.waiting
    record = state.peers.learn(waiting.lessons)
    last = waiting.first + len(waiting.taken)
    told.peers(slice(waiting.first, last), record, waiting.taken)
    if waiting.c:
        rows = slice(waiting.running, waiting.running + len(waiting.c))
        told.floor_v[rows] = state.floor.take(told.volts[rows], waiting.c, waiting.seconds)
    state.waiting = Waiting(last)


def _changes(before: NDArray[np.bool_], suspect: NDArray[np.bool_]) -> frozenset[int]:
    """Rows where other groups are suspect than in the row before, (groups,) before the first."""
    earlier = np.concatenate([before[None], suspect[:-1]])
    return frozenset(np.flatnonzero((suspect != earlier).any(axis=1)).tolist())


def _believe(state: EstimatorState, suspect: NDArray[np.bool_], told: Told) -> None:
    """Groups whose readings are to be believed again begin anew: a false one has taught them for a while."""
    back = state.unbelieved & ~suspect
    state.unbelieved = suspect.copy()
    if back.any():
        _catch_up(state, told)
        state.peers.reopen(back)


def _medians(volts: Floats) -> list[float]:
    """Of each row, (rows, groups); without a meaning where a group is NaN."""
    ordered, count = np.sort(volts, axis=1), volts.shape[1]
    medians: list[float] = ((ordered[:, (count - 1) // 2] + ordered[:, count // 2]) / 2).tolist()
    return medians


def _alone(state: EstimatorState, seen: Seen, moment: Unmeasured, told: Told, row: int) -> None:
    """A reading without a current: only the voltages speak."""
    _catch_up(state, told)
    if state.alone is None:
        state.floor = output.Floor()
        state.alone = _left_alone(state, moment)
    alone = state.alone
    seconds = alone.add(seen, moment.sensors_c)
    told.unmeasured[row] = True
    if alone.shared is None or alone.since_s < s.KNOWN_AFTER_S:
        told.nothing(row, state.common, Unknown.NO_CURRENT, state.start is not None)
        return
    told.floor_v[row] = state.floor.take(seen.volts[None], [0.0], [seconds])[0]
    told.voltages(row, state.common, alone)
    told.starting[row] = state.start is not None


def _left_alone(state: EstimatorState, moment: Unmeasured) -> VoltagesOnly:
    """Go on from what the filters know, or begin with nothing."""
    common = state.common
    scales = learnt_scales(common, state.steps.step_c) if common.scaled else wide_scales(state.drop_v)
    alone = VoltagesOnly(state.curve, state.peers, scales, moment.temperature_c)
    if state.start is None:
        alone.follow(common, moment.c, moment.taken_s)
    return alone


def _gap(state: EstimatorState, moment: Moment, time_s: float) -> Moment:
    """Readings or current were missing: what may have flowed unseen widens sigma, or all begins anew.

    Where the voltages alone were followed meanwhile, it goes on from there. The moment, with the step to be bridged.
    """
    state.reason, state.since_s = Unknown.GAP, -moment.seconds
    state.floor = output.Floor()
    state.steps.interrupt(time_s)
    state.capacity.gap(moment.seconds)
    state.settled = None
    common, alone = state.common, state.alone
    if state.start is None and alone is not None and alone.shared is not None:
        state.since_s = 0.0
        common.open(*alone.charge, 0.0, s.GAP_SIGMA_V, common.rested)
        common.currents[:] = alone.low_passed(s.TAU_S)
        return moment._replace(seconds=max(time_s - alone.time_s, 0.0))
    if state.start is not None or moment.seconds > s.LONG_GAP_S:
        state.start = Start(state.curve, state.drop_v)
        return moment
    unseen = s.GAP_CURRENT_C * moment.seconds / 3600.0
    charge_sigma = float(np.sqrt(common.p[Z, Z] + unseen**2))
    offset, offset_sigma = float(common.x[W]), float(np.sqrt(common.p[W, W]) + s.GAP_SIGMA_V)
    common.open(float(common.x[Z]), charge_sigma, offset, offset_sigma, common.rested)
    return moment


def _starting(state: EstimatorState, seen: Seen, moment: Moment) -> Unknown:
    """Gather until there is a beginning; why nothing is known meanwhile."""
    groups, volts, valid = state.pack.series, seen.volts, seen.valid
    if not seen.all_valid:
        if 2 * seen.known < groups or not seen.known:
            return Unknown.INVALID
        volts = np.where(valid, volts, np.median(volts[valid]))
    assert state.start is not None
    common, steps = state.common, state.steps
    common.flow(moment.mean_c, moment.seconds)
    steps.add(seen.time_s, seen.volts, moment.c, moment.factor)
    beginning = state.start.add(volts, moment, steps.middle_v, common.low_passed(s.LOADED_SLOW_S))
    if beginning is not None:
        _begin(state, beginning)
    elif state.reason is Unknown.STARTING:
        state.reason = Unknown.SETTLING
    return state.reason


def _begin(state: EstimatorState, beginning: Beginning) -> None:
    median = float(np.median(beginning.soc))
    state.common.begin(median, beginning.soc_sigma, beginning.offset_v, beginning.offset_sigma_v, beginning.rested)
    state.peers.open(beginning.soc - median, beginning.peer_sigma)
    state.capacity.begin(beginning)
    state.start = state.shared = state.settled = None
    state.since_s = s.KNOWN_AFTER_S if beginning.rested else 0.0
    if not beginning.rested and state.reason is not Unknown.GAP:
        state.reason = Unknown.SETTLING


def _running(state: EstimatorState, seen: Seen, moment: Moment, told: Told, row: int) -> None:
    common, steps, seconds = state.common, state.steps, moment.seconds
    common.carry(moment.mean_c, seconds)
    state.since_s += seconds
    state.drawn += moment.mean_c * seconds / 3600.0
    state.waiting_s += seconds
    if state.waiting_s >= s.LEARN_EVERY_S:
        _learn(state, seen, moment, told)
    elif state.shared is None:
        state.shared = common.shared(seen.median if seen.all_valid else nan, moment.factor)
    waiting = state.waiting
    if not waiting.c:
        waiting.running = row
    waiting.c.append(moment.c)
    waiting.seconds.append(seconds)
    steps.add(seen.time_s, seen.volts, moment.c, moment.factor)
    if state.capacity.due(moment, steps.middle_v):
        _catch_up(state, told)
        state.capacity.point(seen, moment, common, state.peers, steps.middle_v)
    state.warm = moment.warm
    if state.proving:
        _prove(state, told)
    if not common.scaled:
        _scale(state, told)
    _tell(state, moment, told, row)


def _learn(state: EstimatorState, seen: Seen, moment: Moment, told: Told) -> None:
    """Let both filters learn from a reading, after all that was drawn since the last one they learnt from."""
    common, waited_s = state.common, state.waiting_s
    common.widen(state.drawn, waited_s)
    charge = state.drawn * (1.0 + float(common.x[RATIO]))
    state.drawn = state.waiting_s = 0.0
    state.settled = None
    if not seen.all_valid and 2 * seen.known < max(len(seen.volts), 2):
        _catch_up(state, told)
        state.peers.predict(charge, waited_s)
        state.shared = common.shared(nan, moment.factor)
        return
    median = seen.median if seen.all_valid else _median(seen.volts[seen.valid])
    crowd = max(1.0, s.NOMINAL_STEP_S / waited_s)
    state.shared = common.update(median, moment, crowd, waited_s)
    if common.collapsed:
        _catch_up(state, told)
        state.peers.predict(charge, waited_s)
        return
    state.waiting.lessons.append(Lesson(seen, state.shared, moment, charge, waited_s, crowd))


def _tell(state: EstimatorState, moment: Moment, told: Told, row: int) -> None:
    """Why something may be unknown, and the resistance."""
    if state.since_s < s.KNOWN_AFTER_S:
        told.early[row] = state.reason
    if state.reason is Unknown.GAP:
        told.late[row] = Unknown.GAP
    told.warm[row] = moment.warm
    common, steps = state.common, state.steps
    if common.collapsed:
        told.early[row] = Unknown.COLLAPSED
    if state.settled is None:
        state.settled = settled(common)
    assert state.shared is not None
    resistance_v = 0.0 if steps.complete else common.resistance(steps.step_c)
    told.moment(common, state.settled, state.shared, moment.factor, resistance_v, steps.r_25)


def _prove(state: EstimatorState, told: Told) -> None:
    """Once three steps are seen: are these the cells that earlier rides taught about?"""
    if isnan(state.steps.middle_v):
        return
    state.proving = False
    middle_v = float(np.nanmedian(state.steps.r_25))
    factor = middle_v * state.milliohm / float(np.nanmedian(state.before.resistance_25c_mohm))
    if not 1.0 / s.OTHER_PACK_FACTOR < factor < s.OTHER_PACK_FACTOR:
        _catch_up(state, told)
        state.other_pack = True
        state.before = Learnt.nothing(state.pack.series)
        state.common.forget()
        state.settled = None
        state.peers.forget()
        state.capacity.again()


def _scale(state: EstimatorState, told: Told) -> None:
    measured_v = state.steps.middle_v
    if isnan(measured_v) and state.since_s < s.SCALE_WITHIN_S:
        return
    _catch_up(state, told)
    state.common.scale(measured_v, state.steps.step_c)
    state.settled = None
    state.peers.scale(state.common.drop_v)


def _median(volts: Floats) -> float:
    ordered, count = np.sort(volts), len(volts)
    return float(ordered[(count - 1) // 2] + ordered[count // 2]) / 2

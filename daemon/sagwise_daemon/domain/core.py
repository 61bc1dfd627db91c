"""One step of the daemon's judgement. Law: live and replay come through here and nowhere else.

Every event is a value and every answer is a value; the same events give the same outcomes. Gaps and reboots need
no event of their own: a reading's `time_s` runs on over both, the estimator takes the true step, and the alarms
count nothing that was not known. Silence is the caller's to notice, since only it has a clock. Readings go through
`take` alone or many at once; which, changes nothing. Whoever acknowledges `turn_back` heads home.
"""

from __future__ import annotations

from dataclasses import dataclass

from sagwise_daemon.domain import estimate
from sagwise_daemon.domain.alarm.engine import Engine
from sagwise_daemon.domain.estimate import Kind, Learnt, Weakness
from sagwise_daemon.domain.estimate.energy import EnergyLeft, with_energy, with_home
from sagwise_daemon.domain.estimate.taught import sure_mohm
from sagwise_daemon.domain.model import (
    Acknowledge,
    AlarmEvent,
    AlarmState,
    AlarmView,
    Energy,
    Estimate,
    Estimates,
    Event,
    Floats,
    HostState,
    Outcomes,
    Pack,
    Reading,
    Readings,
    RideEnded,
    Shelve,
    Silence,
)
from sagwise_daemon.domain.ride.summary import pack_volts
from sagwise_daemon.domain.ride.way_home import WayHome

TURN_BACK = "turn_back"


@dataclass(slots=True, eq=False)
class State:
    """Everything that is carried from one event to the next."""

    estimator: estimate.EstimatorState
    alarms: Engine
    energy: EnergyLeft
    way_home: WayHome


@dataclass(frozen=True, slots=True, eq=False)
class Taken:
    """What readings brought: each one's estimate, the `shortfall_v` that goes with it (rows, groups), the last one's
    energy, and together the events.
    """

    estimates: Estimates
    shortfall_v: Floats
    energy: Energy
    events: tuple[AlarmEvent, ...]


def new_state(pack: Pack, learnt: Learnt | None = None) -> State:
    """Before the first event of `pack`; learnt: what its earlier rides taught, if there were any."""
    estimator = estimate.new(pack, learnt)
    earlier_mohm = None if learnt is None else sure_mohm(learnt)
    return State(estimator, Engine(pack, earlier_mohm=earlier_mohm), EnergyLeft(pack, learnt), WayHome())


def step(state: State, event: Event) -> tuple[State, Outcomes]:
    """Take one event; `state` is changed in place and given back.

    Raises KeyError for a rule that the pack does not have and ValueError for what cannot be done (a rule that must
    not be shelved, a group out of range); the state is then as before.
    """
    known: Estimate | None = None
    energy: Energy | None = None
    match event:
        case Reading():
            taken = take(state, Readings.one(event))
            known, energy, events = taken.estimates.row(0), taken.energy, taken.events
        case Silence():
            events = state.alarms.silence(event.age_s)
        case Acknowledge():
            events = state.alarms.acknowledge(event.by, event.rule, event.group)
            if event.rule == TURN_BACK or any(_turn_back_seen(said) for said in events):
                state.way_home.turned()
        case Shelve():
            events = state.alarms.shelve(event.by, event.rule, event.seconds, event.group)
        case RideEnded():
            events = state.alarms.ride_ended()
            estimate.ride_ended(state.estimator)
        case HostState():
            events = ()
            state.alarms.host = event
    return state, Outcomes(known, events, state.alarms.sound, energy)


def take(state: State, readings: Readings) -> Taken:
    """Readings in turn, at least one; `state` is changed in place.

    `Silence` in between is for the caller to say, so it ends the readings that can be taken at once.
    """
    senses = state.alarms.sense(readings)
    suspect = None if senses is None else senses.suspect > 0
    estimates, told = estimate.take(state.estimator, readings, suspect)
    left = state.energy.take(readings, estimates, told)
    power_w = readings.current_a * pack_volts(readings.group_v)
    ways = state.way_home.take(readings.time_s, power_w, readings.distance_m)
    energies = [with_home(*row) for row in zip(left, *ways, strict=True)]
    estimates, shortfall_v = with_energy(estimates, energies), estimate.shortfalls_v(told)
    events = state.alarms.readings(readings, estimates, shortfall_v, senses, told.believed)
    return Taken(estimates, shortfall_v, energies[-1], events)


def learnt(state: State) -> Learnt | None:
    """What is known of the pack for its next ride; None where nothing new was taught."""
    known = estimate.learnt(state.estimator)
    return None if known is None else state.energy.teach(known)


def weak_groups(state: State) -> tuple[Weakness, ...]:
    """Groups that hold the pack back for sure, with the reason. Takes as long as some hundred readings."""
    return tuple(one for one in estimate.weak_groups(state.estimator) if one.kind is not Kind.NONE)


def other_pack(state: State) -> bool:
    """Whether what earlier rides taught was dropped, since these cells are others."""
    return state.estimator.other_pack


def _turn_back_seen(event: AlarmEvent) -> bool:
    return event.rule == TURN_BACK and event.to is AlarmState.ACKNOWLEDGED


def retune(state: State, pack: Pack) -> Outcomes:
    """Other alarm settings for the same cells, in the middle of a ride or not; estimates go on as they were."""
    state.alarms, events = state.alarms.retuned(pack, "settings")
    state.energy.retune(pack)
    return Outcomes(None, events, state.alarms.sound, None)


def views(state: State) -> tuple[AlarmView, ...]:
    """Every alarm that is not normal now."""
    return state.alarms.views()

"""The alarm engine: rules, delays, states. Law: an alarm is silent only if it is normal, seen, over or put aside.

Its clock is the readings' `time_s`; a silence carries it on from the last reading, and before the first it counts
from 0. Events come in the order of their times. The values of all rules lie in one vector, so that readings cost the
same few array operations whatever the number of rules and groups; a loop runs only over what changed. Readings may
come one by one or many at once: the events are the same. What another alarm explains is put aside with its cause
(`causes`), and a low group that follows another one just seen comes up seen.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sagwise_daemon.domain.alarm.causes import FOLLOW_S, FOLLOWS, SENSING, Causes, name_of
from sagwise_daemon.domain.alarm.delays import Delays, Indices
from sagwise_daemon.domain.alarm.parts import (
    Alarm,
    Values,
    Watched,
    alarms_of,
    limit_of,
    places_of,
    worth_showing,
)
from sagwise_daemon.domain.alarm.rules import MAX_SENSORS, TABLE, Facts, Side, nothing_yet
from sagwise_daemon.domain.alarm.sense import Sense, Senses
from sagwise_daemon.domain.alarm.sense.block import Bools
from sagwise_daemon.domain.alarm.states import Trigger, next_state
from sagwise_daemon.domain.model import (
    AlarmEvent,
    AlarmState,
    AlarmView,
    Basis,
    Estimate,
    Estimates,
    Floats,
    HostState,
    Pack,
    Priority,
    Reading,
    Readings,
)

GAP_S = 1.0  # readings further apart say nothing about the time between them
SHELVE_MAX_S = 86400.0
LOUDEST_FIRST = (Priority.HIGH, Priority.MEDIUM, Priority.LOW)


class Engine:
    """All alarms of one pack.

    watched: the rules to look at, each by the name its events carry; by default those of the pack. A rule may be
    there more than once, with other settings. earlier_mohm: (groups,) 25 degC resistances of earlier rides. host: what
    the computer says of itself; set it as often as it changes, it is looked at with the next reading or silence.
    """

    def __init__(
        self, pack: Pack, watched: Sequence[Watched] | None = None, earlier_mohm: Floats | None = None
    ) -> None:
        self._places = places_of(pack, by_default(pack) if watched is None else watched)
        self._of_place = {place.at.start: list(alarms_of(place)) for place in self._places}
        self._alarms = [alarm for alarms in self._of_place.values() for alarm in alarms]
        self._owner = [alarm for alarm in self._alarms for _ in range(alarm.at.start, alarm.at.stop)]
        self._facts = nothing_yet(pack)
        self._earlier_mohm = earlier_mohm
        self._sense = Sense(pack) if any(place.rule.sensing for place in self._places) else None
        self._causes = Causes()
        self._suspect = np.zeros((1, pack.series), np.bool_)
        self._on_delay_s = self._spread([place.settings.on_delay_s for place in self._places])
        self._delays = Delays(
            sign=self._spread([-1.0 if place.rule.side is Side.BELOW else 1.0 for place in self._places]),
            limit=self._spread([limit_of(place) for place in self._places]),
            deadband=self._spread([place.settings.deadband for place in self._places]),
            off_delay_s=self._spread([place.settings.off_delay_s for place in self._places]),
            at_limit=self._spread([place.rule.side is Side.REACHES for place in self._places]) > 0,
        )
        self._values, self._row = Values(1, self._on_delay_s), 0
        self._heard_s: float | None = None
        self._clock_s = 0.0
        self._next_due_s = math.inf
        self._events: list[AlarmEvent] = []
        self._sounding: Counter[Priority] = Counter()  # unacknowledged alarms
        self.host: HostState | None = None

    @property
    def sound(self) -> Priority | None:
        """The highest priority that sounds."""
        return next((priority for priority in LOUDEST_FIRST if self._sounding[priority]), None)

    def reading(
        self, reading: Reading, estimate: Estimate, shortfall_v: Floats | float = 0.0
    ) -> tuple[AlarmEvent, ...]:
        """As `readings`, for one."""
        return self.readings(Readings.one(reading), Estimates.of([estimate]), shortfall_v)

    def sense(self, readings: Readings) -> Senses | None:
        """What readings say about their own sensors, before anything is made of them; hand it on to `readings`."""
        return None if self._sense is None else self._sense.take(readings)

    def readings(
        self,
        readings: Readings,
        estimates: Estimates,
        shortfall_v: Floats | float = 0.0,
        senses: Senses | None = None,
        believed: Bools | None = None,
    ) -> tuple[AlarmEvent, ...]:
        """Look at readings in turn and their estimates. shortfall_v: see `Facts`. senses: what `sense` made of them, if
        it was asked. believed: (rows,) where `earlier_mohm` is of this pack; by default everywhere.

        Raises ValueError where the arrays do not have the pack's groups.
        """
        if self._heard_s is None:
            self._heard_s = float(readings.time_s[0])
            self._start_clock(self._heard_s)
        if senses is None:
            senses = self.sense(readings)
        if len(readings) > 1 and self._next_due_s <= readings.time_s[-1]:
            shortfall_v = np.broadcast_to(shortfall_v, estimates.rest_v.shape)
            for row in (slice(number, number + 1) for number in range(len(readings))):
                self._take(
                    readings.rows(row),
                    estimates.rows(row),
                    shortfall_v[row],
                    None if senses is None else senses.rows(row),
                    None if believed is None else believed[row],
                )
        else:
            self._take(readings, estimates, shortfall_v, senses, believed)
        return self._taken()

    def _take(
        self,
        readings: Readings,
        estimates: Estimates,
        shortfall_v: Floats | float,
        senses: Senses | None,
        believed: Bools | None,
    ) -> None:
        """Readings between which no alarm is due to speak again."""
        time_s, rows = readings.time_s, len(readings)
        since_last_s = np.maximum(np.diff(time_s, prepend=self._heard_s or 0.0), 0.0)
        sensors = np.full((rows, MAX_SENSORS), np.nan)
        count = min(readings.temperature_c.shape[1], MAX_SENSORS)
        sensors[:, :count] = readings.temperature_c[:, :count]
        earlier = self._earlier_mohm
        if earlier is not None and believed is not None:
            earlier = np.where(believed[:, None], earlier, np.nan)
        facts = Facts(
            self._facts.pack, readings, estimates, sensors, np.zeros(rows), shortfall_v, senses, earlier, self.host
        )
        if senses is not None:
            self._suspect = senses.suspect > 0
        values = Values(rows, self._on_delay_s)
        for place in self._places:
            values.take(place, facts)
        self._values, self._facts, self._heard_s = values, facts.last(), float(time_s[-1])
        looks = self._delays.updates(time_s, values.value, values.on_delay_s, since_last_s, GAP_S)
        for self._row, changed, moments in looks:
            if self._row:
                self._clock_s = max(self._clock_s, float(time_s[self._row - 1]))
            self._change(changed, moments)
        self._values, self._row, self._suspect = values.last(), 0, self._suspect[-1:]
        self._pass(self._heard_s)

    def silence(self, age_s: float) -> tuple[AlarmEvent, ...]:
        """Nothing valid has come for `age_s` seconds; say it as often as wanted."""
        heard_s = self._heard_s or 0.0
        time_s = heard_s + age_s
        began_s = np.full(len(self._owner), time_s)
        facts = replace(self._facts, age_s=np.full(1, age_s), host=self.host)
        self._values.value[self._row] = np.nan
        for place in self._places:
            if place.rule.on_silence:
                self._values.take(place, facts)
            if place.rule.of_silence:
                began_s[place.at] = heard_s + limit_of(place)
        changed, moments = self._delays.update(
            time_s, self._values.value[self._row], self._on_delay_s, began_s=began_s, since_last_s=0.0, gap=False
        )
        self._change(changed, moments)
        self._pass(time_s)
        return self._taken()

    def acknowledge(self, by: str, rule: str | None = None, group: int | None = None) -> tuple[AlarmEvent, ...]:
        """Raises KeyError for an unknown rule, ValueError for a group that it or the pack does not have."""
        for alarm in self._chosen(rule, group):
            if self._move(alarm, Trigger.ACKNOWLEDGE, self._clock_s, by):
                alarm.seen_s = self._clock_s
        return self._taken()

    def shelve(self, by: str, rule: str, seconds: float, group: int | None = None) -> tuple[AlarmEvent, ...]:
        """Silence `rule` for `seconds`, 0 ends it; again while shelved, sets a new end.

        Raises KeyError for an unknown rule, ValueError for one that must not be silenced or is out of service, a
        time outside 0 to `SHELVE_MAX_S`, or a wrong group.
        """
        if not 0.0 <= seconds <= SHELVE_MAX_S:
            raise ValueError(f"seconds: {seconds:g} is not allowed; 0 ends the shelving, at most {SHELVE_MAX_S:g}")
        alarms = self._silenceable(rule, group, "shelved")
        for alarm in alarms:
            self._move(alarm, Trigger.SHELVE if seconds else Trigger.UNSHELVE, self._clock_s, by)
            if seconds:
                alarm.due_s = self._clock_s + seconds
        self._schedule()
        return self._taken()

    def suppress(self, cause: str, rule: str, group: int | None = None) -> tuple[AlarmEvent, ...]:
        """Silence `rule` by design, for as long as `cause` lasts; events carry the cause in `by`.

        Raises KeyError for an unknown rule, ValueError for one that must not be silenced or is out of service.
        """
        for alarm in self._silenceable(rule, group, "suppressed"):
            if self._move(alarm, Trigger.SUPPRESS, self._clock_s, f"system: {cause}"):
                alarm.cause = cause
        return self._taken()

    def unsuppress(self, rule: str, group: int | None = None) -> tuple[AlarmEvent, ...]:
        """The cause is gone: the condition decides. Raises as `suppress`."""
        for alarm in self._silenceable(rule, group, "suppressed"):
            self._move(alarm, Trigger.UNSUPPRESS, self._clock_s, "system")
        return self._taken()

    def ride_ended(self) -> tuple[AlarmEvent, ...]:
        """Alarms that only wait to be seen end with the ride."""
        for alarm in self._alarms:
            self._move(alarm, Trigger.RIDE_END, self._clock_s, "system")
        return self._taken()

    def retuned(self, pack: Pack, by: str) -> tuple[Engine, tuple[AlarmEvent, ...]]:
        """An engine with the settings of `pack`, which has the same cells, and the events that end this one's alarms.

        Nothing is carried over: what still stands is raised anew by the new settings, and what was shelved speaks.
        """
        for alarm in self._alarms:
            if alarm.state not in (AlarmState.NORMAL, AlarmState.OUT_OF_SERVICE):
                alarm.state, alarm.since_s, alarm.cause = AlarmState.NORMAL, self._clock_s, None
                self._events.append(self._event(alarm, by))
        following = Engine(pack, earlier_mohm=self._earlier_mohm)
        following.host = self.host
        return following, self._taken()

    def views(self) -> tuple[AlarmView, ...]:
        """Every alarm that is not normal; a rule out of service once, whatever its groups."""
        return tuple(self._view(alarm) for alarm in self._alarms if worth_showing(alarm))

    def _start_clock(self, time_s: float) -> None:
        """The first reading sets the clock; what was shelved before keeps its span."""
        for alarm in self._alarms:
            alarm.due_s += time_s - self._clock_s
        self._clock_s = time_s
        self._schedule()

    def _change(self, changed: Indices, moments: Floats) -> None:
        """Conditions of the present row that began to stand or fell."""
        for moment, index in sorted(zip(moments.tolist(), changed.tolist(), strict=True)):
            self._speak_again(moment)
            alarm = self._owner[index]
            before = alarm.met
            alarm.met += 1 if self._delays.standing[index] else -1
            if bool(before) != bool(alarm.met):
                self._stand_or_fall(alarm, moment)

    def _stand_or_fall(self, alarm: Alarm, moment: float) -> None:
        alarm.met_s = moment if alarm.met else math.inf
        raised = self._move(alarm, Trigger.RAISE if alarm.met else Trigger.CLEAR, moment)
        if raised and alarm.met and alarm.place.rule.name == FOLLOWS:
            self._follow(alarm, moment)
        if alarm.place.rule.name in SENSING and alarm.group is not None:
            if alarm.met:
                self._causes.stands(alarm.place.name, alarm.group, self._suspect[self._row])
            else:
                self._causes.falls(alarm.place.name, alarm.group)
            self._relate(moment)
        elif self._causes:
            self._relate(moment)

    def _follow(self, alarm: Alarm, moment: float) -> None:
        """Where a person has just seen another group low, this one comes up seen, and speaks again with that one."""
        for leader in self._of_place[alarm.place.at.start]:
            if leader.state is AlarmState.ACKNOWLEDGED and 0.0 <= moment - leader.seen_s <= FOLLOW_S:
                cause = name_of(FOLLOWS, leader.group)
                self._move(alarm, Trigger.ACKNOWLEDGE, moment, f"system: follows {cause}")
                alarm.cause, alarm.due_s = cause, leader.due_s
                self._schedule()
                return

    def _relate(self, moment: float) -> None:
        """Put aside what a sensing fault explains, and take back what it no longer does."""
        for alarm in self._alarms:
            stood_s = moment - alarm.met_s if alarm.met else 0.0
            cause = self._causes.of(alarm.place.rule.name, alarm.group, alarm.state, stood_s)
            if alarm.blinded and cause is None:
                self._move(alarm, Trigger.UNSUPPRESS, moment, "system")
            elif cause is not None:
                alarm.blinded |= self._move(alarm, Trigger.SUPPRESS, moment, f"system: {cause}")
                alarm.cause = cause if alarm.blinded else alarm.cause

    def _pass(self, time_s: float) -> None:
        """Everything up to `time_s` has been looked at."""
        self._speak_again(time_s)
        self._clock_s = max(self._clock_s, time_s)

    def _speak_again(self, time_s: float) -> None:
        """End the shelving, and repeat the acknowledged alarms, that are due by `time_s`."""
        while self._next_due_s <= time_s:
            alarm = min(self._alarms, key=lambda alarm: alarm.due_s)
            trigger = Trigger.UNSHELVE if alarm.state is AlarmState.SHELVED else Trigger.RE_ALARM
            moment = alarm.due_s
            self._move(alarm, trigger, moment, "system")
            if self._causes:
                self._relate(moment)

    def _move(self, alarm: Alarm, trigger: Trigger, moment: float, by: str | None = None) -> bool:
        """Whether the trigger changed anything."""
        latching = alarm.place.settings.latching
        to = next_state(alarm.state, trigger, met=alarm.met > 0, latching=latching)
        if to is None:
            return False
        time_s = max(moment, self._clock_s)
        self._clock_s = time_s
        for state, one in ((alarm.state, -1), (to, 1)):
            if state is AlarmState.UNACKNOWLEDGED:
                self._sounding[alarm.place.settings.priority] += one
        due_s, alarm.due_s = alarm.due_s, math.inf
        alarm.state, alarm.since_s = to, time_s
        alarm.cause, alarm.blinded = None, False
        if to is AlarmState.ACKNOWLEDGED and alarm.place.settings.re_alarm_s:
            alarm.due_s = time_s + alarm.place.settings.re_alarm_s
        self._events.append(self._event(alarm, by))
        if alarm.due_s != due_s:
            self._schedule()
        return True

    def _schedule(self) -> None:
        self._next_due_s = min(alarm.due_s for alarm in self._alarms)

    def _event(self, alarm: Alarm, by: str | None) -> AlarmEvent:
        settings = alarm.place.settings
        return AlarmEvent(
            time_s=alarm.since_s,
            rule=alarm.place.name,
            group=alarm.group,
            to=alarm.state,
            priority=settings.priority,
            value=self._worst(alarm),
            limit=settings.limit,
            unit=alarm.place.unit,
            basis=self._basis(alarm),
            by=by,
        )

    def _view(self, alarm: Alarm) -> AlarmView:
        settings = alarm.place.settings
        out = alarm.state is AlarmState.OUT_OF_SERVICE
        return AlarmView(
            rule=alarm.place.name,
            group=None if out else alarm.group,
            state=alarm.state,
            priority=settings.priority,
            value=None if out else self._worst(alarm),
            limit=settings.limit,
            unit=alarm.place.unit,
            basis=None if out else self._basis(alarm),
            since_s=alarm.since_s,
            until_s=alarm.due_s if alarm.state is AlarmState.SHELVED else None,
            cause=alarm.cause,
        )

    def _worst(self, alarm: Alarm) -> float | None:
        worst = np.fmin if alarm.place.rule.side is Side.BELOW else np.fmax
        value = float(worst.reduce(self._values.shown[self._row, alarm.at]))
        return value if math.isfinite(value) else None

    def _basis(self, alarm: Alarm) -> Basis | None:
        if not alarm.place.rule.low_cell:
            return None
        return Basis.LOADED if self._values.loaded[self._row, alarm.at.start] else Basis.REST

    def _chosen(self, rule: str | None, group: int | None) -> list[Alarm]:
        """The alarms that a person means, checked before any of them is touched."""
        if rule is not None and rule not in {place.name for place in self._places}:
            raise KeyError(f"there is no alarm rule {rule!r} for this pack")
        series = self._facts.pack.series
        if group is not None and not 1 <= group <= series:
            raise ValueError(f"group: {group} is not in this pack; groups are 1 to {series}")
        alarms = [alarm for alarm in self._alarms if rule in (None, alarm.place.name)]
        chosen = [alarm for alarm in alarms if group in (None, alarm.group)]
        if rule is not None and not chosen:
            raise ValueError(f"group: {rule} is of the whole pack; leave the group out")
        return chosen

    def _silenceable(self, rule: str, group: int | None, verb: str) -> list[Alarm]:
        alarms = self._chosen(rule, group)
        if not alarms[0].place.silenceable:
            raise ValueError(f"{rule} is a last guard and cannot be {verb}; acknowledge it instead")
        if alarms[0].state is AlarmState.OUT_OF_SERVICE:
            raise ValueError(f"{rule} is out of service by the pack file and cannot be {verb}")
        return alarms

    def _spread(self, of_places: list[float] | list[bool]) -> Floats:
        """One number a rule, over all its places in the vector."""
        lengths = [place.at.stop - place.at.start for place in self._places]
        return np.repeat(np.array(of_places, np.float64), lengths)

    def _taken(self) -> tuple[AlarmEvent, ...]:
        events = tuple(self._events)
        self._events.clear()
        return events


def by_default(pack: Pack) -> list[Watched]:
    """Every rule that applies to the pack, with the pack's settings."""
    return [(rule.name, rule, pack.rules[rule.name]) for rule in TABLE if rule.applies(pack)]

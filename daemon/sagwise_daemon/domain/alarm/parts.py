"""What the engine is made of: rules placed in one vector, the alarms they drive, and the values of all of them.

Law: these hold and measure; what an alarm does is the engine's to say.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from sagwise_daemon.domain.alarm.rules import MAX_SENSORS, Facts, Measured, Per, Rule
from sagwise_daemon.domain.model import AlarmState, Floats, Pack, RuleSettings
from sagwise_daemon.domain.pack.profile import RULES

Watched: TypeAlias = tuple[str, Rule, RuleSettings]
PATTERN_LIMIT = 0.5  # of rules without a limit, whose values are 0 and 1


@dataclass(frozen=True, slots=True)
class Place:
    """One rule as it applies to this pack: its settings, and where its values lie in the vector."""

    name: str
    rule: Rule
    settings: RuleSettings
    at: slice
    unit: str
    silenceable: bool


@dataclass(slots=True)
class Alarm:
    """One alarm: `met` counts its conditions that stand, one a group, any number of sensors.

    met_s: since when any has. seen_s: when a person acknowledged it last. cause: what explains it. blinded: whether
    it is suppressed because of a sensing fault.
    """

    place: Place
    group: int | None
    at: slice
    state: AlarmState
    since_s: float = 0.0
    met: int = 0
    due_s: float = math.inf  # when shelving ends or an acknowledged alarm speaks again
    met_s: float = math.inf
    seen_s: float = -math.inf
    cause: str | None = None
    blinded: bool = False


class Values:
    """What the rules measure, all in one vector a row; each array is (rows, conditions).

    value: held against the limits. shown: what events say. loaded: where that is a loaded voltage. on_delay_s.
    """

    def __init__(self, rows: int, on_delay_s: Floats) -> None:
        self.value = np.full((rows, len(on_delay_s)), np.nan)
        self.shown = np.full((rows, len(on_delay_s)), np.nan)
        self.loaded = np.zeros((rows, len(on_delay_s)), np.bool_)
        self.on_delay_s = np.repeat(on_delay_s[None], rows, axis=0)

    def last(self) -> Values:
        """The last row alone."""
        alone = Values(1, self.on_delay_s[-1])
        alone.value[:], alone.shown[:], alone.loaded[:] = self.value[-1], self.shown[-1], self.loaded[-1]
        return alone

    def take(self, place: Place, facts: Facts) -> None:
        """Have a rule measure."""
        measured: Measured = place.rule.measure(facts, place.settings)
        self.value[:, place.at] = measured.value
        self.shown[:, place.at] = measured.value if measured.shown is None else measured.shown
        if measured.loaded is not None:
            self.loaded[:, place.at] = measured.loaded
        if measured.on_delay_s is not None:
            self.on_delay_s[:, place.at] = measured.on_delay_s


def places_of(pack: Pack, watched: Sequence[Watched]) -> tuple[Place, ...]:
    lengths = {Per.GROUP: pack.series, Per.SENSOR: MAX_SENSORS, Per.PACK: 1}
    places: list[Place] = []
    for name, rule, settings in watched:
        start = places[-1].at.stop if places else 0
        spec = RULES[rule.name]
        at = slice(start, start + lengths[rule.per])
        places.append(Place(name, rule, settings, at, spec.unit, spec.shelvable))
    return tuple(places)


def alarms_of(place: Place) -> Iterator[Alarm]:
    state = AlarmState.NORMAL if place.settings.enabled else AlarmState.OUT_OF_SERVICE
    if place.rule.per is not Per.GROUP:
        yield Alarm(place, None, place.at, state)
        return
    for index in range(place.at.start, place.at.stop):
        yield Alarm(place, index - place.at.start + 1, slice(index, index + 1), state)


def limit_of(place: Place) -> float:
    if RULES[place.rule.name].limit_key is None:
        return PATTERN_LIMIT
    if place.settings.limit is None:
        raise ValueError(f"alarm.{place.rule.name}: has no limit in this pack; rebuild the pack with its defaults")
    return place.settings.limit


def worth_showing(alarm: Alarm) -> bool:
    if alarm.state is AlarmState.OUT_OF_SERVICE:
        return alarm.group in (None, 1)
    return alarm.state is not AlarmState.NORMAL

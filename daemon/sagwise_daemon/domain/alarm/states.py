"""The alarm state machine. Law: one table in the terms of IEC 62682 / ISA-18.2; nothing else happens.

An alarm is silent in every state but `unacknowledged`. Three states silence from any other: `shelved` (by a
person, with an end), `suppressed_by_design` (by the system, with its cause) and `out_of_service` (by
configuration). The condition is watched all the while, and on leaving them it alone decides: met, the alarm is
`unacknowledged`; gone, `normal`. Whoever silences last decides which of them it is, and leaving that one ends all
silencing: when in doubt, louder.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import TypeAlias

from sagwise_daemon.domain.model import AlarmState


class Trigger(StrEnum):
    """What moves an alarm: its condition (after the delays), a person, the system, the end of the ride."""

    RAISE = "raise"
    CLEAR = "clear"
    ACKNOWLEDGE = "acknowledge"
    RE_ALARM = "re_alarm"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"  # by a person, or because its end has come
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    REMOVE_FROM_SERVICE = "remove_from_service"
    RETURN_TO_SERVICE = "return_to_service"
    RIDE_END = "ride_end"


Table: TypeAlias = Mapping[tuple[AlarmState, Trigger], AlarmState | None]

NORMAL = AlarmState.NORMAL
UNACKNOWLEDGED = AlarmState.UNACKNOWLEDGED
ACKNOWLEDGED = AlarmState.ACKNOWLEDGED
RETURN_UNACKNOWLEDGED = AlarmState.RETURN_UNACKNOWLEDGED
SHELVED = AlarmState.SHELVED
SUPPRESSED = AlarmState.SUPPRESSED_BY_DESIGN
OUT_OF_SERVICE = AlarmState.OUT_OF_SERVICE

BY_CONDITION = None  # met: unacknowledged; gone: normal

_SILENCING = {
    **{(state, Trigger.SHELVE): SHELVED for state in AlarmState if state not in (SHELVED, OUT_OF_SERVICE)},
    **{(state, Trigger.SUPPRESS): SUPPRESSED for state in AlarmState if state not in (SUPPRESSED, OUT_OF_SERVICE)},
    **{(state, Trigger.REMOVE_FROM_SERVICE): OUT_OF_SERVICE for state in AlarmState if state != OUT_OF_SERVICE},
    (SHELVED, Trigger.UNSHELVE): BY_CONDITION,
    (SUPPRESSED, Trigger.UNSUPPRESS): BY_CONDITION,
    (OUT_OF_SERVICE, Trigger.RETURN_TO_SERVICE): BY_CONDITION,
}

STANDARD: Table = MappingProxyType(
    {
        (NORMAL, Trigger.RAISE): UNACKNOWLEDGED,
        (UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): ACKNOWLEDGED,
        (UNACKNOWLEDGED, Trigger.CLEAR): RETURN_UNACKNOWLEDGED,
        (ACKNOWLEDGED, Trigger.CLEAR): NORMAL,
        (ACKNOWLEDGED, Trigger.RE_ALARM): UNACKNOWLEDGED,
        (RETURN_UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): NORMAL,
        (RETURN_UNACKNOWLEDGED, Trigger.RAISE): UNACKNOWLEDGED,
        (RETURN_UNACKNOWLEDGED, Trigger.RIDE_END): NORMAL,
        **_SILENCING,
    }
)

# A latched alarm stays where it is when its condition goes, and sounds again should the condition come back.
LATCHING: Table = MappingProxyType(
    {
        (NORMAL, Trigger.RAISE): UNACKNOWLEDGED,
        (UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): ACKNOWLEDGED,
        (ACKNOWLEDGED, Trigger.RAISE): UNACKNOWLEDGED,
        (ACKNOWLEDGED, Trigger.RE_ALARM): UNACKNOWLEDGED,
        **_SILENCING,
    }
)

# Only an acknowledgement with the condition gone lets a latched alarm go.
LATCHING_CONDITION_GONE: Table = MappingProxyType(
    {
        **LATCHING,
        (UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): NORMAL,
        (ACKNOWLEDGED, Trigger.ACKNOWLEDGE): NORMAL,
    }
)


def next_state(state: AlarmState, trigger: Trigger, *, met: bool, latching: bool = False) -> AlarmState | None:
    """Where `trigger` leads from `state`, or None where it changes nothing.

    met: whether the alarm's condition stands (after its delays) once the trigger has happened.
    """
    table = STANDARD if not latching else LATCHING if met else LATCHING_CONDITION_GONE
    if (state, trigger) not in table:
        return None
    to = table[state, trigger]
    if to is BY_CONDITION:
        return UNACKNOWLEDGED if met else NORMAL
    return to

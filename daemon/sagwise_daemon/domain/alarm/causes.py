"""Which alarms another one explains. Law: a cause silences only what rests on readings it has spoilt, and says so.

While a sensing fault stands, what is estimated from the readings it spoils says nothing about the cells: `rest_low`
and `resistance_high` of those groups are suppressed, with the fault as the cause. Their neighbours' are not, and the
measured floor never is. A group that was low well before the fault came stays low in the eyes of the rider.
"""

from __future__ import annotations

import numpy as np

from sagwise_daemon.domain.alarm.sense.block import Bools
from sagwise_daemon.domain.model import AlarmState

SENSING = ("sense_open", "sense_crossed", "reading_stuck")
BLINDED = ("rest_low", "resistance_high")
WATCHES = "rest_low"  # put aside also while it says nothing, so that nobody thinks it watches

# A fault stands five seconds after it is found, and it is found within a quarter of a minute. What had been standing
# for longer than that was measured while the readings were good.
STOOD_BEFORE_S = 30.0

# The whole pack runs empty within a minute or so of its weakest group. Who has just seen that one low knows it, and is
# told of the next only by the page; after this time, or where nobody has seen it yet, the next one sounds.
FOLLOWS = "rest_low"
FOLLOW_S = 60.0


class Causes:
    """The sensing faults that stand, each with the groups it blinds (from 1)."""

    def __init__(self) -> None:
        self._blinds: dict[str, frozenset[int]] = {}

    def __bool__(self) -> bool:
        return bool(self._blinds)

    def stands(self, rule: str, group: int, suspect: Bools) -> None:
        """suspect: (groups,) readings not to be believed now; the unbroken run around `group` is this fault's."""
        first = last = group - 1
        while first > 0 and suspect[first - 1]:
            first -= 1
        while last + 1 < len(suspect) and suspect[last + 1]:
            last += 1
        self._blinds[name_of(rule, group)] = frozenset(np.arange(first + 1, last + 2).tolist())

    def falls(self, rule: str, group: int) -> None:
        """It is over."""
        self._blinds.pop(name_of(rule, group), None)

    def of(self, rule: str, group: int | None, state: AlarmState, stood_s: float) -> str | None:
        """The cause for which an alarm is to be put aside, if any. stood_s: for how long its condition has stood."""
        if rule not in BLINDED or state in (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE):
            return None
        if state is AlarmState.NORMAL and rule != WATCHES:
            return None
        if state is not AlarmState.SUPPRESSED_BY_DESIGN and stood_s > STOOD_BEFORE_S:
            return None
        return next((cause for cause, groups in self._blinds.items() if group in groups), None)


def name_of(rule: str, group: int | None) -> str:
    """How an alarm is named as a cause."""
    return rule if group is None else f"{rule}, group {group}"

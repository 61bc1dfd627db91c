"""Every state against every trigger.

States and the rows of the standard: shelved by a person, suppressed by design by the system, out of service by
configuration, a latched alarm stays until reset, evaluation goes on in every state: OPC UA Part 9 section 4.8,
after ISA-18.2 / IEC 62682. Core states and their order: IEC 62682, from memory. The rest: the contract.
"""

from __future__ import annotations

import itertools

import pytest

from sagwise_daemon.domain.alarm.states import Trigger, next_state
from sagwise_daemon.domain.model import AlarmState

N = AlarmState.NORMAL
U = AlarmState.UNACKNOWLEDGED
A = AlarmState.ACKNOWLEDGED
R = AlarmState.RETURN_UNACKNOWLEDGED
S = AlarmState.SHELVED
D = AlarmState.SUPPRESSED_BY_DESIGN
O = AlarmState.OUT_OF_SERVICE  # noqa: E741
T = Trigger

# Written out again by hand, so that a slip in the table under test shows.
STANDARD = {
    (N, T.RAISE): U,
    (U, T.ACKNOWLEDGE): A,
    (U, T.CLEAR): R,
    (A, T.CLEAR): N,
    (A, T.RE_ALARM): U,
    (R, T.ACKNOWLEDGE): N,
    (R, T.RAISE): U,
    (R, T.RIDE_END): N,
    (N, T.SHELVE): S,
    (U, T.SHELVE): S,
    (A, T.SHELVE): S,
    (R, T.SHELVE): S,
    (D, T.SHELVE): S,
    (N, T.SUPPRESS): D,
    (U, T.SUPPRESS): D,
    (A, T.SUPPRESS): D,
    (R, T.SUPPRESS): D,
    (S, T.SUPPRESS): D,
    (N, T.REMOVE_FROM_SERVICE): O,
    (U, T.REMOVE_FROM_SERVICE): O,
    (A, T.REMOVE_FROM_SERVICE): O,
    (R, T.REMOVE_FROM_SERVICE): O,
    (S, T.REMOVE_FROM_SERVICE): O,
    (D, T.REMOVE_FROM_SERVICE): O,
}
LEAVING = {(S, T.UNSHELVE), (D, T.UNSUPPRESS), (O, T.RETURN_TO_SERVICE)}
PAIRS = list(itertools.product(AlarmState, Trigger))


def standard(state: AlarmState, trigger: Trigger, met: bool) -> AlarmState | None:
    if (state, trigger) in LEAVING:
        return U if met else N
    return STANDARD.get((state, trigger))


def latching(state: AlarmState, trigger: Trigger, met: bool) -> AlarmState | None:
    special = {
        (U, T.CLEAR): None,
        (A, T.CLEAR): None,
        (A, T.RAISE): U,
        (U, T.ACKNOWLEDGE): A if met else N,
        (A, T.ACKNOWLEDGE): None if met else N,
        (R, T.ACKNOWLEDGE): None,
        (R, T.RAISE): None,
        (R, T.RIDE_END): None,
    }
    if (state, trigger) in special:
        return special[state, trigger]
    return standard(state, trigger, met)


@pytest.mark.parametrize("met", [True, False])
@pytest.mark.parametrize(("state", "trigger"), PAIRS)
def test_every_pair_of_the_standard(state: AlarmState, trigger: Trigger, met: bool) -> None:
    assert next_state(state, trigger, met=met) == standard(state, trigger, met)


@pytest.mark.parametrize("met", [True, False])
@pytest.mark.parametrize(("state", "trigger"), PAIRS)
def test_every_pair_of_a_latching_rule(state: AlarmState, trigger: Trigger, met: bool) -> None:
    assert next_state(state, trigger, met=met, latching=True) == latching(state, trigger, met)


@pytest.mark.parametrize("is_latching", [True, False])
def test_a_condition_met_is_never_normal(is_latching: bool) -> None:
    """No trigger but the condition's own going leads to normal while the condition stands."""
    for state, trigger in PAIRS:
        if trigger in (T.CLEAR, T.RIDE_END) or state is R:
            continue  # R is where the condition is gone
        assert next_state(state, trigger, met=True, latching=is_latching) is not N

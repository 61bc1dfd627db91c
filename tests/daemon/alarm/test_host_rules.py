"""The rules `storage` and `clock_unset`: what the computer says of itself, at a reading and while none comes.

Delays and priority: the project's contract. On-delay, off-delay: OPC UA Part 9, B.1.5.
"""

from __future__ import annotations

from typing import Any

import pytest

from sagwise_daemon.domain.alarm.engine import Engine
from sagwise_daemon.domain.alarm.rules import TABLE
from sagwise_daemon.domain.core import new_state, step, views
from sagwise_daemon.domain.model import AlarmState, HostState, Priority, Silence
from sagwise_daemon.domain.pack.profile import RULES

WELL = HostState(storage=False, clock_unset=False)
ILL = {
    "storage": HostState(storage=True, clock_unset=False),
    "clock_unset": HostState(storage=False, clock_unset=True),
}
EACH = pytest.mark.parametrize("rule", ILL)


def test_every_rule_of_the_table_of_settings_is_watched_and_the_other_way_round() -> None:
    assert {rule.name for rule in TABLE} == set(RULES)


@EACH
def test_raises_after_ten_seconds_and_clears_after_ten(bench: Any, rule: str) -> None:
    one = bench()
    one.engine.host = ILL[rule]
    one.read(seconds=10.0)
    assert one.events == []
    (raised,) = one.read()
    assert (raised.rule, raised.group, raised.to) == (rule, None, AlarmState.UNACKNOWLEDGED)
    assert (raised.time_s, raised.value, raised.limit, raised.unit) == (pytest.approx(10.0), 1.0, None, "1")
    assert raised.priority is one.engine.sound is Priority.LOW
    one.engine.host = WELL
    one.read(seconds=10.0)
    assert len(one.events) == 1
    (cleared,) = one.read()
    assert (cleared.rule, cleared.to) == (rule, AlarmState.RETURN_UNACKNOWLEDGED)
    assert one.engine.sound is None


@EACH
def test_a_moment_of_it_says_nothing(bench: Any, rule: str) -> None:
    one = bench()
    for _ in range(3):
        one.engine.host = ILL[rule]
        one.read(seconds=9.0)
        one.engine.host = WELL
        one.read(seconds=1.0)
    assert one.events == []


@EACH
def test_what_nobody_was_asked_is_neither_raised_nor_cleared(bench: Any, rule: str) -> None:
    one = bench()
    one.read(seconds=30.0)
    one.silent(0.9)
    assert one.events == []


@EACH
def test_it_is_watched_while_no_sample_comes(bench: Any, rule: str) -> None:
    one = bench({"link_lost": {"enabled": False}})
    one.read(seconds=5.0)
    for tenths in range(3, 200):  # well at first: the ten seconds count from when it began, not from the last sample
        one.engine.host = ILL[rule] if tenths >= 60 else WELL
        one.silent(tenths / 10)
    (raised,) = one.events
    assert (raised.rule, raised.to) == (rule, AlarmState.UNACKNOWLEDGED)
    assert raised.time_s == pytest.approx(4.9 + 6.0 + 10.0)
    one.engine.host = WELL
    for tenths in range(200, 310):
        one.silent(tenths / 10)
    assert [event.to for event in one.events] == [AlarmState.UNACKNOWLEDGED, AlarmState.RETURN_UNACKNOWLEDGED]


@EACH
def test_it_is_raised_before_the_first_sample_and_goes_on_with_it(bench: Any, rule: str) -> None:
    one = bench({"link_lost": {"enabled": False}})
    one.engine.host = ILL[rule]
    for tenths in range(3, 150):
        one.silent(tenths / 10)
    assert [(event.rule, event.time_s) for event in one.events] == [(rule, pytest.approx(10.3))]
    one.read(seconds=20.0)
    assert len(one.events) == 1 and one.engine.sound is Priority.LOW


@EACH
def test_other_settings_go_on_with_what_is_known(pack: Any, rule: str) -> None:
    engine = Engine(pack())
    engine.host = ILL[rule]
    following, _ = engine.retuned(pack(rules={rule: {"on_delay_s": 0}}), "settings")
    (raised,) = (event for event in following.silence(0.5))
    assert raised.rule == rule


@EACH
def test_the_core_takes_it_as_an_event_and_says_nothing_by_itself(pack: Any, rule: str) -> None:
    state = new_state(pack(rules={"link_lost": {"enabled": False}}))
    heard = []
    for second in range(1, 15):
        state, outcomes = step(state, ILL[rule])
        assert outcomes.events == () and outcomes.estimate is None
        state, outcomes = step(state, Silence(float(second)))
        heard += [(event.rule, event.time_s) for event in outcomes.events]
    assert heard == [(rule, 11.0)]
    assert [view.rule for view in views(state) if view.state is AlarmState.UNACKNOWLEDGED] == [rule]


@EACH
def test_it_can_be_shelved_and_put_out_of_service(bench: Any, rule: str) -> None:
    one = bench({rule: {"enabled": False}})
    one.engine.host = ILL[rule]
    one.read(seconds=12.0)
    assert one.events == []
    other = bench()
    other.engine.host = ILL[rule]
    other.engine.shelve("page", rule, 60.0)
    other.read(seconds=30.0)
    assert other.engine.sound is None

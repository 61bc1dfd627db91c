"""Acknowledging, shelving, latching, re-alarm, and what no sequence of inputs may bring about.

Delays, deadband and re-alarm: OPC UA Part 9, B.1.5. Chattering, three or more raise/clear cycles in one minute:
alarm-management literature after EEMUA 191.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sagwise_daemon.domain.model import AlarmEvent, AlarmState, Priority

NAN = float("nan")
N = AlarmState.NORMAL
U = AlarmState.UNACKNOWLEDGED
A = AlarmState.ACKNOWLEDGED
R = AlarmState.RETURN_UNACKNOWLEDGED
S = AlarmState.SHELVED
D = AlarmState.SUPPRESSED_BY_DESIGN


def walk(events: list[AlarmEvent] | tuple[AlarmEvent, ...]) -> list[AlarmState]:
    return [event.to for event in events]


def test_acknowledge_all_one_rule_or_one_group(bench: Any) -> None:
    one = bench()
    one.read(rest=[3.2, 3.2, 3.8], v=[3.7, 2.7, 3.7], seconds=2)
    assert [(e.rule, e.group) for e in one.events] == [("loaded_floor", 2), ("rest_low", 1), ("rest_low", 2)]
    seen = one.engine.acknowledge("page", "rest_low", 1)
    assert [(e.rule, e.group, e.to, e.by) for e in seen] == [("rest_low", 1, A, "page")]
    seen = one.engine.acknowledge("page", "rest_low")
    assert [(e.rule, e.group) for e in seen] == [("rest_low", 2)]
    assert one.engine.sound is Priority.HIGH
    seen = one.engine.acknowledge("button")
    assert [(e.rule, e.group) for e in seen] == [("loaded_floor", 2)]
    assert one.engine.sound is None
    assert one.engine.acknowledge("button") == ()


def test_seen_while_it_stands_then_gone_is_normal(bench: Any) -> None:
    one = bench(series=1)
    one.read(v=2.7, seconds=1)
    one.engine.acknowledge("button")
    (gone,) = one.read(seconds=6)
    assert gone.to is N
    assert one.engine.views() == ()


def test_gone_unseen_waits_silently_and_is_seen_or_comes_back(bench: Any) -> None:
    one = bench(series=1)
    one.read(v=2.7, seconds=1)
    one.read(seconds=6)
    assert [view.state for view in one.engine.views()] == [R]
    assert one.engine.sound is None
    one.read(v=2.7, seconds=1)
    assert walk(one.events) == [U, R, U]
    one.read(seconds=6)
    assert walk(one.engine.acknowledge("page")) == [N]


def test_the_end_of_the_ride_ends_what_only_waits_to_be_seen(bench: Any) -> None:
    one = bench()
    one.read(v=[2.7, 2.7, 3.7], rest=[3.8, 3.2, 3.8], seconds=2)
    one.read(v=[3.7, 2.7, 3.7], rest=[3.8, 3.2, 3.8], seconds=6)
    ended = one.engine.ride_ended()
    assert [(e.rule, e.group, e.to) for e in ended] == [("loaded_floor", 1, N)]
    assert {(v.rule, v.group) for v in one.engine.views()} == {("loaded_floor", 2), ("rest_low", 2)}


@pytest.mark.slow
def test_an_acknowledged_alarm_speaks_again_at_its_time(bench: Any) -> None:
    one = bench({"loaded_floor": {"re_alarm_s": 20.0}}, series=1)
    one.read(v=2.7, seconds=1)
    seen_s = one.engine.acknowledge("button")[0].time_s
    one.read(v=2.7, seconds=19.8)
    assert len(one.events) == 1
    one.read(v=2.7, seconds=0.4)
    assert walk(one.events) == [U, U]
    assert one.events[-1].time_s == pytest.approx(seen_s + 20.0)
    assert one.engine.sound is Priority.HIGH


def test_no_re_alarm_where_it_is_zero(bench: Any) -> None:
    one = bench({"loaded_floor": {"re_alarm_s": 0.0}}, series=1, step_s=0.5)
    one.read(v=2.7, seconds=2)
    one.engine.acknowledge("button")
    one.read(v=2.7, seconds=2000)
    assert walk(one.events) == [U]


def test_a_latching_alarm_stays_until_acknowledged_with_its_condition_gone(bench: Any) -> None:
    one = bench({"loaded_floor": {"latching": True, "re_alarm_s": 0.0}}, series=1)
    one.read(v=2.7, seconds=1)
    one.read(seconds=20)
    assert walk(one.events) == [U]
    assert one.engine.sound is Priority.HIGH
    assert walk(one.engine.ride_ended()) == []
    assert walk(one.engine.acknowledge("page")) == [N]
    one.read(v=2.7, seconds=1)
    assert walk(one.engine.acknowledge("page")) == [A]
    one.read(seconds=20)
    assert [view.state for view in one.engine.views()] == [A]
    one.read(v=2.7, seconds=1)
    assert walk(one.events) == [U, U, U], "a latched alarm that comes back sounds again"
    one.engine.acknowledge("page")
    one.read(seconds=20)
    assert walk(one.engine.acknowledge("page")) == [N]


@pytest.mark.parametrize("met_at_the_end", [True, False])
def test_shelving_silences_evaluates_on_and_ends_by_itself(bench: Any, met_at_the_end: bool) -> None:
    one = bench(series=1)
    one.read(rest=3.2, seconds=2)
    (shelved,) = one.engine.shelve("page", "rest_low", 60.0)
    assert (shelved.to, shelved.by) == (S, "page")
    assert one.engine.sound is None
    (view,) = one.engine.views()
    assert view.until_s == pytest.approx(shelved.time_s + 60)
    one.read(rest=3.2 if met_at_the_end else 3.8, seconds=59.9)
    assert walk(one.events) == [U]
    one.read(rest=3.2 if met_at_the_end else 3.8, seconds=0.2)
    assert walk(one.events) == [U, U if met_at_the_end else N]
    assert one.events[-1].time_s == pytest.approx(shelved.time_s + 60)


def test_shelving_ends_early_by_zero_seconds_and_again_sets_a_new_end(bench: Any) -> None:
    one = bench({"spread_high": {"enabled": False}})
    one.read(rest=[3.2, 3.8, 3.8], seconds=2)
    assert len(one.engine.shelve("page", "rest_low", 60.0)) == 3
    assert one.engine.shelve("page", "rest_low", 600.0) == ()
    one.read(rest=[3.2, 3.8, 3.8], seconds=61)
    assert walk(one.events) == [U]
    ended = one.engine.shelve("page", "rest_low", 0.0, group=1)
    assert [(e.group, e.to) for e in ended] == [(1, U)]
    assert [(e.group, e.to) for e in one.engine.shelve("page", "rest_low", 0.0)] == [(2, N), (3, N)]
    assert one.engine.shelve("page", "rest_low", 0.0) == ()


def test_shelving_ends_during_a_silence_too(bench: Any) -> None:
    one = bench(series=1)
    one.read(rest=3.2, seconds=2)
    one.engine.shelve("page", "rest_low", 10.0)
    said = one.silent(12.0)
    assert [(e.rule, e.to) for e in said] == [("link_lost", U), ("rest_low", U)]


def test_shelving_before_the_first_reading_keeps_its_span(bench: Any) -> None:
    one = bench(series=1)
    one.engine.shelve("page", "rest_low", 10.0)
    one.start_s = 5000.0
    one.read(rest=3.2, seconds=9.9)
    assert one.events == []
    one.read(rest=3.2, seconds=0.2)
    assert [(e.to, e.time_s) for e in one.events] == [(U, 5010.0)]


@pytest.mark.parametrize("rule", ["loaded_floor", "link_lost"])
def test_the_last_guards_cannot_be_silenced(bench: Any, rule: str) -> None:
    one = bench()
    for seconds in (0.0, 60.0):
        with pytest.raises(ValueError, match=f"{rule} is a last guard and cannot be shelved"):
            one.engine.shelve("page", rule, seconds)
    with pytest.raises(ValueError, match=f"{rule} is a last guard and cannot be suppressed"):
        one.engine.suppress("workshop", rule)
    assert one.engine.views() == ()


def test_suppressed_by_design_with_its_cause(bench: Any) -> None:
    one = bench(series=1)
    one.read(rest=3.2, seconds=2)
    (put_aside,) = one.engine.suppress("resting in store", "rest_low")
    assert (put_aside.to, put_aside.by) == (D, "system: resting in store")
    assert one.engine.sound is None
    one.read(rest=3.2, seconds=60)
    assert walk(one.engine.unsuppress("rest_low")) == [U]
    one.engine.suppress("resting in store", "rest_low")
    one.read(rest=3.8, seconds=60)
    assert walk(one.engine.unsuppress("rest_low")) == [N]
    assert walk(one.events) == [U]


def test_out_of_service_is_silent_and_shown_once(bench: Any) -> None:
    one = bench({"rest_low": {"enabled": False}})
    one.read(rest=3.2, seconds=10)
    assert one.events == []
    assert [(v.rule, v.group, v.state) for v in one.engine.views()] == [("rest_low", None, AlarmState.OUT_OF_SERVICE)]
    with pytest.raises(ValueError, match="rest_low is out of service by the pack file"):
        one.engine.shelve("page", "rest_low", 60.0)
    assert one.engine.acknowledge("page") == ()


def test_what_a_person_cannot_mean_is_refused_and_changes_nothing(bench: Any) -> None:
    one = bench()
    one.read(rest=3.2, seconds=2)
    with pytest.raises(KeyError, match="no alarm rule 'rest_lo'"):
        one.engine.acknowledge("page", "rest_lo")
    with pytest.raises(ValueError, match="groups are 1 to 3"):
        one.engine.acknowledge("page", "rest_low", 4)
    with pytest.raises(ValueError, match="link_lost is of the whole pack"):
        one.engine.acknowledge("page", "link_lost", 1)
    for seconds in (-1.0, 86400.5, NAN, math.inf):
        with pytest.raises(ValueError, match=r"at most 86400"):
            one.engine.shelve("page", "rest_low", seconds)
    assert [view.state for view in one.engine.views()] == [U, U, U]


def test_readings_of_another_pack_are_refused(bench: Any) -> None:
    one, other = bench(), bench(series=2)
    other.read()
    with pytest.raises(ValueError, match="could not"):
        one.engine.readings(other.engine._facts.readings, other.engine._facts.estimates)


def test_sound_is_the_highest_priority_unacknowledged(bench: Any) -> None:
    one = bench()
    low = {"temps": [-25.0]}
    one.read(**low, seconds=6)
    assert one.engine.sound is Priority.LOW
    one.read(**low, current=200.0, seconds=6)
    assert one.engine.sound is Priority.MEDIUM
    one.read(**low, current=200.0, v=2.5, seconds=1)
    assert one.engine.sound is Priority.HIGH
    one.engine.acknowledge("page", "loaded_floor")
    assert one.engine.sound is Priority.MEDIUM


# --- what no sequence of inputs may bring about ---

VOLTS = st.sampled_from([2.5, 2.79, 2.82, 2.9, 3.28, 3.32, 3.5, 3.7, 4.1, 4.22, 4.3, NAN])
READ = st.tuples(
    st.just("read"),
    st.lists(VOLTS, min_size=2, max_size=2),
    st.lists(VOLTS, min_size=2, max_size=2),
    st.sampled_from([0.0, 200.0, -30.0, NAN]),
    st.sampled_from([25.0, 70.0, -5.0, NAN]),
    st.sampled_from([0.1, 0.7, 3.0, 40.0]),
)
RULE = st.sampled_from([None, "rest_low", "loaded_floor", "link_lost", "temperature_high", "overcurrent"])
ACT = st.one_of(
    READ,
    st.tuples(st.just("silent"), st.sampled_from([0.3, 1.0, 5.0, 400.0])),
    st.tuples(st.just("acknowledge"), RULE),
    st.tuples(st.just("shelve"), RULE, st.sampled_from([0.0, 5.0, 3000.0])),
    st.tuples(st.just("suppress"), RULE),
    st.tuples(st.just("unsuppress"), RULE),
    st.tuples(st.just("ride_ended")),
)
RULES_TO_TRY: list[dict[str, Any]] = [
    {},
    {"rest_low": {"latching": True}, "loaded_floor": {"latching": True, "re_alarm_s": 2.0}},
    {"rest_low": {"enabled": False}, "temperature_high": {"on_delay_s": 0.0, "off_delay_s": 0.0}},
]


def perform(one: Any, act: tuple[Any, ...]) -> list[AlarmEvent]:
    match act:
        case ("read", v, rest, current, temp, seconds):
            return one.read(v=v, rest=rest, current=current, temps=[temp], seconds=seconds)
        case ("silent", age_s):
            return one.silent(age_s)
        case ("ride_ended",):
            return list(one.engine.ride_ended())
        case (verb, rule, *rest):
            args = {"suppress": ("a cause", rule), "unsuppress": (rule,)}.get(verb, ("page", rule, *rest))
            if verb != "acknowledge" and rule is None:
                return []
            try:
                return list(getattr(one.engine, verb)(*args))
            except ValueError:
                return []
    raise AssertionError(act)


@settings(max_examples=80, deadline=None)
@given(acts=st.lists(ACT, max_size=25), rules=st.sampled_from(RULES_TO_TRY))
def test_no_sequence_leaves_an_alarm_unacknowledged_and_silent(
    bench: Any, acts: list[tuple[Any, ...]], rules: dict[str, Any]
) -> None:
    one = bench(rules, series=2)
    state: dict[tuple[str, int | None], AlarmState] = defaultdict(lambda: N)
    last_s = -math.inf
    for act in acts:
        if one.tick == 0:
            last_s = -math.inf  # the first reading sets the clock
        for event in perform(one, act):
            key = (event.rule, event.group)
            assert event.time_s >= last_s, "events come in order"
            last_s = event.time_s
            assert event.to is not state[key] or event.to is S
            assert event.value is None or math.isfinite(event.value)
            state[key] = event.to
        shown = {(v.rule, v.group): v.state for v in one.engine.views() if v.state is not AlarmState.OUT_OF_SERVICE}
        assert shown == {key: to for key, to in state.items() if to is not N}, "events tell the whole state"
        loud = [v.priority for v in one.engine.views() if v.state is U]
        order = [Priority.LOW, Priority.MEDIUM, Priority.HIGH]
        assert one.engine.sound == max(loud, key=order.index, default=None)


@settings(max_examples=50, deadline=None)
@given(acts=st.lists(ACT, max_size=20), rest=VOLTS, sigma=st.sampled_from([0.0, 0.5, NAN]))
def test_whatever_happened_before_a_floor_broken_for_its_delay_sounds(
    bench: Any, acts: list[tuple[Any, ...]], rest: float, sigma: float
) -> None:
    """Shelving, suppression, estimates good, bad or unknown: none of it silences the measured voltage."""
    one = bench(RULES_TO_TRY[2], series=2)
    for act in acts:
        perform(one, act)
    one.engine.acknowledge("page")
    one.read(v=[3.7, 3.7], rest=3.8, seconds=6)
    one.engine.acknowledge("page")
    for rule in ("rest_low", "overvoltage", "loaded_floor"):
        perform(one, ("shelve", rule, 3000.0))
        perform(one, ("suppress", rule))
    one.read(v=[3.7, 2.79], rest=rest, sigma=sigma, seconds=0.7)
    assert ("loaded_floor", 2, U) in {(v.rule, v.group, v.state) for v in one.engine.views()}
    assert one.engine.sound is Priority.HIGH


@pytest.mark.slow
@pytest.mark.slow
@settings(max_examples=50, deadline=None)
@given(
    values=st.lists(st.sampled_from([3.0, 3.29, 3.31, 3.34, 3.36, 3.6, NAN]), min_size=50, max_size=600),
    on_s=st.sampled_from([0.0, 0.3, 1.0]),
    off_s=st.sampled_from([0.3, 1.0, 10.0]),
)
def test_raises_are_never_closer_than_the_delays_and_the_deadband_allow(
    bench: Any, values: list[float], on_s: float, off_s: float
) -> None:
    one = bench({"rest_low": {"on_delay_s": on_s, "off_delay_s": off_s}}, series=1)
    for value in values:
        one.read(v=value, rest=value)
    for before, after in itertools.pairwise([e for e in one.events if e.rule == "rest_low"]):
        if after.to is R:
            assert after.time_s - before.time_s >= off_s - 1e-9
            within = [v for i, v in enumerate(values) if before.time_s < i * 0.1 - 1e-9 and i * 0.1 <= after.time_s]
            assert any(v > 3.35 for v in within)
        else:
            assert after.time_s - before.time_s >= on_s - 1e-9


def test_noise_around_the_limit_does_not_chatter(bench: Any) -> None:
    """Half a minute each way, 20 mV of noise: without deadband and delays some hundred cycles a minute."""
    one = bench(series=1)
    for tick in range(6000):
        slow = 0.04 * math.sin(2 * math.pi * tick / 600)
        one.read(rest=3.30 + slow + (0.02 if tick % 2 else -0.02))
    raises = [event.time_s for event in one.events if event.to is U]
    worst = max(sum(start <= t < start + 60 for t in raises) for start in raises)
    assert 1 <= worst < 3, "three or more cycles a minute is chattering"

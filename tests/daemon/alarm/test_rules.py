"""Each rule at its limit, its deadband and its delays.

Limits, deadbands and delays: the project's contract, whose figures are common practice, no published source, but
for charge_cold (makers give 0 to 45 degC for charging). On-delay, off-delay, deadband: OPC UA Part 9, B.1.5.
"""

from __future__ import annotations

from typing import Any

import pytest

from sagwise_daemon.domain.model import AlarmState, Basis, Priority

NAN = float("nan")
INF = float("inf")

# rule, readings that raise it, readings that do not yet, readings that clear it, readings that do not yet;
# on-delay, off-delay; group of the alarm; value of the raise.
CASES: dict[str, tuple[dict[str, Any], dict[str, Any], dict[str, Any], dict[str, Any], float, float, Any, float]] = {
    "rest_low": (
        {"rest": [3.8, 3.2995, 3.8]},
        {"rest": [3.8, 3.30, 3.8]},
        {"rest": 3.3505},
        {"rest": [3.8, 3.35, 3.8]},
        1.0,
        10.0,
        2,
        3.2995,
    ),
    "loaded_floor": (
        {"v": [3.7, 3.7, 2.7995]},
        {"v": 2.80},
        {"v": 2.8505},
        {"v": 2.85},
        0.5,
        5.0,
        3,
        2.7995,
    ),
    "overvoltage": (
        {"v": [4.2305, 3.7, 3.7]},
        {"v": 4.23},
        {"v": 4.2095},
        {"v": 4.21},
        1.0,
        5.0,
        1,
        4.2305,
    ),
    "spread_high": (
        {"rest": [3.8, 3.9005, 3.85]},
        {"rest": [3.8, 3.9, 3.85]},
        {"rest": [3.8, 3.8795, 3.85]},
        {"rest": [3.8, 3.88, 3.85]},
        30.0,
        60.0,
        None,
        0.1005,
    ),
    "temperature_high": (
        {"temps": [25.0, 60.01]},
        {"temps": [60.0, 60.0]},
        {"temps": [56.99, 25.0]},
        {"temps": [25.0, 57.0]},
        5.0,
        30.0,
        None,
        60.01,
    ),
    "temperature_low": (
        {"temps": [-20.01, 25.0]},
        {"temps": [-20.0]},
        {"temps": [-16.99, 25.0]},
        {"temps": [-17.0, 25.0]},
        5.0,
        30.0,
        None,
        -20.01,
    ),
    "charge_cold": (
        {"temps": [-0.01, 5.0], "current": -0.451},
        {"temps": [-0.01, 5.0], "current": -0.45},
        {"temps": [-0.01, 5.0], "current": 0.0},
        {"temps": [2.0, 5.0], "current": -0.451},
        2.0,
        10.0,
        None,
        -0.01,
    ),
    "overcurrent": (
        {"current": 165.001},
        {"current": 165.0},
        {"current": 149.999},
        {"current": 150.0},
        5.0,
        5.0,
        None,
        165.001 / 150,
    ),
}


@pytest.mark.parametrize("rule", CASES)
def test_raises_after_its_on_delay_and_clears_after_its_off_delay(bench: Any, rule: str) -> None:
    raising, quiet, clearing, holding, on_s, off_s, group, value = CASES[rule]
    one = bench()
    one.read(**quiet, seconds=on_s + 2)
    assert one.events == []
    began_s = one.time_s
    one.read(**raising, seconds=on_s)  # the reading at the very end of the delay is not among them
    assert one.events == []
    (raised,) = one.read(**raising)
    assert (raised.rule, raised.group, raised.to) == (rule, group, AlarmState.UNACKNOWLEDGED)
    assert raised.time_s == pytest.approx(began_s + on_s, abs=1e-9)
    assert raised.value == pytest.approx(value)
    assert raised.limit == one.pack.rules[rule].limit
    assert raised.priority == one.pack.rules[rule].priority == one.engine.sound
    one.read(**holding, seconds=off_s + 5)
    assert len(one.events) == 1
    gone_s = one.time_s
    one.read(**clearing, seconds=off_s)
    assert len(one.events) == 1
    (cleared,) = one.read(**clearing)
    assert (cleared.rule, cleared.group, cleared.to) == (rule, group, AlarmState.RETURN_UNACKNOWLEDGED)
    assert cleared.time_s == pytest.approx(gone_s + off_s, abs=1e-9)
    assert one.engine.sound is None


@pytest.mark.parametrize("rule", CASES)
def test_one_quiet_reading_starts_the_on_delay_anew(bench: Any, rule: str) -> None:
    raising, quiet, _, _, on_s, *_ = CASES[rule]
    one = bench()
    for _ in range(3):
        one.read(**raising, seconds=on_s)
        one.read(**quiet)
    assert one.events == []


@pytest.mark.parametrize("rule", CASES)
def test_one_reading_in_the_deadband_starts_the_off_delay_anew(bench: Any, rule: str) -> None:
    raising, _, clearing, holding, on_s, off_s, *_ = CASES[rule]
    one = bench()
    one.read(**raising, seconds=on_s + 0.1)
    for _ in range(3):
        one.read(**clearing, seconds=off_s)
        one.read(**holding)
    assert len(one.events) == 1


def unknown(given: dict[str, Any]) -> dict[str, Any]:
    """The same kind of reading with everything the rule looks at unknown."""
    return {key: [NAN] * 3 if key in ("rest", "v", "temps") else NAN for key in (*given, "v")}


@pytest.mark.parametrize("rule", CASES)
@pytest.mark.slow
def test_an_unknown_reading_neither_raises_nor_clears(bench: Any, rule: str) -> None:
    raising, _, clearing, _, on_s, off_s, *_ = CASES[rule]
    one = bench({"sense_open": {"enabled": False}})  # which tells of readings that stay away
    one.read(**unknown(raising), seconds=on_s + 5)
    assert one.events == []
    one.read(**raising, seconds=on_s + 0.1)
    assert len(one.events) == 1
    one.read(**unknown(raising), seconds=off_s + 60)
    assert len(one.events) == 1
    one.read(**clearing, seconds=off_s / 2)
    one.read(**unknown(raising), seconds=off_s)
    one.read(**clearing, seconds=off_s / 2)
    assert len(one.events) == 1, "unknown time must not count towards the off-delay"
    one.read(**clearing, seconds=0.3)
    assert len(one.events) == 2


def test_rest_low_leans_on_sigma_up_to_ten_millivolts(bench: Any) -> None:
    for sigma, rest, raised in [(0.004, 3.3045, 0), (0.004, 3.3035, 1), (0.05, 3.3105, 0), (0.05, 3.3095, 1)]:
        one = bench(series=1)
        one.read(rest=rest, sigma=sigma, seconds=3)
        assert len(one.events) == raised, (sigma, rest)
    assert one.events[0].value == pytest.approx(3.2995)
    assert one.events[0].basis is Basis.REST


def test_an_estimate_without_sigma_gets_the_whole_margin(bench: Any) -> None:
    one = bench(series=1)
    one.read(rest=3.3095, sigma=NAN, seconds=3)
    assert len(one.events) == 1


def test_a_group_found_short_of_capacity_is_taken_lower(bench: Any) -> None:
    one = bench()
    one.read(rest=3.314, seconds=3, shortfall=[0.0, 0.015, 0.0])
    assert [(event.rule, event.group) for event in one.events] == [("rest_low", 2)]


def test_unknown_rest_acts_on_the_loaded_voltage_after_five_seconds(bench: Any) -> None:
    one = bench()
    one.read(v=[3.2, 3.7, 3.7], rest=[NAN, 3.8, 3.8], seconds=5.0)
    assert one.events == []
    (raised,) = one.read(v=[3.2, 3.7, 3.7], rest=[NAN, 3.8, 3.8])
    assert (raised.rule, raised.group, raised.basis, raised.value) == ("rest_low", 1, Basis.LOADED, 3.2)
    assert raised.time_s == pytest.approx(5.0)


def test_a_longer_on_delay_of_the_pack_file_holds_for_the_loaded_voltage_too(bench: Any) -> None:
    one = bench({"rest_low": {"on_delay_s": 8.0}}, series=1)
    one.read(v=3.2, rest=NAN, seconds=8.0)
    assert one.events == []
    assert one.read(v=3.2, rest=NAN)[0].time_s == pytest.approx(8.0)


def test_a_known_rest_is_deaf_to_sag_but_the_floor_is_not(bench: Any) -> None:
    """The job in one test: a hard pull below the threshold with good rest is silent, an empty group is not."""
    one = bench()
    one.read(v=2.95, rest=3.7, seconds=60)
    assert one.events == []
    one.read(v=[3.0, 2.79, 3.0], rest=3.7, seconds=1)
    assert [(event.rule, event.group, event.basis) for event in one.events] == [("loaded_floor", 2, Basis.LOADED)]


def test_spread_with_an_unknown_group_may_raise_but_not_clear(bench: Any) -> None:
    one = bench(rules={"rest_low": {"enabled": False}})
    one.read(rest=[3.8, NAN, 3.95], seconds=31)
    assert [event.rule for event in one.events] == ["spread_high"]
    one.read(rest=[3.8, NAN, 3.8], seconds=90)
    assert len(one.events) == 1
    one.read(rest=[3.8, 3.8, 3.8], seconds=61)
    assert len(one.events) == 2


def test_a_hot_sensor_that_dies_keeps_the_alarm_though_others_are_cool(bench: Any) -> None:
    one = bench()
    one.read(temps=[30.0, 65.0], seconds=6)
    one.read(temps=[30.0, NAN], seconds=60)
    assert [event.to for event in one.events] == [AlarmState.UNACKNOWLEDGED]
    one.read(temps=[30.0, 30.0], seconds=31)
    assert [event.to for event in one.events][1:] == [AlarmState.RETURN_UNACKNOWLEDGED]


def test_a_sensor_that_is_missing_hides_no_other(bench: Any) -> None:
    one = bench()
    one.read(temps=[NAN, 65.0, NAN], seconds=6)
    assert [(event.rule, event.value) for event in one.events] == [("temperature_high", 65.0)]


def test_two_hot_sensors_are_one_alarm(bench: Any) -> None:
    one = bench()
    one.read(temps=[65.0, 25.0], seconds=6)
    one.read(temps=[65.0, 70.0], seconds=6)
    one.read(temps=[25.0, 70.0], seconds=60)
    assert len(one.events) == 1
    one.read(temps=[25.0, 25.0], seconds=31)
    assert len(one.events) == 2


def test_discharging_a_cold_pack_is_allowed(bench: Any) -> None:
    one = bench()
    one.read(temps=[-10.0], current=50.0, seconds=30)
    assert one.events == []


@pytest.mark.parametrize("age_s", [1.0, 1.0000001, 1.4, 30.0])
def test_link_lost_at_one_second(bench: Any, age_s: float) -> None:
    one = bench()
    one.read(seconds=2)
    last_s = one.time_s - one.step_s
    assert one.silent(0.999) == []
    (raised,) = one.silent(age_s)
    assert (raised.rule, raised.group, raised.to) == ("link_lost", None, AlarmState.UNACKNOWLEDGED)
    assert raised.time_s == pytest.approx(last_s + 1.0, abs=1e-9)
    assert (raised.value, raised.limit, raised.unit, raised.priority) == (age_s, 1.0, "s", Priority.HIGH)
    one.tick += 20
    (cleared,) = one.read()
    assert cleared.to is AlarmState.RETURN_UNACKNOWLEDGED
    assert cleared.time_s == pytest.approx(max(one.time_s - one.step_s, last_s + age_s))


def test_link_lost_also_before_the_first_sample(bench: Any) -> None:
    one = bench()
    assert one.silent(0.5) == []
    (raised,) = one.silent(1.2)
    assert (raised.rule, raised.time_s) == ("link_lost", 1.0)
    assert one.engine.sound is Priority.HIGH
    one.start_s = 1e6
    (cleared,) = one.read()
    assert (cleared.rule, cleared.time_s) == ("link_lost", 1e6)


def test_silence_said_often_does_not_shorten_or_stretch_the_delays(bench: Any) -> None:
    one = bench(series=1)
    for _ in range(200):
        one.read(v=2.7)
        one.silent(0.05)
    one.read(v=3.7, seconds=5.0)
    assert [event.to for event in one.events if event.rule == "loaded_floor"] == [AlarmState.UNACKNOWLEDGED]
    one.read(v=3.7)
    assert one.events[-1].time_s == pytest.approx(25.0)


def test_a_gap_does_not_clear_and_does_not_hide_a_low_group(bench: Any) -> None:
    one = bench(series=1)
    one.read(v=2.7, seconds=0.3)
    one.tick += 30
    (raised,) = one.read(v=2.7)
    assert raised.rule == "loaded_floor"
    one.read(v=3.7)
    one.tick += 60
    one.read(v=3.7, seconds=4.8)
    assert len(one.events) == 1
    one.read(v=3.7, seconds=0.4)
    assert len(one.events) == 2


def test_rules_without_a_meaning_for_the_pack_are_not_there(bench: Any) -> None:
    one = bench(series=1, max_discharge_a=None)
    one.read(current=1e4, seconds=30)
    assert one.events == []
    assert one.engine.views() == ()
    with pytest.raises(KeyError, match="overcurrent"):
        one.engine.acknowledge("page", "overcurrent")


def test_events_keep_their_order_over_a_silence(bench: Any) -> None:
    """The floor's on-delay ends inside the silence; what proves it comes after the link was called lost."""
    one = bench(series=1)
    one.read(v=2.7, seconds=0.3)
    one.silent(3.0)
    one.tick += 31
    one.read(v=2.7)
    assert [(event.rule, event.to) for event in one.events] == [
        ("link_lost", AlarmState.UNACKNOWLEDGED),
        ("loaded_floor", AlarmState.UNACKNOWLEDGED),
        ("link_lost", AlarmState.RETURN_UNACKNOWLEDGED),
    ]
    times = [event.time_s for event in one.events]
    assert times == sorted(times)

"""Settings tried over a ride that was: every cell of a grid is what a full run with that setting says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest
from hard_ride import GROUPS, a_cell, hard_ride

from sagwise_daemon.domain.alarm.engine import Engine
from sagwise_daemon.domain.alarm.yardstick import plain_threshold
from sagwise_daemon.domain.core import new_state, step, take
from sagwise_daemon.domain.model import AlarmEvent, AlarmState, Pack, Readings, Silence
from sagwise_daemon.domain.pack.profile import build_pack
from sagwise_daemon.domain.ride.settings_grid import Grid, Setting, Warnings, floor_s
from sagwise_daemon.domain.ride.summary import Summary, running_wh
from sagwise_daemon.io.trace import Trace
from sagwise_daemon.replay import pieces, replay

pytestmark = pytest.mark.slow

NAN = float("nan")
NEVER = (None, None)
SETTINGS = [Setting(volts, seconds) for volts in (2.9, 3.2, 3.3, 3.4, 3.6) for seconds in (0.0, 1.0, 6.0)]


def trace_of(readings: Readings) -> Trace:
    return Trace(readings.time_s, readings.group_v, readings.current_a, readings.temperature_c, readings.distance_m)


def a_pack(**rest_low: Any) -> Pack:
    return build_pack("Otter", GROUPS, 5, a_cell(), {"rest_low": rest_low})


def with_setting(pack: Pack, setting: Setting) -> Pack:
    rule = replace(pack.rules["rest_low"], limit=setting.limit_v, on_delay_s=setting.on_delay_s, enabled=True)
    return replace(pack, rules=MappingProxyType({**pack.rules, "rest_low": rule}))


def raises(events: Sequence[AlarmEvent]) -> list[tuple[float, int | None]]:
    ours = (event for event in events if event.rule == "rest_low" and event.to is AlarmState.UNACKNOWLEDGED)
    return [(event.time_s, event.group) for event in ours]


def engine_run(pack: Pack, course: list[tuple[Any, ...]]) -> list[tuple[float, int | None]]:
    """All rules of the pack over the same estimates."""
    engine = Engine(pack)
    events: list[AlarmEvent] = []
    for piece, *made in course:
        events += engine.silence(piece.age_s) if isinstance(piece, Silence) else engine.readings(piece, *made)
    return raises(events)


@pytest.fixture(scope="module")
def courses() -> list[list[tuple[Any, ...]]]:
    """Pieces of hard rides as the core took them."""
    made = []
    for seed in (3, 5):
        pack, course = a_pack(), []
        state = new_state(pack)
        for piece in pieces(trace_of(hard_ride(seed)), pack):
            if isinstance(piece, Silence):
                step(state, piece)
                course.append((piece,))
            else:
                taken = take(state, piece)
                course.append((piece, taken.estimates, taken.shortfall_v))
        made.append(course)
    return made


@pytest.mark.parametrize(
    ("rest_low", "rows"),
    [
        ({}, 10_000),
        ({"deadband": 0.0, "off_delay_s": 0.0}, 17),
        ({"latching": True, "off_delay_s": 1.0}, 100),
        ({"enabled": False, "off_delay_s": 0.5, "deadband": 0.01}, 256),
    ],
)
def test_every_raise_of_every_cell_is_that_of_a_full_engine_with_that_setting(
    courses: list[list[tuple[Any, ...]]], rest_low: dict[str, Any], rows: int
) -> None:
    """Also where the grid takes a piece in parts, over silences, and where the pack has the rule out of service."""
    pack, found = a_pack(**rest_low), set()
    for course in courses:
        grid = Grid(pack, SETTINGS)
        grid._rows = rows
        for piece, *made in course:
            if isinstance(piece, Silence):
                grid.silence(piece.age_s)
            else:
                grid.take(piece, *made)
        for setting, heard in zip(SETTINGS, grid.raises, strict=True):
            assert heard == engine_run(with_setting(pack, setting), course)
            found.add(tuple(heard))
    assert len(found) >= len(SETTINGS), "settings that all do the same prove nothing"


def test_what_replay_tells_of_a_setting_is_what_a_replay_with_it_finds() -> None:
    pack, trace = a_pack(), trace_of(hard_ride(3).rows(slice(0, 900)))
    tried = replay(trace, pack, settings=SETTINGS).tried
    assert [one.setting for one in tried] == SETTINGS
    for one in tried[::4]:
        result = replay(trace, with_setting(pack, one.setting))
        found = raises(result.events)
        assert (one.rest.count, (one.rest.first_s, one.rest.first_group)) == (len(found), min(found, default=NEVER))
        plain = plain_threshold(trace.time_s, trace.group_v, one.setting.limit_v, one.setting.on_delay_s)
        assert (one.plain.count, (one.plain.first_s, one.plain.first_group)) == (len(plain), min(plain, default=NEVER))


def steady(seconds: float, v: Any, current_a: Any) -> Readings:
    time_s = 100.0 + np.arange(round(seconds * 10)) / 10.0
    volts = np.broadcast_to(np.asarray(v, float).reshape(-1, 1), (len(time_s), GROUPS)).copy()
    current = np.broadcast_to(np.asarray(current_a, float), len(time_s)).copy()
    return Readings(time_s, volts, current, np.full((len(time_s), 1), 25.0), np.full(len(time_s), NAN))


def test_minutes_and_energy_left_at_the_first_warning() -> None:
    """36 A at five groups of 3.2 V is 576 W: 0.16 Wh a second. The floor is met at 60 s, heard 0.5 s later."""
    volts = np.where(np.arange(900) < 600, 3.2, 2.7)
    ride = steady(90.0, volts, 36.0)
    pack = a_pack()
    one = replay(trace_of(ride), pack, settings=[Setting(3.3, 2.0)]).tried[0].plain
    assert one.first_s == pytest.approx(102.0)
    assert one.to_end_s == pytest.approx(87.9)
    assert one.to_floor_s == pytest.approx(58.5)
    assert one.to_floor_wh == pytest.approx(0.16 * 58.0 + 0.135 * 0.5, abs=0.01)
    assert one.to_end_wh == pytest.approx(0.16 * 58.0 + 0.135 * 29.9, abs=0.01)


def test_a_warning_that_comes_after_the_floor_says_so() -> None:
    volts = np.where((np.arange(900) > 300) & (np.arange(900) < 310), 2.7, np.where(np.arange(900) < 600, 3.7, 3.0))
    one = replay(trace_of(steady(90.0, volts, 0.0)), a_pack(), settings=[Setting(3.1, 5.0)]).tried[0].plain
    assert one.to_floor_s is not None
    assert one.to_floor_s == pytest.approx(130.1 + 0.5 - 165.0)


def test_what_is_not_there_is_none() -> None:
    ride = steady(30.0, 3.7, NAN)
    (one,) = replay(trace_of(ride), a_pack(), settings=[Setting(3.3, 1.0)]).tried
    for heard in (one.rest, one.plain):
        assert heard.count == 0
        assert (heard.first_s, heard.to_end_s, heard.to_end_wh, heard.to_floor_s, heard.to_floor_wh) == (None,) * 5
    low = steady(30.0, 3.0, NAN)
    (one,) = replay(trace_of(low), a_pack(), settings=[Setting(3.3, 1.0)]).tried
    assert one.plain.to_end_s is not None
    assert (one.plain.to_end_wh, one.plain.to_floor_s) == (None, None)
    assert floor_s([]) is None


def test_running_energy_ends_where_the_summary_does() -> None:
    readings = hard_ride(1)
    total = Summary(GROUPS)
    total.readings(readings)
    running = running_wh(readings)
    assert running[-1] == total.energy_wh
    known = running[~np.isnan(running)]
    assert known[0] == 0.0
    assert len(known) >= len(running) - 50
    half = Summary(GROUPS)
    half.readings(readings.rows(slice(0, 800)))
    assert running[799] == pytest.approx(half.energy_wh, rel=1e-12)


@pytest.mark.parametrize("count", [0, 1001])
def test_how_many_settings_at_once(count: int) -> None:
    with pytest.raises(ValueError, match="1 to 1000"):
        Grid(a_pack(), [Setting(3.3, 1.0)] * count)


def test_groups_that_follow_one_are_heard_as_one_warning() -> None:
    told = Warnings(tuple((time_s, group) for group, time_s in enumerate((10.0, 12.0, 69.0, 71.0, 200.0), 1)))
    assert told.heard(60.0) == 3, "at 10, 71 and 200 s"
    assert told.heard(0.0) == 5
    assert Warnings(()).heard(60.0) == 0

"""One step: what each event brings, that it is repeatable, and that what is refused changes nothing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from sagwise_daemon.domain.core import new_state, step, views
from sagwise_daemon.domain.model import (
    Acknowledge,
    AlarmState,
    Cell,
    Event,
    Pack,
    Priority,
    Reading,
    RideEnded,
    Shelve,
    Silence,
)
from sagwise_daemon.domain.pack.chemistry import built_in_curve
from sagwise_daemon.domain.pack.profile import build_pack

U = AlarmState.UNACKNOWLEDGED


@pytest.fixture
def pack() -> Pack:
    soc, v = built_in_curve("nmc")
    return build_pack("Otter", 4, 5, Cell("nmc", 4.5, 4.2, 2.8, 14.0, 30.0, soc, v))


def still(tick: int, v: Any = 3.7, **more: Any) -> Reading:
    return Reading(tick * 0.1, np.array(np.broadcast_to(np.asarray(v, float), (4,))), 0.0, np.array([25.0]), **more)


def test_a_reading_brings_an_estimate_and_nothing_else_does(pack: Pack) -> None:
    state = new_state(pack)
    for event in (Silence(0.3), Acknowledge("page"), Shelve("page", "rest_low", 5.0), RideEnded()):
        same, outcomes = step(state, event)
        assert same is state
        assert outcomes.estimate is None
    _, outcomes = step(state, still(0))
    assert outcomes.estimate is not None
    assert outcomes.estimate.time_s == 0.0
    assert outcomes.estimate.rest_v.shape == (4,)


def test_after_rest_the_estimate_is_the_measured_voltage(pack: Pack) -> None:
    state = new_state(pack)
    for tick in range(300):
        _, outcomes = step(state, still(tick, [3.7, 3.71, 3.69, 3.7]))
    assert outcomes.estimate is not None
    np.testing.assert_allclose(outcomes.estimate.rest_v, [3.7, 3.71, 3.69, 3.7], atol=0.01)
    assert outcomes.sound is None


def test_the_course_of_an_alarm_through_the_core(pack: Pack) -> None:
    state = new_state(pack)
    heard: list[tuple[str, int | None, AlarmState]] = []

    def take(event: Event) -> Priority | None:
        _, outcomes = step(state, event)
        heard.extend((said.rule, said.group, said.to) for said in outcomes.events)
        return outcomes.sound

    for tick in range(20):
        sound = take(still(tick, [3.7, 2.7, 3.7, 3.7]))
    assert heard == [("loaded_floor", 2, U)]
    assert sound is Priority.HIGH
    assert take(Acknowledge("button")) is None
    assert take(Silence(1.5)) is Priority.HIGH
    assert heard[1:] == [("loaded_floor", 2, AlarmState.ACKNOWLEDGED), ("link_lost", None, U)]
    for tick in range(40, 100):
        sound = take(still(tick))
    assert sound is None
    assert [(view.rule, view.state) for view in views(state)] == [("link_lost", AlarmState.RETURN_UNACKNOWLEDGED)]
    take(RideEnded())
    assert views(state) == ()


def test_what_is_refused_changes_nothing(pack: Pack) -> None:
    state = new_state(pack)
    for tick in range(20):
        step(state, still(tick, 2.7))
    before = views(state)
    with pytest.raises(ValueError, match="loaded_floor is a last guard"):
        step(state, Shelve("page", "loaded_floor", 60.0))
    with pytest.raises(KeyError, match="no_such_rule"):
        step(state, Acknowledge("page", "no_such_rule"))
    assert views(state) == before
    assert step(state, still(20, 2.7))[1].sound is Priority.HIGH


@pytest.mark.slow
def test_the_same_events_give_the_same_outcomes(pack: Pack) -> None:
    rng = np.random.default_rng(3)
    events: list[Event] = []
    for tick in range(600):
        events.append(Reading(tick * 0.1, 3.3 + rng.normal(0, 0.2, 4), float(rng.normal(20, 40)), np.array([20.0])))
        events += [Silence(3.0)] if tick % 200 == 100 else []
        events += [Acknowledge("page")] if tick % 150 == 149 else []
    runs = []
    for _ in range(2):
        state = new_state(pack)
        runs.append([said for event in events for said in step(state, event)[1].events])
    assert runs[0] == runs[1]
    assert len(runs[0]) > 3


def test_a_reboot_of_the_board_keeps_alarms_and_floor(pack: Pack) -> None:
    state = new_state(pack)
    for tick in range(20):
        step(state, still(tick, [2.7, 3.7, 3.7, 3.7], boot_id=1, uptime_us=10**9 + tick * 10**5))
    for tick in range(25, 45):
        _, outcomes = step(state, still(tick, [2.7, 3.7, 2.7, 3.7], boot_id=2, uptime_us=(tick - 25) * 10**5))
    assert {(view.rule, view.group, view.state) for view in views(state)} >= {
        ("loaded_floor", 1, U),
        ("loaded_floor", 3, U),
    }
    assert outcomes.sound is Priority.HIGH

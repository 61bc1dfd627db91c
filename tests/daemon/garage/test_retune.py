"""Other settings in the middle of a ride. Law: estimates go on, alarms begin anew, the board's own alarm follows."""

from __future__ import annotations

import numpy as np
import pytest

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.config.pack import reruled
from sagwise_daemon.domain.core import new_state, retune, step
from sagwise_daemon.domain.host import HostVoice, fallback_limits
from sagwise_daemon.domain.model import AlarmState, Pack, Reading
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.io.clock import Clock
from sagwise_protocol import Decoder, FallbackLimits, Frame


@pytest.fixture
def otter() -> Pack:
    return built_in_pack("otter")[1]


def reading(time_s: float, volts: float) -> Reading:
    return Reading(
        time_s=time_s,
        group_v=np.full(16, volts),
        current_a=0.0,
        temperature_c=np.array([25.0]),
        distance_m=float("nan"),
        boot_id=1,
        uptime_us=int(time_s * 1e6),
    )


def test_a_lower_limit_ends_the_alarm_and_a_higher_one_raises_it_again(otter: Pack) -> None:
    state = new_state(otter)
    for tick in range(400):
        state, outcomes = step(state, reading(tick * 0.1, 3.25))
    assert outcomes.sound is not None, "3.25 V at rest is under 3.30 V"
    rest_v = outcomes.estimate.rest_v.copy()
    ended = retune(state, reruled(otter, {"rest_low": {"volts": 3.1}}))
    assert {event.to for event in ended.events} == {AlarmState.NORMAL}
    assert {event.by for event in ended.events} == {"settings"} and ended.sound is None
    for tick in range(400, 500):
        state, outcomes = step(state, reading(tick * 0.1, 3.25))
        assert outcomes.sound is None
    assert outcomes.estimate.rest_v == pytest.approx(rest_v, abs=0.01), "the estimate went on"
    retune(state, otter)
    raised = []
    for tick in range(500, 600):
        state, outcomes = step(state, reading(tick * 0.1, 3.25))
        raised += [event for event in outcomes.events if event.rule == "rest_low"]
    assert raised and raised[0].limit == 3.3


def test_energy_left_follows_the_limit(otter: Pack) -> None:
    state = new_state(otter)
    left = []
    for pack in (otter, reruled(otter, {"rest_low": {"volts": 3.1}})):
        retune(state, pack)
        start = 40.0 * len(left)
        for tick in range(400):
            state, outcomes = step(state, reading(start + tick * 0.1, 3.6))
        left.append(outcomes.energy.left_wh)
    assert left[1] > left[0], "a lower reserve leaves more above it"


def test_the_boards_own_alarm_gets_the_new_floor(otter: Pack) -> None:
    voice = HostVoice(7, 20.0, fallback_limits(otter))
    lower = reruled(otter, {"loaded_floor": {"volts": 2.6}})
    assert voice.retune(fallback_limits(lower), 1.0) == b"", "no board is met yet"
    frames = Decoder().feed(voice.say(fallback_limits(lower), 1.0))
    (said,) = [frame.message for frame in frames if isinstance(frame, Frame)]
    assert isinstance(said, FallbackLimits) and said.low_500uv == 5200


def wall(unix_s: float, trusted: bool, monotonic_s: float) -> WallTime:
    return WallTime(unix_s, trusted, monotonic_s, "boot")


def test_a_person_sets_a_clock_that_nothing_else_has_set() -> None:
    now = [wall(1000.0, False, 50.0)]
    clock = Clock(lambda: now[0])
    assert clock.look() == (1000.0, "nothing") and not clock.wall().trusted
    clock.tell(1.8e9, "phone")
    now[0] = wall(5.0, False, 60.0)  # the host's wall clock leaps back; the phone's time runs on
    assert clock.look() == (1.8e9 + 10.0, "phone")
    clock.tell(1.8e9 + 10.0, "computer")
    assert clock.look() == (1.8e9 + 10.0, "computer"), "whoever spoke last set it"
    assert clock.wall() == wall(1.8e9 + 10.0, True, 60.0)
    now[0] = wall(1.9e9, True, 70.0)
    assert clock.look() == (1.9e9, "network"), "a network's word goes before a phone's"

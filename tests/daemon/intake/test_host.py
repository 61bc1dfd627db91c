"""What the board hears from the host, read back through the codec. Holds the law of `domain/host.py`."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import pytest

from sagwise_daemon.domain.host import HostVoice, fallback_limits
from sagwise_daemon.domain.model import Pack
from sagwise_daemon.domain.stamps import WallTime
from sagwise_protocol import (
    AlarmPattern,
    Decoder,
    FallbackLimits,
    Frame,
    Heartbeat,
    HostHello,
    Pattern,
    SetRate,
    Stamp,
    Time,
)

BOARD = Stamp(0xA1, 77, 0, 0)


def frames(data: bytes) -> list[Frame]:
    found = Decoder().feed(data)
    assert all(isinstance(event, Frame) for event in found)
    return [event for event in found if isinstance(event, Frame)]


def messages(data: bytes) -> list[Any]:
    return [frame.message for frame in frames(data)]


@pytest.fixture
def voice(pack: Pack) -> HostVoice:
    return HostVoice(0xBEEF, 20.0, fallback_limits(pack))


@pytest.fixture
def hello(board: Any) -> Any:
    return board.hello().message


def test_the_port_opens_with_a_delimiter_and_a_hello_to_any_board(voice: HostVoice) -> None:
    opening = voice.opened(10.0)
    assert opening[0] == 0
    first, second = frames(opening)
    assert isinstance(first.message, HostHello) and (first.message.version_min, first.message.version_max) == (
        1,
        1,
    )
    assert isinstance(second.message, Heartbeat)
    assert (first.stamp.board_id, first.stamp.boot_id, first.stamp.uptime_us) == (0, 0xBEEF, 0)


def test_hello_is_asked_again_until_a_board_answers(voice: HostVoice, hello: Any) -> None:
    voice.opened(0.0)
    heard = [m for n in range(1, 61) for m in messages(voice.tick(n * 0.1))]
    assert sum(isinstance(m, HostHello) for m in heard) == 3
    voice.hello(BOARD, hello, 6.0)
    heard = [m for n in range(61, 121) for m in messages(voice.tick(n * 0.1))]
    assert not any(isinstance(m, HostHello) for m in heard)


def test_heartbeats_keep_their_pace_and_number_what_was_heard(voice: HostVoice) -> None:
    voice.opened(0.0)
    voice.heard(Stamp(0xA1, 77, 5, 4711))
    beats = [m for n in range(1, 101) for m in messages(voice.tick(n * 0.1)) if isinstance(m, Heartbeat)]
    assert len(beats) == 20
    assert {b.heard_sequence for b in beats} == {4711}


def test_every_boot_gets_limits_rate_and_time(voice: HostVoice, hello: Any, pack: Pack) -> None:
    wall = WallTime(1_790_000_000.5, trusted=False, monotonic_s=0.0, host_boot="a")
    said = messages(voice.hello(BOARD, replace(hello, rate_mhz=10_000), 1.0, wall))
    assert said == [
        FallbackLimits(low_500uv=5600, high_500uv=8460, on_delay_ms=1000, host_silence_ms=3000),
        SetRate(20_000),
        Time(1_790_000_000_500_000, 0),
    ]
    reboot = messages(voice.hello(replace(BOARD, boot_id=78), replace(hello, rate_mhz=10_000), 2.0))
    assert [type(m) for m in reboot] == [FallbackLimits, SetRate]


def test_fallback_limits_are_the_packs_floor_and_ceiling(pack: Pack) -> None:
    """Otter: floor 2.80 V (`empty_v`), ceiling 4.23 V (`full_v` + 0.03 V), in steps of 0.5 mV."""
    limits = fallback_limits(pack)
    assert (limits.low_500uv / 2000, limits.high_500uv / 2000) == (2.8, 4.23)


@pytest.mark.parametrize(
    ("low", "high", "now", "asked"),
    [
        (1000, 100_000, 20_000, []),
        (1000, 10_000, 20_000, [SetRate(10_000)]),
        (50_000, 90_000, 60_000, [SetRate(50_000)]),
        (90_000, 50_000, 60_000, []),
        (100, 1000, 500, []),
    ],
)
def test_the_rate_is_asked_within_what_the_board_can(
    voice: HostVoice, hello: Any, low: int, high: int, now: int, asked: list[SetRate]
) -> None:
    said = messages(voice.hello(BOARD, replace(hello, rate_min_mhz=low, rate_max_mhz=high, rate_mhz=now), 1.0))
    assert [m for m in said if isinstance(m, SetRate)] == asked


def test_a_board_that_answers_with_another_rate_is_not_asked_without_end(voice: HostVoice, hello: Any) -> None:
    stubborn = replace(hello, rate_mhz=19_900)
    said = [m for n in range(100) for m in messages(voice.hello(BOARD, stubborn, n * 0.1))]
    assert sum(isinstance(m, SetRate) for m in said) == 1
    said = [m for n in range(1, 10) for m in messages(voice.hello(BOARD, stubborn, n * 10.0))]
    assert sum(isinstance(m, SetRate) for m in said) == 2


def test_an_alarm_is_said_at_once_and_renewed_well_within_its_life(voice: HostVoice) -> None:
    voice.opened(0.0)
    assert messages(voice.sound(Pattern.HIGH, 41, 0.05)) == [AlarmPattern(Pattern.HIGH, 2000, 41)]
    assert voice.sound(Pattern.HIGH, 41, 0.06) == b""
    renewed = [n for n in range(1, 101) for m in messages(voice.tick(n * 0.1)) if isinstance(m, AlarmPattern)]
    assert len(renewed) >= 19
    assert max(b - a for a, b in itertools.pairwise(renewed)) <= 6


def test_a_newer_event_is_said_at_once_and_silence_once(voice: HostVoice) -> None:
    voice.sound(Pattern.LOW, 1, 0.0)
    assert messages(voice.sound(Pattern.HIGH, 2, 0.1)) == [AlarmPattern(Pattern.HIGH, 2000, 2)]
    assert messages(voice.sound(Pattern.HIGH, 3, 0.2)) == [AlarmPattern(Pattern.HIGH, 2000, 3)]
    assert messages(voice.sound(Pattern.SILENT, 3, 0.3)) == [AlarmPattern(Pattern.SILENT, 2000, 3)]
    later = [m for n in range(100) for m in messages(voice.tick(1 + n * 0.1))]
    assert not any(isinstance(m, AlarmPattern) for m in later)


def test_an_alarm_goes_on_over_a_reboot_of_the_board(voice: HostVoice, hello: Any) -> None:
    voice.sound(Pattern.HIGH, 9, 0.0)
    assert AlarmPattern(Pattern.HIGH, 2000, 9) in messages(voice.hello(BOARD, hello, 0.1))
    assert AlarmPattern(Pattern.HIGH, 2000, 9) in messages(voice.opened(5.0))


def test_frames_are_numbered_through_and_wrap(voice: HostVoice) -> None:
    numbers = [frames(voice.say(Heartbeat(0), n * 1.0))[0].stamp for n in range(3)]
    assert [s.sequence for s in numbers] == [0, 1, 2]
    assert [s.uptime_us for s in numbers] == [0, 1_000_000, 2_000_000]
    voice._sequence = 65_535
    assert [frames(voice.say(Heartbeat(0), 9.0))[0].stamp.sequence for _ in range(2)] == [65_535, 0]


def test_a_stranger_is_spoken_to_by_its_own_id(voice: HostVoice, hello: Any) -> None:
    voice.hello(BOARD, hello, 0.0)
    assert frames(voice.say(Heartbeat(0), 1.0))[0].stamp.board_id == 0xA1
    assert frames(voice.say(Heartbeat(0), 1.0, board_id=0xB2))[0].stamp.board_id == 0xB2

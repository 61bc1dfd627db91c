"""The board's side of PROTOCOL.md, spoken through the codec. Law: times are the board's own, never the test's."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import pytest

from sagwise_protocol import (
    AlarmPattern,
    BoardHello,
    BoardHelloBootCause,
    BoardHelloFeatures,
    BoardRefusal,
    Button,
    ButtonKind,
    FallbackLimits,
    Frame,
    Heartbeat,
    HostHello,
    HostRefusal,
    Message,
    Pattern,
    RefusalReason,
    Sample,
    SetRate,
    Stamp,
    Status,
    Time,
    encode,
)
from sagwise_sim.board import Told

MakeHost = Callable[..., Any]
HIGH_LIMITS = FallbackLimits(
    low_500uv=7800, high_500uv=8400, on_delay_ms=500, host_silence_ms=1500
)  # 3.90 V: all below


def ups(frames: list[Frame]) -> list[int]:
    return [frame.stamp.uptime_us for frame in frames]


def test_boot_begins_with_a_zero_byte_and_a_hello(make_host: MakeHost) -> None:
    simulation, _ = make_host()
    assert simulation.board.advance(0.0)[:1] == b"\0"
    _, host = make_host()
    host.listen(0.06)
    hello, sample = host.events
    assert isinstance(hello.message, BoardHello)
    assert isinstance(sample.message, Sample)
    assert hello.stamp.uptime_us == 0
    assert hello.message.group_count == 4
    assert hello.message.rate_mhz == 20_000
    assert hello.message.boot_cause == BoardHelloBootCause.POWER
    assert BoardHelloFeatures(hello.message.features) == BoardHelloFeatures(31)


def test_sequence_rises_by_one_over_all_frames(make_host: MakeHost) -> None:
    _, host = make_host()
    host.listen(12.0)
    sequences = [event.stamp.sequence for event in host.events]
    assert sequences == list(range(len(sequences)))


@pytest.mark.parametrize("piece_s", [0.004, 0.017, 0.6, 6.0])
def test_rates_hold_however_time_is_cut(make_host: MakeHost, piece_s: float) -> None:
    _, host = make_host()
    for _ in range(round(12.0 / piece_s) + 1):
        host.listen(piece_s)
    assert ups(host.frames(Sample))[:240] == [50_000 * (at + 1) for at in range(240)]
    assert ups(host.frames(Status))[:12] == [1_000_000 * (at + 1) for at in range(12)]
    assert ups(host.frames(BoardHello)) == [0, 10_000_000]


def test_uptime_keeps_the_fractions_of_many_small_steps(make_host: MakeHost) -> None:
    simulation, host = make_host()
    for _ in range(3000):
        host.listen(0.001 / 3)
    assert simulation.board.uptime_us == pytest.approx(1_000_000, abs=1)


def test_hello_is_answered(make_host: MakeHost) -> None:
    _, host = make_host()
    host.listen(3.33)
    host.hello()
    host.listen(0.05)
    assert ups(host.frames(BoardHello)) == [0, 3_330_000]


def test_an_uneven_rate_does_not_drift(make_host: MakeHost) -> None:
    _, host = make_host(sensors={"rate_hz": 30.0})
    host.listen(10.0)
    taken = ups(host.frames(Sample))
    assert len(taken) == 300
    assert taken[-1] == 10_000_000
    assert {b - a for a, b in itertools.pairwise(taken)} == {33_333, 33_334}


def test_set_rate_is_followed_and_told(make_host: MakeHost) -> None:
    _, host = make_host()
    host.listen(1.0)
    host.say(SetRate(50_000))
    host.listen(2.0)
    assert host.of(BoardHello)[-1].rate_mhz == 50_000
    later = [at for at in ups(host.frames(Sample)) if at > 1_000_000]
    assert len(later) == 100
    assert not host.of(BoardRefusal)


@pytest.mark.parametrize("rate", [999, 100_001, 2**32 - 1])
def test_set_rate_out_of_range_is_refused(make_host: MakeHost, rate: int) -> None:
    _, host = make_host()
    sequence = host.say(SetRate(rate))
    host.listen(1.0)
    assert host.of(BoardRefusal) == [BoardRefusal(0x43, sequence, RefusalReason.OUT_OF_RANGE, 1_000, 100_000)]
    assert len(host.of(Sample)) == 20


# --- buzzer -----------------------------------------------------------------------------------------------------


def test_pattern_plays_until_its_life_ends(make_host: MakeHost) -> None:
    simulation, host = make_host()
    host.listen(1.0)
    host.say(AlarmPattern(Pattern.MEDIUM, 1500, 7))
    host.listen(1.49)
    assert simulation.board.buzzer == Pattern.MEDIUM
    assert host.of(Status)[-1].pattern == Pattern.MEDIUM
    host.listen(0.02)
    assert simulation.board.buzzer == Pattern.SILENT


def test_silent_stops_the_sound_at_once(make_host: MakeHost) -> None:
    simulation, host = make_host()
    host.say(AlarmPattern(Pattern.HIGH, 10_000, 7))
    host.say(AlarmPattern(Pattern.SILENT, 10_000, 7))
    assert simulation.board.buzzer == Pattern.SILENT


def test_told_keeps_changes_and_not_renewals(make_host: MakeHost) -> None:
    simulation, host = make_host()
    for pattern, event in [(1, 5), (1, 5), (3, 6), (3, 6), (3, 7), (0, 7)]:
        host.say(AlarmPattern(pattern, 1500, event))
        host.listen(0.5)
    assert [(told.pattern, told.event_id) for told in simulation.board.told] == [(1, 5), (3, 6), (3, 7), (0, 7)]
    assert simulation.board.told[1] == Told(1_000_000, Pattern.HIGH, 6)


def test_a_lapsed_pattern_that_comes_back_is_a_change(make_host: MakeHost) -> None:
    simulation, host = make_host()
    for _ in range(2):
        host.say(AlarmPattern(Pattern.LOW, 500, 5))
        host.listen(1.0)
    assert len(simulation.board.told) == 2


def test_board_without_buzzer_refuses(make_host: MakeHost) -> None:
    simulation, host = make_host(board={"buzzer": False})
    host.say(AlarmPattern(Pattern.HIGH, 1500, 5))
    host.say(HIGH_LIMITS)
    host.listen(6.0)
    assert [refusal.reason for refusal in host.of(BoardRefusal)] == [RefusalReason.NOT_SUPPORTED] * 2
    assert simulation.board.buzzer == Pattern.SILENT
    assert not BoardHelloFeatures(host.of(BoardHello)[0].features) & BoardHelloFeatures.FALLBACK_ALARM


# --- silence ----------------------------------------------------------------------------------------------------


def test_silent_host_makes_the_board_judge_by_itself(make_host: MakeHost) -> None:
    """Silence after 1.5 s, then 0.5 s of every sample beyond the limit: 2.0 s, at the next sample."""
    simulation, host = make_host()
    host.say(HIGH_LIMITS)
    host.listen(1.95)
    assert simulation.board.buzzer == Pattern.SILENT
    host.listen(0.15)
    assert simulation.board.buzzer == Pattern.HIGH
    first = next(frame for frame in host.frames(Status) if frame.message.fallback_sounding)
    assert first.stamp.uptime_us == pytest.approx(2_000_000, abs=100_000)
    assert first.message.host_silent == 1


def test_host_that_speaks_again_decides_again(make_host: MakeHost) -> None:
    simulation, host = make_host()
    host.say(HIGH_LIMITS)
    host.listen(3.0)
    host.say(Heartbeat(0))
    host.listen(0.15)
    assert simulation.board.buzzer == Pattern.SILENT
    assert host.of(Status)[-1].fallback_sounding == 0


def test_a_heartbeat_every_half_second_keeps_it_quiet(make_host: MakeHost) -> None:
    simulation, host = make_host()
    host.say(HIGH_LIMITS)
    for _ in range(40):
        host.say(Heartbeat(0))
        host.listen(0.5)
        assert simulation.board.buzzer == Pattern.SILENT
    assert not any(status.host_silent for status in host.of(Status))


def test_built_in_limits_watch_before_the_host_ever_spoke(make_host: MakeHost) -> None:
    """Silence 3 s and delay 1 s are the protocol's; the limits are the builder's."""
    for low_v, expected in [(3.9, Pattern.HIGH), (2.8, Pattern.SILENT)]:
        simulation, host = make_host(board={"fallback_low_v": low_v})
        host.listen(3.9)
        assert simulation.board.buzzer == Pattern.SILENT
        host.listen(0.3)
        assert simulation.board.buzzer == expected


def test_limits_last_until_the_next_boot(make_host: MakeHost) -> None:
    simulation, host = make_host()
    host.say(HIGH_LIMITS)
    host.listen(1.0)
    simulation.board.reboot(BoardHelloBootCause.RESET, 0.2)
    host.listen(10.0)
    assert simulation.board.buzzer == Pattern.SILENT
    assert simulation.board.boots == 2


def test_what_is_meant_for_another_board_is_no_sign_of_life(make_host: MakeHost) -> None:
    simulation, host = make_host()
    host.say(HIGH_LIMITS)
    for _ in range(8):
        host.say(Heartbeat(0), board_id=0x99)
        host.say(SetRate(5), board_id=0x99)
        simulation.board.receive(encode(Button(1, 0), Stamp(1, 1, 0, 0)))  # an echo
        host.listen(0.5)
    assert simulation.board.buzzer == Pattern.HIGH
    assert not host.of(BoardRefusal)


@pytest.mark.parametrize(
    "word",
    [
        HostHello(2, 3, "newer"),
        HostHello(1, 1, "asks"),
        HostRefusal(1, 0, RefusalReason.WRONG_GROUP_COUNT),
        HIGH_LIMITS,
    ],
    ids=["a hello of another version", "a hello", "a refusal", "limits"],
)
def test_nothing_but_a_heartbeat_says_that_the_host_watches(make_host: MakeHost, word: Message) -> None:
    """A host that will not use the board speaks all the same, and watches nothing."""
    simulation, host = make_host(board={"fallback_low_v": 3.9})
    for _ in range(10):
        host.say(word)
        host.listen(0.5)
    assert simulation.board.host_silent
    assert simulation.board.buzzer == Pattern.HIGH


def test_the_fallback_alarm_ends_with_the_heartbeat_itself(make_host: MakeHost) -> None:
    """At one sample a second the next one may be long in coming; after a trace none comes."""
    simulation, host = make_host()
    host.say(SetRate(1_000))
    host.say(HIGH_LIMITS)
    host.listen(4.5)
    assert simulation.board.buzzer == Pattern.HIGH
    host.say(Heartbeat(0))
    assert simulation.board.buzzer == Pattern.SILENT
    host.listen(0.15)
    assert host.of(Status)[-1].fallback_sounding == 0


def test_no_readable_group_at_all_sounds_too(make_host: MakeHost) -> None:
    simulation, host = make_host()
    host.listen(1.0)
    good = simulation.world.sample
    simulation.world.sample = lambda: Sample(0, 0, 0, 0, 0, (0, 0, 0, 0), good().temperature_centi_c)
    host.listen(5.0)
    assert simulation.board.buzzer == Pattern.HIGH


def test_limits_upside_down_are_refused_and_change_nothing(make_host: MakeHost) -> None:
    simulation, host = make_host()
    sequence = host.say(FallbackLimits(7000, 7000, 0, 500))
    host.listen(5.0)
    assert host.of(BoardRefusal) == [BoardRefusal(0x45, sequence, RefusalReason.OUT_OF_RANGE, 7001, 12_000)]
    assert simulation.board.buzzer == Pattern.SILENT


# --- refusals and rubbish ---------------------------------------------------------------------------------------


def test_unknown_flag_unknown_version_and_wild_values_are_refused(make_host: MakeHost) -> None:
    simulation, host = make_host()
    host.say(Heartbeat(0), flags=0x01)
    host.say(Heartbeat(0), flags=0x10)  # may be skipped
    host.say(HostHello(2, 3, "future"))
    host.listen(0.5)
    reasons = [(refusal.refused_type, refusal.reason) for refusal in host.of(BoardRefusal)]
    assert reasons == [(0x42, RefusalReason.NOT_SUPPORTED), (0x41, RefusalReason.VERSION)]
    host.listen(0.6)
    assert host.of(Status)[-1].frames_rejected == 1
    assert simulation.board.plugged


@pytest.mark.parametrize(
    ("message", "field", "allowed"),
    [
        (FallbackLimits(1001, 8400, 500, 1500), {"low_500uv": 999}, (1000, 12_000)),
        (FallbackLimits(1001, 8400, 500, 1500), {"host_silence_ms": 499}, (500, 60_000)),
        (AlarmPattern(Pattern.HIGH, 101, 0), {"ttl_ms": 99}, (100, 10_000)),
        (AlarmPattern(Pattern.HIGH, 101, 0), {"boot_id": 0}, (1, 2**31 - 1)),
        (SetRate(20_000), {"boot_id": 0}, (1, 2**31 - 1)),
        (SetRate(20_000), {"rate_mhz": 0}, (1_000, 100_000)),
    ],
)
def test_a_refusal_states_the_range_of_the_field_at_fault(
    make_host: MakeHost, forged: Callable[..., bytes], message: Message, field: dict[str, int], allowed: tuple[int, int]
) -> None:
    simulation, host = make_host()
    simulation.board.receive(forged(message, **field))
    host.listen(0.1)
    (refusal,) = host.of(BoardRefusal)
    assert refusal.reason == RefusalReason.OUT_OF_RANGE
    assert (refusal.allowed_min, refusal.allowed_max) == allowed


def test_refusals_are_not_refused_and_not_many(make_host: MakeHost) -> None:
    _, host = make_host()
    host.say(HostRefusal(1, 0, RefusalReason.WRONG_GROUP_COUNT), flags=0x01)
    host.listen(0.1)
    assert not host.of(BoardRefusal)
    for _ in range(30):
        host.say(SetRate(1))
    host.listen(0.9)
    assert len(host.of(BoardRefusal)) == 5


def test_rubbish_is_counted_and_harmless(make_host: MakeHost) -> None:
    simulation, host = make_host()
    host.listen(0.1)
    for piece in (b"\x05\x00", bytes(range(256)) * 8, b"\0\0\0", b"\xff" * 5000):
        simulation.board.receive(piece)
    simulation.board.receive(b"\0")
    host.hello()
    host.say(Time(1_700_000_000_000_000, 1))
    host.listen(1.1)
    assert host.of(Status)[-1].frames_rejected >= 3
    assert len(host.of(BoardHello)) == 2
    assert not host.of(BoardRefusal)


# --- button and reboot ------------------------------------------------------------------------------------------


def test_a_press_is_said_three_times_50_ms_apart(make_host: MakeHost) -> None:
    simulation, host = make_host()
    host.listen(1.234)
    simulation.board.press()
    host.listen(1.0)
    simulation.board.press(ButtonKind.LONG)
    host.listen(1.0)
    pressed = host.frames(Button)
    assert [(frame.message.press, frame.message.kind) for frame in pressed] == [(1, 0)] * 3 + [(2, 1)] * 3
    times = ups(pressed)
    assert times[0] - 1_234_000 <= 20_000
    assert [b - a for a, b in itertools.pairwise(times[:3])] == [50_000, 50_000]


def test_no_button_no_press(make_host: MakeHost) -> None:
    simulation, _ = make_host(board={"button": False})
    with pytest.raises(RuntimeError, match="no button"):
        simulation.board.press()


def test_reboot_forgets_and_starts_a_new_clock(make_host: MakeHost) -> None:
    simulation, host = make_host()
    host.listen(2.0)
    simulation.board.press()
    host.say(AlarmPattern(Pattern.HIGH, 10_000, 4))
    simulation.board.reboot(BoardHelloBootCause.BROWNOUT, 0.5)
    assert simulation.board.buzzer == Pattern.SILENT
    host.say(Heartbeat(0))
    assert host.listen(0.4) == []
    host.listen(1.0)
    again = host.frames(BoardHello)[-1]
    assert (again.stamp.uptime_us, again.stamp.sequence) == (0, 0)
    assert again.stamp.boot_id != host.events[0].stamp.boot_id
    assert not host.of(Button)
    assert len(simulation.board.told) == 1


def test_a_reboot_brings_the_boards_own_rate_back(make_host: MakeHost) -> None:
    simulation, host = make_host()
    host.say(SetRate(50_000))
    host.listen(1.0)
    assert host.of(BoardHello)[-1].rate_mhz == 50_000
    simulation.board.reboot(BoardHelloBootCause.WATCHDOG, 0.2)
    before = len(host.of(Sample))
    host.listen(1.25)
    assert host.of(BoardHello)[-1].rate_mhz == 20_000
    assert len(host.of(Sample)) - before == 21


def test_sequence_wraps(make_host: MakeHost) -> None:
    simulation, host = make_host()
    simulation.board._sequence = 65_530  # hours of riding, skipped
    host.listen(1.0)
    sequences = [event.stamp.sequence for event in host.events]
    assert sequences[:8] == [65_530, 65_531, 65_532, 65_533, 65_534, 65_535, 0, 1]

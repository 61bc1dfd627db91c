"""Frames to Readings: validity, gaps, strangers, presses. Holds the law of `domain/intake.py`."""

from __future__ import annotations

import math
import random
from typing import Any

import numpy as np
import pytest

from sagwise_daemon.domain.intake import Intake
from sagwise_protocol import (
    BoardRefusal,
    Button,
    ButtonKind,
    Decoder,
    Frame,
    Heartbeat,
    HostHello,
    HostRefusal,
    RefusalReason,
    Rejected,
    RejectReason,
    Stamp,
    Status,
    StatusFaults,
    encode,
)


def refusals(taken: Any) -> list[RefusalReason]:
    return [RefusalReason(s.message.reason) for s in taken.to_send if isinstance(s.message, HostRefusal)]


def test_a_sample_becomes_a_reading_in_si_units(intake: Intake, board: Any) -> None:
    intake.take(board.hello(), 0.0)
    (reading,) = intake.take(board.sample(), 0.05).readings
    assert reading.group_v.shape == (16,)
    assert reading.group_v.tolist() == [3.7] * 16
    assert reading.current_a == 12.345
    assert reading.temperature_c.tolist() == [25.12, -1.5]
    assert reading.distance_m == 6.78
    assert (reading.boot_id, reading.uptime_us) == (77, board.uptime_us)


def test_readings_come_back_to_the_wire_exactly(intake: Intake, board: Any) -> None:
    for raw in [*range(-32768, 32768, 97), 32767]:
        (reading,) = intake.take(board.sample(group_500uv=(raw,) * 16), 0.0).readings
        assert round(float(reading.group_v[0]) / 0.0005) == raw


def test_invalid_sensors_are_nan_and_only_they(intake: Intake, board: Any) -> None:
    intake.take(board.hello(), 0.0)
    frame = board.sample(group_valid=0xFFFF & ~0b101, temperature_valid=0b10, other_valid=0)
    taken = intake.take(frame, 0.05)
    (reading,) = taken.readings
    assert np.flatnonzero(np.isnan(reading.group_v)).tolist() == [0, 2]
    assert np.isnan(reading.temperature_c).tolist() == [True, False]
    assert math.isnan(reading.current_a) and math.isnan(reading.distance_m)
    assert taken.alive


def test_a_sample_without_any_valid_group_is_no_sign_of_life(intake: Intake, board: Any) -> None:
    taken = intake.take(board.sample(group_valid=0), 0.0)
    assert np.isnan(taken.readings[0].group_v).all()
    assert not taken.alive
    assert intake.take(board.sample(), 0.1).alive


def test_negative_volts_of_a_crossed_lead_come_through(intake: Intake, board: Any) -> None:
    (reading,) = intake.take(board.sample(group_500uv=(-7400,) + (14800,) * 15), 0.0).readings
    assert reading.group_v[0] == -3.7 and reading.group_v[1] == 7.4


def test_temperatures_keep_the_number_that_hello_gave(intake: Intake, board: Any) -> None:
    intake.take(board.hello(temperature_count=3), 0.0)
    (reading,) = intake.take(board.sample(), 0.05).readings
    assert reading.temperature_c.shape == (3,) and math.isnan(reading.temperature_c[2])
    (reading,) = intake.take(board.sample(temperature_centi_c=(1, 2, 3, 4, 5), temperature_valid=31), 0.1).readings
    assert reading.temperature_c.tolist() == [0.01, 0.02, 0.03]


# Gaps, twins and old frames.


def test_lost_frames_are_counted_over_the_wrap(intake: Intake, board: Any) -> None:
    board.sequence = 65_533
    intake.take(board.sample(), 0.0)
    board.sequence = 2  # 65534, 65535, 0 and 1 never came
    assert intake.take(board.sample(), 0.1).readings
    assert intake.counts.lost == 4


def test_twins_and_old_frames_bring_nothing(intake: Intake, board: Any) -> None:
    frames = [board.sample() for _ in range(60)]
    for place, frame in enumerate(frames):
        assert intake.take(frame, place * 0.05).readings
    assert not intake.take(frames[-1], 3.0).readings
    assert not intake.take(frames[30], 3.0).readings
    assert not intake.take(frames[5], 3.0).readings
    assert (intake.counts.twins, intake.counts.old, intake.counts.lost) == (1, 2, 0)
    assert intake.take(board.sample(), 3.05).readings


def test_a_long_silence_that_wraps_the_sequence_is_no_old_frame(intake: Intake, board: Any) -> None:
    intake.take(board.sample(), 0.0)
    board.sequence = (board.sequence + 40_000) % 65_536
    assert intake.take(board.sample(after_us=400_000_000), 400.0).readings
    assert intake.counts.lost == 40_000


def test_a_reboot_under_the_same_boot_id_is_taken_up_within_three_frames(intake: Intake, board: Any) -> None:
    for n in range(2000):
        intake.take(board.sample(), n * 0.05)
    board.reboot(board.boot_id)
    taken = [intake.take(board.sample(), 101.0 + n * 0.05) for n in range(10)]
    assert [bool(t.readings) for t in taken] == [False, False] + [True] * 8
    assert [r for t in taken for r in t.remarks] == [
        "Board 000000A1 began anew under an old boot id: its boot ids repeat."
    ]


def test_frames_of_an_earlier_boot_are_old(intake: Intake, board: Any) -> None:
    late = board.sample()
    intake.take(board.sample(), 0.0)
    board.reboot(78)
    assert intake.take(board.sample(), 1.0).readings
    assert not intake.take(late, 1.0).readings
    assert intake.take(board.sample(), 1.1).readings


# Who speaks.


def test_hello_of_the_fitted_pack_is_handed_on(intake: Intake, board: Any) -> None:
    taken = intake.take(board.hello(), 0.0)
    assert taken.hello is not None and taken.hello.name == "bench board"
    assert taken.board_id == 0xA1 and not taken.to_send
    assert "bench board" in taken.remarks[0] and "power" in taken.remarks[0]
    assert intake.notice(0.0) is None


@pytest.mark.parametrize(
    ("changes", "reason", "words"),
    [
        ({"group_count": 14}, RefusalReason.WRONG_GROUP_COUNT, "The board has 14 groups, Otter 16s5p has 16"),
        ({"first_group": 9, "group_count": 8}, RefusalReason.WRONG_GROUP_COUNT, "measures groups 9 to 16 only"),
        ({"version_min": 2, "version_max": 3}, RefusalReason.VERSION, "protocol versions 2 to 3"),
    ],
)
def test_a_board_that_does_not_fit_is_refused(
    intake: Intake, board: Any, changes: dict[str, int], reason: RefusalReason, words: str
) -> None:
    taken = intake.take(board.hello(**changes), 0.0)
    assert taken.hello is None and refusals(taken) == [reason]
    assert taken.to_send[0].board_id == 0xA1
    assert words in (intake.notice(1.0) or "")
    groups = changes.get("group_count", 16)
    assert not intake.take(board.sample(groups), 1.0).readings
    assert intake.take(board.hello(), 2.0).hello is not None
    assert intake.notice(2.0) is None


def test_samples_before_a_hello_are_used_and_ask_for_it(intake: Intake, board: Any) -> None:
    taken = [intake.take(board.sample(), n * 0.05) for n in range(60)]
    assert all(len(t.readings) == 1 for t in taken)
    asked = [s.message for t in taken for s in t.to_send]
    assert len(asked) == 3 and all(isinstance(m, HostHello) for m in asked)
    intake.take(board.hello(), 3.0)
    assert not intake.take(board.sample(), 5.0).to_send


@pytest.mark.parametrize("groups", [1, 15, 17, 48])
def test_samples_that_do_not_fit_never_become_readings(intake: Intake, board: Any, groups: int) -> None:
    taken = [intake.take(board.sample(groups), n * 0.05) for n in range(40)]
    assert not any(t.readings or t.alive for t in taken)
    assert [r for t in taken for r in refusals(t)] == [RefusalReason.WRONG_GROUP_COUNT] * 2
    assert f"has {groups} groups" in (intake.notice(2.0) or "")


def test_a_sample_that_contradicts_its_hello_is_no_reading(intake: Intake, board: Any) -> None:
    intake.take(board.hello(), 0.0)
    assert not intake.take(board.sample(12), 0.1).readings
    assert "has 12 groups" in (intake.notice(0.1) or "")


def test_a_second_board_is_refused_while_the_first_speaks(intake: Intake, board: Any, make_board: Any) -> None:
    other = make_board(board_id=0xB2, boot_id=5)
    intake.take(board.hello(), 0.0)
    for n in range(40):
        assert intake.take(board.sample(), n * 0.05).readings
        assert not intake.take(other.sample(), n * 0.05).readings
    taken = intake.take(other.hello(), 2.0)
    assert taken.hello is None and refusals(taken) in ([RefusalReason.SECOND_BOARD], [])
    assert "second board (000000B2)" in (intake.notice(2.0) or "")
    assert intake.counts.lost == 0
    assert intake.notice(30.0) is None


def test_another_board_may_follow_one_that_is_gone(intake: Intake, board: Any, make_board: Any) -> None:
    intake.take(board.hello(), 0.0)
    (before,) = intake.take(board.sample(), 0.1).readings
    other = make_board(board_id=0xB2, boot_id=5, uptime_us=0)
    assert intake.take(other.hello(), 10.0).hello is not None
    (after,) = intake.take(other.sample(), 10.1).readings
    assert after.time_s == pytest.approx(before.time_s + 10.0)


def test_opening_the_port_again_forgets_refusals(intake: Intake, board: Any) -> None:
    intake.take(board.hello(group_count=14), 0.0)
    intake.opened()
    assert intake.notice(0.1) is None
    assert intake.take(board.sample(), 0.2).readings


def test_the_same_board_after_a_replug_keeps_its_count(intake: Intake, board: Any) -> None:
    intake.take(board.sample(), 0.0)
    for _ in range(20):
        board.sample()
    intake.opened()
    (reading,) = intake.take(board.sample(), 1.05).readings
    assert intake.counts.lost == 20
    assert reading.time_s == pytest.approx(1.05)


def test_a_stream_of_invented_boards_fills_no_memory(intake: Intake, board: Any, make_board: Any) -> None:
    intake.take(board.hello(), 0.0)
    for n in range(1000):
        intake.take(make_board(board_id=1000 + n).sample(), 0.1)
    assert len(intake._refused) <= 8
    assert intake.take(board.sample(), 0.2).readings


# Buttons, status, refusals, rubbish.


def test_a_press_said_three_times_counts_once(intake: Intake, board: Any) -> None:
    intake.take(board.hello(), 0.0)
    said = [Button(1, 0)] * 3 + [Button(2, 1)] * 3 + [Button(3, 9)] * 3
    presses = [p for n, b in enumerate(said) for p in intake.take(board.say(b), n * 0.05).presses]
    assert presses == [ButtonKind.SHORT, ButtonKind.LONG, ButtonKind.SHORT]
    board.reboot(99)
    assert intake.take(board.say(Button(3, 0)), 9.0).presses == (ButtonKind.SHORT,)


def test_a_strangers_press_is_nobodys(intake: Intake, board: Any, make_board: Any) -> None:
    intake.take(board.hello(), 0.0)
    assert not intake.take(make_board(board_id=2).say(Button(1, 0)), 0.1).presses


def test_faults_that_the_board_reports_stand_until_it_takes_them_back(intake: Intake, board: Any) -> None:
    intake.take(board.hello(), 0.0)
    faults = StatusFaults.CURRENT_SENSOR | StatusFaults.SUPPLY_LOW | 0x1000
    taken = intake.take(board.say(Status(faults, 0, 0, 0, 4900, 0, 0)), 0.1)
    assert intake.notice(0.1) == "The board reports a fault: current sensor, supply low, unknown fault 0x1000."
    assert taken.remarks == (intake.notice(0.1),)
    assert not intake.take(board.say(Status(faults, 0, 0, 0, 4900, 0, 0)), 1.1).remarks
    assert intake.take(board.say(Status(0, 0, 0, 0, 4900, 0, 0)), 2.1).remarks
    assert intake.notice(2.1) is None


def test_a_refusal_by_the_board_is_said_with_its_range(intake: Intake, board: Any) -> None:
    intake.take(board.hello(), 0.0)
    taken = intake.take(board.say(BoardRefusal(0x43, 7, RefusalReason.OUT_OF_RANGE, 1000, 50_000)), 0.1)
    assert taken.remarks == ("The board refused set_rate (7): out_of_range, allowed 1000 to 50000.",)
    assert "0x99" in intake.take(board.say(BoardRefusal(0x99, 7, 200, 0, 0)), 0.2).remarks[0]


def test_the_hosts_own_words_echoed_bring_nothing(intake: Intake) -> None:
    taken = intake.take(Frame(Stamp(0, 3, 4, 5), Heartbeat(0)), 0.0)
    assert taken == type(taken)()


def test_another_protocol_version_is_refused_and_said(intake: Intake) -> None:
    stamp = Stamp(9, 3, 4, 5)
    rejected = Rejected(RejectReason.VERSION, 40, "version 2, this side speaks 1", stamp, 0x02)
    taken = intake.take(rejected, 0.0)
    assert taken.to_send[0].message == HostRefusal(0x02, 5, RefusalReason.VERSION)
    assert "version 2" in (intake.notice(0.0) or "")


@pytest.mark.parametrize(
    ("found", "number", "reason"),
    [
        (RejectReason.UNKNOWN_TYPE, 0x3F, RefusalReason.UNKNOWN_TYPE),
        (RejectReason.MUST_UNDERSTAND, 0x02, RefusalReason.NOT_SUPPORTED),
        (RejectReason.MALFORMED, 0x02, RefusalReason.MALFORMED),
        (RejectReason.LENGTH, 0x02, RefusalReason.MALFORMED),
        (RejectReason.OUT_OF_RANGE, 0x01, RefusalReason.OUT_OF_RANGE),
        (RejectReason.UNKNOWN_TYPE, 0x77, None),
        (RejectReason.MALFORMED, 0x05, None),
        (RejectReason.MALFORMED, 0x42, None),
    ],
)
def test_frames_that_cannot_be_read_are_refused_but_no_refusal_and_no_echo(
    intake: Intake, board: Any, found: RejectReason, number: int, reason: RefusalReason | None
) -> None:
    """PROTOCOL.md, section 8."""
    intake.take(board.hello(), 0.0)
    rejected = Rejected(found, 40, "what was found", Stamp(0xA1, 77, 9, 5), number)
    taken = [intake.take(rejected, 1.0 + n * 0.01) for n in range(10)]
    expected = [] if reason is None else [HostRefusal(number, 5, reason)]
    assert [s.message for t in taken for s in t.to_send] == expected
    assert intake.take(board.sample(), 2.0).readings
    assert intake.notice(2.0) is None


def test_a_board_without_an_alarm_of_its_own_is_said(intake: Intake, board: Any) -> None:
    (remark,) = intake.take(board.hello(features=15), 0.0).remarks
    assert "nobody watches the pack" in remark


def test_a_board_met_while_it_speaks_is_said_once(intake: Intake, board: Any) -> None:
    """Whoever joins late hears samples first; what has no alarm of its own must be known all the same."""
    intake.take(board.sample(), 1.0)
    (words,) = intake.take(board.hello(features=0), 1.1).remarks
    assert "nobody watches" in words
    assert intake.take(board.hello(features=0), 11.0).remarks == ()


def test_rubbish_alone_names_the_baud_rate(intake: Intake, board: Any) -> None:
    for n in range(100):
        intake.take(Rejected(RejectReason.CRC, 20), n * 0.05)
    assert "serial.baud" in (intake.notice(5.0) or "")
    intake.take(board.hello(), 5.1)
    assert intake.notice(5.1) is None


def test_random_frames_never_give_a_reading_of_wrong_length(pack: Any, make_board: Any) -> None:
    """Ten thousand random frames through codec and intake: no exception, no wrong shape, time rises."""
    rng = random.Random(20)
    intake, decoder = Intake(pack), Decoder()
    boards = [make_board(board_id=b, boot_id=b) for b in (1, 2)]
    last_s = -1.0
    for n in range(10_000):
        if rng.random() < 0.01:
            intake.opened()
        board = rng.choice(boards)
        if rng.random() < 0.05:
            board.reboot(rng.randrange(1, 6))
        board.sequence = rng.choice((board.sequence, rng.randrange(65_536)))
        board.uptime_us = rng.choice((board.uptime_us, rng.randrange(2**63)))
        frame = rng.choice((board.sample, board.hello, lambda b=board: b.sample(rng.randrange(1, 49))))()
        for event in decoder.feed(encode(frame.message, frame.stamp)):
            for reading in intake.take(event, n * 0.05).readings:
                assert reading.group_v.shape == (16,)
                assert reading.time_s > last_s
                last_s = reading.time_s
    assert last_s > 0.0

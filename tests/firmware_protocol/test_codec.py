"""The Python codec. Law: what is written is read back, what cannot be said is refused by name, memory is bounded."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace
from typing import Any

import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from sagwise_protocol import (
    AlarmPattern,
    BoardHello,
    Decoder,
    Frame,
    Heartbeat,
    HostHello,
    Pattern,
    Rejected,
    RejectReason,
    Sample,
    Stamp,
    encode,
)
from sagwise_protocol.layout import LAYOUTS, MAX_ENCODED_BYTES
from sagwise_protocol.shape import Layout

STAMP = Stamp(board_id=7, boot_id=9, uptime_us=1_000_000, sequence=5)
STAMPS = st.builds(
    Stamp,
    board_id=st.integers(0, 2**32 - 1),
    boot_id=st.integers(1, 2**32 - 1),
    uptime_us=st.integers(0, 2**64 - 1),
    sequence=st.integers(0, 65535),
)
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=32).filter(lambda t: len(t.encode()) <= 32)


def messages(layout: Layout, bounds: dict[str, tuple[int, int]]) -> st.SearchStrategy[Any]:
    """Any message of this form that a writer may send."""
    parts: dict[str, st.SearchStrategy[Any]] = {name: st.integers(*ends) for name, ends in bounds.items()}
    for part in layout.parts:
        if part.tail is not None and not part.tail.code:
            parts[part.tail.name] = TEXT
        elif part.tail is not None:
            entry = st.integers(-32768, 32767)
            parts[part.tail.name] = st.lists(entry, min_size=part.tail.low, max_size=part.tail.high).map(tuple)

    def within(values: dict[str, Any]) -> Any:
        for mask, array in layout.masks:
            values[mask] &= (1 << len(values[array])) - 1
        return layout.message(**values)

    return st.fixed_dictionaries(parts).map(within)


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
@settings(max_examples=50, deadline=None)
@given(data=st.data(), stamp=STAMPS, flags=st.sampled_from([0, 0x10, 0x80, 0xF0]))
def test_what_is_written_is_read_back(
    layout: Layout, data: st.DataObject, stamp: Stamp, flags: int, bounds: dict[str, Any]
) -> None:
    message = data.draw(messages(layout, bounds[layout.name]))
    wire = encode(message, stamp, flags=flags)
    assert wire.count(0) == 1 and len(wire) <= MAX_ENCODED_BYTES + 1
    assert Decoder().feed(wire) == [Frame(stamp, message)]


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
@settings(max_examples=30, deadline=None)
@given(data=st.data(), stamp=STAMPS)
def test_appended_fields_are_ignored(
    layout: Layout, data: st.DataObject, stamp: Stamp, bounds: dict[str, Any], by_hand: Any
) -> None:
    message = data.draw(messages(layout, bounds[layout.name]))
    body = cobs.decode(encode(message, stamp)[:-1])[24:-4] + data.draw(st.binary(max_size=200))
    assert Decoder().feed(by_hand(layout.number, body, stamp)) == [Frame(stamp, message)]


@settings(deadline=None)
@given(st.binary(max_size=3000), st.lists(st.integers(0, 3000)))
def test_cutting_the_stream_changes_nothing(noise: bytes, cuts: list[int]) -> None:
    stream = noise + b"\0" + encode(Heartbeat(1), STAMP) + noise + encode(Heartbeat(2), STAMP)
    whole = Decoder().feed(stream)
    decoder = Decoder()
    ends = sorted({*(cut for cut in cuts if cut < len(stream)), len(stream)})
    assert [e for a, b in zip([0, *ends], ends, strict=False) for e in decoder.feed(stream[a:b])] == whole
    assert Frame(STAMP, Heartbeat(1)) in whole


def middle(layout: Layout, bounds: dict[str, tuple[int, int]]) -> Any:
    """A message with plain values in every field."""
    values: dict[str, Any] = {name: max(ends[0], 0) for name, ends in bounds.items()}
    for part in layout.parts:
        if part.tail is not None:
            values[part.tail.name] = (1, 2) if part.tail.code else "name"
    return layout.message(**values)


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
def test_each_field_is_refused_beyond_its_range_by_name(layout: Layout, bounds: dict[str, Any]) -> None:
    good = middle(layout, bounds[layout.name])
    assert Decoder().feed(encode(good, STAMP)) == [Frame(STAMP, good)]
    masks = dict(layout.masks)
    for name, (low, high) in bounds[layout.name].items():
        if name in masks:
            low, high = 0, (1 << len(getattr(good, masks[name]))) - 1
        for value in (low - 1, high + 1, low - 10**30, high + 10**30):
            with pytest.raises(ValueError) as caught:
                encode(replace(good, **{name: value}), STAMP)
            assert str(caught.value) == f"{layout.name}.{name}: {value} is no whole number from {low} to {high}"


@pytest.mark.parametrize(
    ("message", "told"),
    [
        (AlarmPattern(pattern=3, ttl_ms=2.5, event_id=0), "alarm_pattern.ttl_ms: 2.5 is no whole number"),  # type: ignore[arg-type]
        (Heartbeat(heard_sequence=float("nan")), "heartbeat.heard_sequence: nan is no whole number"),  # type: ignore[arg-type]
        (HostHello(1, 1, "é" * 17), "host_hello.name: 34 bytes, allowed 0 to 32"),
        (HostHello(1, 1, "\ud800"), "host_hello.name: '\\ud800' is not text that UTF-8 can carry"),
        (Sample(0, 0, 0, 0, 0, (7400, 32768), ()), "sample.group_500uv[1]: 32768 is no whole number from -32768"),
        (Sample(0, 0, 0, 0, 0, (7400,), (-32769,)), "sample.temperature_centi_c[0]: -32769 is no whole number"),
        (Sample(0, 0, 0, 0, 0, (), ()), "sample.group_500uv: 0 entries, allowed 1 to 48"),
        (Sample(0, 0, 0, 0, 0, (0,) * 49, ()), "sample.group_500uv: 49 entries, allowed 1 to 48"),
        (Sample(0, 0, 0, 0, 0, (0,), (0,) * 17), "sample.temperature_centi_c: 17 entries, allowed 0 to 16"),
    ],
)
def test_the_refusal_says_what_and_where(message: Any, told: str) -> None:
    with pytest.raises(ValueError) as caught:
        encode(message, STAMP)
    assert told in str(caught.value)


@pytest.mark.parametrize(
    ("stamp", "flags", "name"),
    [
        (Stamp(-1, 1, 0, 0), 0, "board_id"),
        (Stamp(0, 0, 0, 0), 0, "boot_id"),
        (Stamp(0, 2**32, 0, 0), 0, "boot_id"),
        (Stamp(0, 1, 2**64, 0), 0, "uptime_us"),
        (Stamp(0, 1, 0, 65536), 0, "sequence"),
        (Stamp(0, 1, 0, 0), 256, "flags"),
    ],
)
def test_a_stamp_beyond_its_range_is_refused(stamp: Stamp, flags: int, name: str) -> None:
    with pytest.raises(ValueError, match=rf"^header\.{name}: "):
        encode(Heartbeat(0), stamp, flags=flags)


def test_what_is_no_message_is_refused() -> None:
    with pytest.raises(TypeError, match="Stamp is no message of this protocol"):
        encode(STAMP, STAMP)  # type: ignore[arg-type]


def test_enumerations_may_be_given_by_name() -> None:
    wire = encode(AlarmPattern(pattern=Pattern.HIGH, ttl_ms=1500, event_id=1), STAMP)
    (event,) = Decoder().feed(wire)
    assert isinstance(event, Frame) and isinstance(event.message, AlarmPattern)
    assert event.message.pattern == Pattern.HIGH and type(event.message.pattern) is int


def test_an_over_long_run_is_reported_once_and_forgotten() -> None:
    decoder = Decoder()
    assert decoder.feed(b"\1" * MAX_ENCODED_BYTES) == []
    assert decoder.feed(b"\1") == [Rejected(RejectReason.TOO_LONG, MAX_ENCODED_BYTES + 1)]
    assert decoder.feed(b"\1" * 5000) == []
    assert decoder.feed(b"\0" + encode(Heartbeat(1), STAMP)) == [Frame(STAMP, Heartbeat(1))]


def test_empty_runs_are_silent() -> None:
    assert Decoder().feed(b"\0" * 1000 + encode(Heartbeat(1), STAMP) + b"\0\0") == [Frame(STAMP, Heartbeat(1))]


def test_memory_is_bounded_without_a_delimiter() -> None:
    decoder = Decoder()
    piece = b"\x55" * 1000
    decoder.feed(piece)
    tracemalloc.start()
    for _ in range(2000):
        decoder.feed(piece)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 10_000


def test_a_rejection_names_the_frame_so_that_it_can_be_refused(by_hand: Any) -> None:
    (event,) = Decoder().feed(by_hand(0x44, b"\3\x00\x00\0\0\0\0", STAMP))
    assert isinstance(event, Rejected)
    assert event == Rejected(RejectReason.OUT_OF_RANGE, event.size, "", STAMP, 0x44, (100, 10000))
    assert event.detail == "alarm_pattern.ttl_ms: 0 is no whole number from 100 to 10000"


def test_board_hello_groups_and_names_come_back() -> None:
    hello = BoardHello(1, 1, 1, 16, 2, 0x1F, 100, 10, 10, 1, 1000, 100_000, 20_000, 0, "Otter 16s5p")
    assert Decoder().feed(encode(hello, STAMP)) == [Frame(STAMP, hello)]

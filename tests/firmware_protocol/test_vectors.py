"""vectors.txt through both codecs. Law: every entry both ways, byte by byte and in one lump, amid rubbish."""

from __future__ import annotations

import struct
import tomllib
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from cobs import cobs

from sagwise_protocol import Decoder, Frame, Rejected, RejectReason, encode
from sagwise_protocol.layout import CRC_BYTES, HEADER_BYTES, LAYOUTS, MAX_ENCODED_BYTES

RUBBISH = bytes(range(0x80, 0x90))  # no zero; as a run of its own its first byte points beyond the end
REFUSED_RUBBISH = Rejected(RejectReason.COBS, len(RUBBISH))


def byte_by_byte(data: bytes) -> list[Any]:
    decoder = Decoder()
    return [event for place in range(len(data)) for event in decoder.feed(data[place : place + 1])]


def test_every_message_and_reason_has_vectors(vectors: list[Any]) -> None:
    golden = [type(v.message) for v in vectors if v.kind == "golden"]
    assert {layout.message for layout in LAYOUTS} == set(golden)
    assert {reason.value for reason in RejectReason} == {v.reason for v in vectors if v.kind == "broken"}
    assert {v.kind for v in vectors} == {"golden", "read", "broken", "refuse"}
    assert len({v.title for v in vectors if v.kind != "refuse"}) == sum(v.kind != "refuse" for v in vectors)


def test_python_reads(readable: Any, expected: Callable[[Any], Any]) -> None:
    wanted = expected(readable)
    assert Decoder().feed(readable.wire) == [wanted]
    assert byte_by_byte(readable.wire) == [wanted]


def test_python_reads_amid_rubbish(readable: Any, expected: Callable[[Any], Any]) -> None:
    stream = RUBBISH + b"\0\0" + readable.wire + RUBBISH + b"\0" + readable.wire
    wanted = [REFUSED_RUBBISH, expected(readable), REFUSED_RUBBISH, expected(readable)]
    assert Decoder().feed(stream) == wanted
    assert byte_by_byte(stream) == wanted


def test_a_frame_with_rubbish_glued_to_it_is_not_accepted(golden: Any) -> None:
    for glued in (RUBBISH + golden.wire, golden.wire[:-1] + RUBBISH + b"\0"):
        assert not any(isinstance(event, Frame) for event in Decoder().feed(glued))


def test_python_writes(golden: Any) -> None:
    assert encode(golden.message, golden.stamp, flags=golden.flags) == golden.wire


def test_python_refuses_to_write(refuse: Any) -> None:
    with pytest.raises(ValueError, match=r"^(header|[a-z_]+)\.[a-z_0-9]+: .* (from|allowed) \d+ to \d+$"):
        encode(refuse.message, refuse.stamp, flags=refuse.flags)


def test_c_reads(harness: Any, vectors: list[Any], expected: Callable[[Any], Any], as_line: Any) -> None:
    """One process for all; the C decoder knows only one byte at a time."""
    with_bytes = [v for v in vectors if v.kind != "refuse"]
    stream = b"".join(RUBBISH + b"\0\0" + v.wire + RUBBISH + b"\0" + v.wire for v in with_bytes)
    lines = harness.decode(stream)
    rubbish = as_line(REFUSED_RUBBISH)
    wanted = [line for v in with_bytes for line in (rubbish, as_line(expected(v))) * 2]
    assert lines == wanted


def test_c_reads_each_alone(harness: Any, vectors: list[Any], expected: Any, as_line: Any) -> None:
    """A fresh decoder for the extremes, whose buffers the sanitizer fences."""
    for vector in vectors:
        if vector.kind in ("broken", "read") and len(vector.wire) > 400:
            assert harness.decode(vector.wire) == [as_line(expected(vector))]


def test_c_writes(harness: Any, vectors: list[Any], as_request: Any) -> None:
    golden = [v for v in vectors if v.kind == "golden"]
    lines = harness.encode([as_request(v.message, v.stamp, v.flags) for v in golden])
    assert lines == [v.wire.hex() for v in golden]


def test_c_refuses_to_write(harness: Any, vectors: list[Any], as_request: Any) -> None:
    refuse = [v for v in vectors if v.kind == "refuse"]
    lines = harness.encode([as_request(v.message, v.stamp, v.flags) for v in refuse])
    assert lines == ["refused"] * len(refuse)


def test_c_refuses_to_write_what_is_not_utf8(harness: Any, vectors: list[Any]) -> None:
    """The names that a reader rejects; Python cannot hold them as text, so they are given as bytes."""
    texts = []
    for vector in vectors:
        if vector.title.startswith("name not UTF-8"):
            frame = cobs.decode(vector.wire[:-1])
            texts.append(frame[HEADER_BYTES + 3 : -CRC_BYTES])
    assert len(texts) > 8
    line = "host_hello 0 1 0 0 0 544 version_min=1 version_max=1 name_bytes={} name={}"
    assert harness.encode([line.format(len(text), text.hex()) for text in texts]) == ["refused"] * len(texts)
    assert harness.encode([line.format(2, "é".encode().hex())]) != ["refused"]


def test_c_gives_up_an_over_long_run_at_once(harness: Any) -> None:
    assert harness.decode(b"\1" * MAX_ENCODED_BYTES) == []
    assert harness.decode(b"\1" * (MAX_ENCODED_BYTES + 5000)) == [f"rejected too_long {MAX_ENCODED_BYTES + 1}"]


def test_c_writes_into_a_buffer_that_just_fits(harness: Any, vectors: list[Any], as_request: Any) -> None:
    """The room asked for is the frame, its worst COBS overhead and the delimiter; the sanitizer guards the end."""
    golden = [v for v in vectors if v.kind == "golden"]
    lines = harness.encode([as_request(v.message, v.stamp, v.flags, len(v.wire)) for v in golden])
    assert lines == [v.wire.hex() for v in golden]
    lines = harness.encode([as_request(v.message, v.stamp, v.flags, len(v.wire) - 1) for v in golden])
    assert lines == ["refused"] * len(golden)


def test_golden_bytes_follow_from_messages_toml_alone(golden: Any, room: Path, by_hand: Any) -> None:
    """A second writer, made from messages.toml and the prose, comes to the same bytes."""
    codes = {"u8": "B", "u16": "H", "u32": "I", "u64": "Q", "i16": "h", "i32": "i", "i64": "q"}
    table = tomllib.loads((room / "messages.toml").read_text(encoding="utf-8"))
    layout = next(entry for entry in LAYOUTS if entry.message is type(golden.message))
    message = next(entry for entry in table["message"] if entry["name"] == layout.name)
    own = {field.name for field in fields(golden.message)}
    body = b""
    for place, field in enumerate(message["fields"]):
        value: Any = getattr(golden.message, field["name"]) if field["name"] in own else None
        if "text" in field:
            body += value.encode("utf-8")
        elif "count" in field:
            body += b"".join(struct.pack("<" + codes[field["type"]], entry) for entry in value)
        elif value is None:
            follower = getattr(golden.message, message["fields"][place + 1]["name"])
            body += bytes([len(follower.encode() if isinstance(follower, str) else follower)])
        else:
            body += struct.pack("<" + codes[field["type"]], value)
    assert by_hand(message["type"], body, golden.stamp, flags=golden.flags) == golden.wire

"""The wire: bytes in, messages out. Law: no I/O, no clock, bounded memory, no frame accepted that was not sent.

A frame is COBS(header, body, CRC-32C) and one zero byte. Every fault of the input comes out as a `Rejected` with
its reason; the decoder then goes on behind the next zero byte. PROTOCOL.md states the rules kept here.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, NoReturn, TypeAlias

from cobs import cobs
from crc32c import crc32c

from sagwise_protocol.layout import (
    CRC_BYTES,
    HEADER,
    HEADER_BYTES,
    HEADER_NAMES,
    LAYOUTS,
    MAX_ENCODED_BYTES,
    MAX_FRAME_BYTES,
    PROTOCOL_VERSION,
    Message,
)
from sagwise_protocol.shape import Layout, Tail

DELIMITER = b"\0"
MUST_UNDERSTAND = 0x0F  # the flags that a reader must know; version 1 defines none

_BY_NUMBER = {layout.number: layout for layout in LAYOUTS}
_BY_CLASS = {layout.message: layout for layout in LAYOUTS}


@dataclass(frozen=True, slots=True)
class Stamp:
    """Who speaks, since which boot, when and in what order; all of them the sender's.

    board_id: 32 bits, 0 only from a host that means any board. boot_id: 32 bits, never 0.
    uptime_us: 64 bits, microseconds since that boot. sequence: 16 bits, wraps to 0.
    """

    board_id: int
    boot_id: int
    uptime_us: int
    sequence: int


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame that passed every check."""

    stamp: Stamp
    message: Message


class RejectReason(StrEnum):
    """Why a frame is dropped, in the order in which the checks are made."""

    TOO_LONG = "too_long"
    COBS = "cobs"
    TOO_SHORT = "too_short"
    CRC = "crc"
    VERSION = "version"
    LENGTH = "length"
    MUST_UNDERSTAND = "must_understand"
    UNKNOWN_TYPE = "unknown_type"
    MALFORMED = "malformed"
    OUT_OF_RANGE = "out_of_range"


@dataclass(frozen=True, slots=True)
class Rejected:
    """A run of bytes that is no frame.

    size: encoded bytes without the delimiter; for an over-long run those read when it was given up.
    detail: what was found and what is allowed, for the log. stamp, type: of the refused frame, once its CRC
    was right, so that a refusal can name it; else None. allowed: with OUT_OF_RANGE, the range in the field's unit.
    """

    reason: RejectReason
    size: int
    detail: str = field(default="", compare=False)
    stamp: Stamp | None = None
    type: int | None = None
    allowed: tuple[int, int] | None = None


Event: TypeAlias = Frame | Rejected


class _RefusedError(Exception):
    """Carries a reason out of the checks of one frame."""

    def __init__(self, reason: RejectReason, detail: str, allowed: tuple[int, int] | None = None) -> None:
        super().__init__(detail)
        self.reason = reason
        self.allowed = allowed


def _out_of_range(where: str, value: int, low: int, high: int) -> _RefusedError:
    return _RefusedError(RejectReason.OUT_OF_RANGE, _range_fault(where, value, low, high), (low, high))


# --- writing ---------------------------------------------------------------------------------------------------


def encode(message: Message, stamp: Stamp, *, flags: int = 0) -> bytes:
    """One frame with its delimiter, ready to send.

    Raises ValueError naming message.field, the value and the allowed range; TypeError for what is no message.
    """
    layout = _BY_CLASS.get(type(message))
    if layout is None:
        raise TypeError(f"{type(message).__name__} is no message of this protocol")
    body = _write_body(layout, message)
    header = (
        PROTOCOL_VERSION,
        layout.number,
        flags,
        0,
        len(body),
        stamp.sequence,
        stamp.board_id,
        stamp.boot_id,
        stamp.uptime_us,
    )
    if stamp.boot_id == 0:
        raise ValueError(_range_fault("header.boot_id", 0, 1, 2**32 - 1))
    try:
        frame = HEADER.pack(*header) + body
    except struct.error:
        _blame("header", HEADER, HEADER_NAMES, header)
    encoded: bytes = cobs.encode(frame + crc32c(frame).to_bytes(CRC_BYTES, "little"))
    return encoded + DELIMITER


def _write_body(layout: Layout, message: Message) -> bytes:
    for span in (*layout.ranges, *layout.known):
        value = getattr(message, span.name)
        if not span.low <= value <= span.high:
            raise ValueError(_range_fault(f"{layout.name}.{span.name}", value, span.low, span.high))
    for mask, array in layout.masks:
        value, entries = getattr(message, mask), len(getattr(message, array))
        if not 0 <= value < 1 << entries:
            raise ValueError(_range_fault(f"{layout.name}.{mask}", value, 0, (1 << entries) - 1))
    body = b""
    for part in layout.parts:
        values = [getattr(message, name) for name in part.names]
        packed = b""
        if part.tail is not None:
            packed = _write_tail(layout, part.tail, getattr(message, part.tail.name))
            values.append(len(packed) // part.tail.item_bytes)
        try:
            body += part.fixed.pack(*values) + packed
        except struct.error:
            _blame(layout.name, part.fixed, part.names, values)
    return body


def _write_tail(layout: Layout, tail: Tail, value: Any) -> bytes:
    where = f"{layout.name}.{tail.name}"
    if not tail.code:
        try:
            packed: bytes = value.encode("utf-8")
        except UnicodeEncodeError as error:
            raise ValueError(f"{where}: {value!r} is not text that UTF-8 can carry") from error
    else:
        try:
            packed = struct.pack(f"<{len(value)}{tail.code}", *value)
        except struct.error:
            one = struct.Struct(f"<{tail.code}")
            for place, entry in enumerate(value):
                _blame_one(f"{where}[{place}]", one, tail.code, entry)
            raise
    size = len(packed) // tail.item_bytes
    if not tail.low <= size <= tail.high:
        what = "entries" if tail.code else "bytes"
        raise ValueError(f"{where}: {size} {what}, allowed {tail.low} to {tail.high}")
    return packed


def _range_fault(where: str, value: object, low: int, high: int) -> str:
    return f"{where}: {value!r} is no whole number from {low} to {high}"


def _blame(owner: str, fixed: struct.Struct, names: Sequence[str], values: Sequence[Any]) -> NoReturn:
    """Name the value that `fixed` would not pack."""
    for name, code, value in zip(names, fixed.format.lstrip("<"), values, strict=False):
        _blame_one(f"{owner}.{name}", struct.Struct(f"<{code}"), code, value)
    raise AssertionError(f"{owner}: every value fits, yet packing failed")


def _blame_one(where: str, one: struct.Struct, code: str, value: Any) -> None:
    try:
        one.pack(value)
    except struct.error as error:
        bits = one.size * 8
        low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if code.islower() else (0, (1 << bits) - 1)
        raise ValueError(_range_fault(where, value, low, high)) from error


# --- reading ---------------------------------------------------------------------------------------------------


class Decoder:
    """Cuts a stream of bytes into frames. Holds at most one encoded frame, whatever comes in."""

    __slots__ = ("_run", "_skipping")

    def __init__(self) -> None:
        self._run = bytearray()
        self._skipping = False

    def feed(self, data: bytes) -> list[Event]:
        """Everything that `data` completes, in order; never raises for any content, however it is cut."""
        events: list[Event] = []
        *ended, rest = data.split(DELIMITER)
        for piece in ended:
            self._keep(piece, events)
            if self._run:
                events.append(_read_run(bytes(self._run)))
                self._run.clear()
            self._skipping = False
        self._keep(rest, events)
        return events

    def _keep(self, piece: bytes, events: list[Event]) -> None:
        if self._skipping:
            return
        if len(self._run) + len(piece) <= MAX_ENCODED_BYTES:
            self._run += piece
            return
        self._run.clear()
        self._skipping = True
        detail = f"no delimiter within {MAX_ENCODED_BYTES} bytes"
        events.append(Rejected(RejectReason.TOO_LONG, MAX_ENCODED_BYTES + 1, detail))


def _read_run(run: bytes) -> Event:
    """Judge one run of bytes between delimiters."""
    stamp = number = None
    try:
        frame = _unwrap(run)
        version, number, flags, _, body_bytes, sequence, board_id, boot_id, uptime_us = HEADER.unpack_from(frame)
        stamp = Stamp(board_id, boot_id, uptime_us, sequence)
        layout = _check_header(version, number, flags, body_bytes, len(frame))
        message = _read_body(layout, frame, len(frame) - CRC_BYTES)
        if not boot_id:
            raise _out_of_range("header.boot_id", 0, 1, 2**32 - 1)
    except _RefusedError as refused:
        return Rejected(refused.reason, len(run), str(refused), stamp, number, refused.allowed)
    return Frame(stamp, message)


def _unwrap(run: bytes) -> bytes:
    """The frame in `run`, its CRC checked and still at its end."""
    try:
        frame: bytes = cobs.decode(run)
    except cobs.DecodeError as error:
        raise _RefusedError(RejectReason.COBS, str(error)) from None
    size = len(frame)
    if size < HEADER_BYTES + CRC_BYTES:
        raise _RefusedError(RejectReason.TOO_SHORT, f"{size} bytes, at least {HEADER_BYTES + CRC_BYTES}")
    if size > MAX_FRAME_BYTES:
        raise _RefusedError(RejectReason.TOO_LONG, f"{size} bytes, at most {MAX_FRAME_BYTES}")
    if crc32c(frame[:-CRC_BYTES]) != int.from_bytes(frame[-CRC_BYTES:], "little"):
        raise _RefusedError(RejectReason.CRC, f"checksum of {size} bytes does not match")
    return frame


def _check_header(version: int, number: int, flags: int, body_bytes: int, size: int) -> Layout:
    if version != PROTOCOL_VERSION:
        raise _RefusedError(RejectReason.VERSION, f"version {version}, this side speaks {PROTOCOL_VERSION}")
    if body_bytes != size - HEADER_BYTES - CRC_BYTES:
        told = f"header says {body_bytes} body bytes, {size - HEADER_BYTES - CRC_BYTES} came"
        raise _RefusedError(RejectReason.LENGTH, told)
    if flags & MUST_UNDERSTAND:
        raise _RefusedError(RejectReason.MUST_UNDERSTAND, f"flags 0x{flags:02X}, none of 0x0F is known")
    layout = _BY_NUMBER.get(number)
    if layout is None:
        raise _RefusedError(RejectReason.UNKNOWN_TYPE, f"no message 0x{number:02X}")
    return layout


def _read_body(layout: Layout, frame: bytes, end: int) -> Message:
    """The message in `frame` from the header up to `end`. Bytes behind its last field are a newer sender's."""
    values: list[Any] = []
    at = HEADER_BYTES
    for part in layout.parts:
        if at + part.fixed.size > end:
            raise _RefusedError(RejectReason.MALFORMED, f"{layout.name}: body ends within its fields")
        values += part.fixed.unpack_from(frame, at)
        at += part.fixed.size
        if part.tail is not None:
            count = values.pop()
            values.append(_read_tail(layout, part.tail, count, frame, at, end))
            at += count * part.tail.item_bytes
    message: Message = layout.message(*values)
    for mask, array in layout.masks:
        if getattr(message, mask) >> len(getattr(message, array)):
            raise _RefusedError(RejectReason.MALFORMED, f"{layout.name}.{mask}: a bit beyond the end of {array}")
    for span in layout.ranges:
        if not span.low <= getattr(message, span.name) <= span.high:
            value = getattr(message, span.name)
            raise _out_of_range(f"{layout.name}.{span.name}", value, span.low, span.high)
    return message


def _read_tail(layout: Layout, tail: Tail, count: int, frame: bytes, at: int, end: int) -> Any:
    where = f"{layout.name}.{tail.name}"
    if not tail.low <= count <= tail.high:
        raise _RefusedError(RejectReason.MALFORMED, f"{where}: {count} entries, allowed {tail.low} to {tail.high}")
    if at + count * tail.item_bytes > end:
        raise _RefusedError(RejectReason.MALFORMED, f"{where}: {count} entries are more than the body holds")
    if tail.code:
        return struct.unpack_from(f"<{count}{tail.code}", frame, at)
    try:
        return frame[at : at + count].decode("utf-8")
    except UnicodeDecodeError as error:
        raise _RefusedError(RejectReason.MALFORMED, f"{where}: not UTF-8, {error.reason}") from None

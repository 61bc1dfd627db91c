"""Blocks of integers to bytes and back. Law: what goes in comes out bit for bit, or decoding says so.

A chunk (format 1), little-endian:

    u8 format = 1 | u8 kind (the caller's) | u8 blocks | u8 zero | u32 rows | u32 CRC-32 of the rest of the header
    per block:    u8 method | u8 width | u8 validity | u8 zero | u16 columns | u16 zero | u32 bytes
    per block:    one zstandard frame with content checksum, of that many bytes

A block is `columns` series of `rows` 64-bit integers of one kind (all groups, the current, ...), so that a reader
inflates only the quantities it wants. Inside the frame:

    validity bits     only if validity = 1 (mixed): one bit a value, column after column, first value
                      in the highest bit; validity 0: all valid, 2: none valid
    heads             i64 a column: its first value (methods 3 and 5: the constant of its line)
    gains             methods 3 and 5: i32 a column, in 1/65536; method 6: i64 a column, its slope a row in 1/65536
    means             methods 3 and 5: i64 first value, then `rows` zigzag differences as four byte planes
    offsets           methods 4 and 5: one a column for every 64 rows; zigzag differences as four byte planes
    planes            `width` byte planes of the zigzag residuals, highest first; in each plane column after column

Residuals by method: 1 differences in time; 2 differences of differences (clocks); 3 distance from a line through
the mean of all columns: groups in series carry one current, so the mean tells each group's sag, and the noise of
the reading before is not added as a difference would; 4 distance from the head and the offset of its 64 rows (slow
quantities under noise, as temperatures); 5 as 3, less the offset (each group relaxes in its own way); 6 distance from a
straight line (clocks with jitter). The smallest of those that suit is taken. Sums wrap at 64 bits, so every 64-bit
value survives. An invalid value repeats the last valid one before it (costs nothing) and comes back as invalid.
"""

from __future__ import annotations

import struct
import threading
import zlib
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import zstandard
from numpy.typing import NDArray

Ints: TypeAlias = NDArray[np.int64]
Bools: TypeAlias = NDArray[np.bool_]
Bytes: TypeAlias = NDArray[np.uint8]

FORMAT = 1
DELTA, DELTA2, PEERS, OFFSETS, PEERS_OFFSETS, LINE = range(1, 7)
_CLOCKS = (DELTA2, LINE)
_ALL, _MIXED, _NONE = 0, 1, 2
_CHUNK = struct.Struct("<BBBxII")
_BLOCK = struct.Struct("<BBBxHxxI")
_GAIN_BITS = 16
_MEAN_WIDTH = 4
# Noise has nothing to match: at higher levels it is larger, and up to ten times slower. Estimates and distances repeat
# themselves: 13 % smaller at the second level. The best method's body is tried at both.
_LEVEL, _PATIENT_LEVEL = 1, 9
_PEERS_LIMIT = 1 << 40
_OFFSET_ROWS = 64
_FEW_ROWS = 4 * _OFFSET_ROWS  # under which the offsets cost more than they save


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """One quantity. values, valid: (columns, rows). `clock` marks a steadily counting series."""

    values: Ints
    valid: Bools
    clock: bool = False


class CodecError(ValueError):
    """The bytes are no chunk of this format, or were damaged."""


class _Tools(threading.local):
    """zstandard's contexts must not be shared between threads."""

    def __init__(self) -> None:
        self.deflate = zstandard.ZstdCompressor(level=_LEVEL, write_checksum=True)
        self.patient = zstandard.ZstdCompressor(level=_PATIENT_LEVEL, write_checksum=True)
        self.inflate = zstandard.ZstdDecompressor()


_tools = _Tools()


def encode(kind: int, blocks: Sequence[Block]) -> bytes:
    """Bytes of a chunk. Every block has the same number of rows, at least one.

    Raises ValueError when the shapes disagree.
    """
    rows = {block.values.shape[1] for block in blocks} | {block.valid.shape[1] for block in blocks}
    if len(rows) != 1 or 0 in rows:
        raise ValueError(f"blocks of a chunk need one equal number of rows above 0, got {sorted(rows)}")
    parts = [_encode_block(block) for block in blocks]
    headers = b"".join(header for header, _ in parts)
    start = (FORMAT, kind, len(blocks), rows.pop())
    return b"".join([_CHUNK.pack(*start, _check(start, headers)), headers, *(frame for _, frame in parts)])


def decode(blob: bytes, wanted: Collection[int] | None = None) -> tuple[int, list[Block | None]]:
    """The chunk's kind and its blocks; those whose index is not in `wanted` are left out as None.

    Raises CodecError for damaged bytes or an unknown format.
    """
    try:
        kind, rows, headers, offset = _headers(blob)
        blocks: list[Block | None] = []
        for index, header in enumerate(headers):
            size = header[4]
            needed = wanted is None or index in wanted
            blocks.append(_decode_block(header, rows, blob[offset : offset + size]) if needed else None)
            offset += size
    except (struct.error, zstandard.ZstdError, ValueError, IndexError) as fault:
        raise CodecError(f"chunk of {len(blob)} bytes cannot be read: {fault}") from fault
    return kind, blocks


def _headers(blob: bytes) -> tuple[int, int, list[tuple[int, int, int, int, int]], int]:
    version, kind, count, rows, check = _CHUNK.unpack_from(blob)
    if version != FORMAT:
        raise ValueError(f"format {version} is unknown, this program reads format {FORMAT}")
    headers = [_BLOCK.unpack_from(blob, _CHUNK.size + i * _BLOCK.size) for i in range(count)]
    end = _CHUNK.size + count * _BLOCK.size
    if check != _check((version, kind, count, rows), blob[_CHUNK.size : end]):
        raise ValueError("its header's checksum is wrong")
    if end + sum(header[4] for header in headers) != len(blob):
        raise ValueError("its length is not what its header says")
    return kind, rows, headers, end


def _check(start: tuple[int, int, int, int], headers: bytes) -> int:
    return zlib.crc32(headers, zlib.crc32(_CHUNK.pack(*start, 0)))


def _encode_block(block: Block) -> tuple[bytes, bytes]:
    """The smaller of the methods that suit the block."""
    columns = block.values.shape[0]
    validity = _ALL if block.valid.all() else _MIXED if block.valid.any() else _NONE
    bits = np.packbits(block.valid).tobytes() if validity == _MIXED else b""
    filled = block.values if validity == _ALL else _hold(block.values, block.valid)
    best: tuple[int, int, bytes, bytes] | None = None
    for method in _suitable(block):
        packed = _PACK[method](filled)
        if packed is None:
            continue
        body, width = packed
        frame = _tools.deflate.compress(bits + body)
        if best is None or len(frame) < len(best[-1]):
            best = method, width, bits + body, frame
    assert best is not None
    method, width, body, frame = best
    frame = min(frame, _tools.patient.compress(body), key=len)
    return _BLOCK.pack(method, width, validity, columns, len(frame)), frame


def _decode_block(header: tuple[int, int, int, int, int], rows: int, frame: bytes) -> Block:
    method, width, validity, columns, _ = header
    body = np.frombuffer(_tools.inflate.decompress(frame), np.uint8)
    valid = np.full((columns, rows), validity == _ALL)
    if validity == _MIXED:
        count = columns * rows
        size = (count + 7) // 8
        valid = np.unpackbits(body[:size], count=count).astype(np.bool_).reshape(columns, rows)
        body = body[size:]
    if method not in _UNPACK:
        raise ValueError(f"method {method} is unknown")
    return Block(_UNPACK[method](body, columns, rows, width), valid, method in _CLOCKS)


def _suitable(block: Block) -> tuple[int, ...]:
    columns, rows = block.values.shape
    few = rows < _FEW_ROWS
    if block.clock:
        return (DELTA2,) if few else _CLOCKS
    if columns > 1:
        return (DELTA, PEERS) if few else (DELTA, PEERS, OFFSETS, PEERS_OFFSETS)
    return (DELTA,) if few else (DELTA, OFFSETS)


def _hold(values: Ints, valid: Bools) -> Ints:
    """Invalid values replaced by the valid one before, at the start by the first valid one, else by 0."""
    rows = values.shape[1]
    last = np.maximum.accumulate(np.where(valid, np.arange(rows), -1), axis=1)
    source = np.where(last < 0, valid.argmax(axis=1)[:, None], last)
    held = np.take_along_axis(values, source, axis=1)
    held[~valid.any(axis=1)] = 0
    return held


def _difference(values: Ints) -> Ints:
    return np.diff(values, axis=1, prepend=values[:, :1])


def _zigzag(values: Ints) -> NDArray[np.uint64]:
    return ((values << 1) ^ (values >> 63)).view(np.uint64)


def _to_planes(values: Ints, width: int | None = None) -> tuple[bytes, int]:
    """Byte planes of the zigzag values, highest first, and how many."""
    folded = _zigzag(np.ascontiguousarray(values))
    if width is None:
        width = max(1, (int(folded.max(initial=0)).bit_length() + 7) // 8)
    octets = folded.astype("<u8").view(np.uint8).reshape(-1, 8)[:, :width]
    return octets.T[::-1].tobytes(), width


def _from_planes(body: Bytes, columns: int, rows: int, width: int) -> Ints:
    if body.size != width * columns * rows or not 1 <= width <= 8:
        raise ValueError("its planes are not as long as its header says")
    planes = body.reshape(width, columns, rows)
    folded = planes[0].astype(np.uint64)
    for plane in planes[1:]:
        folded = (folded << np.uint64(8)) | plane
    half = (folded >> np.uint64(1)).view(np.int64)
    signs: Ints = -(folded & np.uint64(1)).view(np.int64)
    values: Ints = half ^ signs
    return values


def _pack_delta(values: Ints) -> tuple[bytes, int]:
    planes, width = _to_planes(_difference(values))
    return values[:, 0].astype("<i8").tobytes() + planes, width


def _unpack_delta(body: Bytes, columns: int, rows: int, width: int) -> Ints:
    heads = body[: 8 * columns].view("<i8").astype(np.int64)
    steps = _from_planes(body[8 * columns :], columns, rows, width)
    return np.cumsum(steps, axis=1) + heads[:, None]


def _pack_delta2(values: Ints) -> tuple[bytes, int]:
    planes, width = _to_planes(_difference(_difference(values)))
    return values[:, 0].astype("<i8").tobytes() + planes, width


def _unpack_delta2(body: Bytes, columns: int, rows: int, width: int) -> Ints:
    heads = body[: 8 * columns].view("<i8").astype(np.int64)
    bends = _from_planes(body[8 * columns :], columns, rows, width)
    return np.cumsum(np.cumsum(bends, axis=1), axis=1) + heads[:, None]


def _pack_peers(values: Ints) -> tuple[bytes, int]:
    head, residuals = _from_peers(values)
    planes, width = _to_planes(residuals)
    return head + planes, width


def _unpack_peers(body: Bytes, columns: int, rows: int, width: int) -> Ints:
    line, planes = _peers_line(body, columns, rows)
    return _from_planes(planes, columns, rows, width) + line


def _from_peers(values: Ints) -> tuple[bytes, Ints]:
    """The line of each column through the mean of all as bytes, and the distances from it."""
    far = float(np.abs(values.astype(np.float64)).max()) > _PEERS_LIMIT
    mean = np.zeros(values.shape[1], np.int64) if far else np.rint(values.mean(axis=0)).astype(np.int64)
    if np.abs(_difference(mean[None])).max() >= 1 << 30:  # beyond the means' planes: leave it to differences
        mean = np.zeros_like(mean)
    gains, constants = _lines(values, mean)
    means, _ = _to_planes(_difference(mean[None]), _MEAN_WIDTH)
    heads = constants.astype("<i8").tobytes() + gains.astype("<i4").tobytes()
    return heads + mean[:1].astype("<i8").tobytes() + means, values - _line(gains, constants, mean)


def _peers_line(body: Bytes, columns: int, rows: int) -> tuple[Ints, Bytes]:
    """What `_from_peers` put in front, as the lines' values, and the bytes behind it."""
    edges = np.cumsum([8 * columns, 4 * columns, 8, _MEAN_WIDTH * rows])
    constants, gains, first, means, planes = np.split(body, edges)
    mean = np.cumsum(_from_planes(means, 1, rows, _MEAN_WIDTH)[0]) + first.view("<i8")[0]
    return _line(gains.view("<i4").astype(np.int64), constants.view("<i8").astype(np.int64), mean), planes


def _pack_offsets(values: Ints) -> tuple[bytes, int] | None:
    heads = values[:, 0]
    packed = _levelled(values - heads[:, None])
    return packed and (heads.astype("<i8").tobytes() + packed[0], packed[1])


def _unpack_offsets(body: Bytes, columns: int, rows: int, width: int) -> Ints:
    heads = body[: 8 * columns].view("<i8").astype(np.int64)
    return _unlevelled(body[8 * columns :], columns, rows, width) + heads[:, None]


def _pack_peers_offsets(values: Ints) -> tuple[bytes, int] | None:
    head, residuals = _from_peers(values)
    packed = _levelled(residuals)
    return packed and (head + packed[0], packed[1])


def _unpack_peers_offsets(body: Bytes, columns: int, rows: int, width: int) -> Ints:
    line, planes = _peers_line(body, columns, rows)
    return _unlevelled(planes, columns, rows, width) + line


def _pack_line(values: Ints) -> tuple[bytes, int] | None:
    """From the first value to the last; of clocks that leap further than a float tells exactly any line will do."""
    rows = values.shape[1]
    rise = values[:, -1].astype(np.float64) - values[:, 0]
    slope = np.rint((rise * ((1 << _GAIN_BITS) / max(rows - 1, 1))).clip(-(2.0**62), 2.0**62)).astype(np.int64)
    planes, width = _to_planes(values - _straight(values[:, 0], slope, rows))
    return values[:, 0].astype("<i8").tobytes() + slope.astype("<i8").tobytes() + planes, width


def _unpack_line(body: Bytes, columns: int, rows: int, width: int) -> Ints:
    heads = body[: 8 * columns].view("<i8").astype(np.int64)
    slope = body[8 * columns : 16 * columns].view("<i8").astype(np.int64)
    return _from_planes(body[16 * columns :], columns, rows, width) + _straight(heads, slope, rows)


def _straight(heads: Ints, slope: Ints, rows: int) -> Ints:
    return heads[:, None] + ((slope[:, None] * np.arange(rows, dtype=np.int64)) >> _GAIN_BITS)


def _levelled(values: Ints) -> tuple[bytes, int] | None:
    """Offsets of every 64 rows and what is left; None where an offset does not fit its planes."""
    columns, rows = values.shape
    starts = np.arange(0, rows, _OFFSET_ROWS)
    sums = np.add.reduceat(values.astype(np.float64), starts, axis=1)
    means = sums / np.diff(np.r_[starts, rows])
    offsets = np.rint(means.clip(-(2.0**40), 2.0**40)).astype(np.int64)
    if columns and np.abs(np.diff(offsets, axis=1, prepend=0)).max() >= 1 << 30:
        return None
    levels, _ = _to_planes(np.diff(offsets, axis=1, prepend=0), _MEAN_WIDTH)
    planes, width = _to_planes(values - np.repeat(offsets, _OFFSET_ROWS, axis=1)[:, :rows])
    return levels + planes, width


def _unlevelled(body: Bytes, columns: int, rows: int, width: int) -> Ints:
    blocks = -(-rows // _OFFSET_ROWS)
    size = _MEAN_WIDTH * columns * blocks
    offsets = np.cumsum(_from_planes(body[:size], columns, blocks, _MEAN_WIDTH), axis=1)
    return _from_planes(body[size:], columns, rows, width) + np.repeat(offsets, _OFFSET_ROWS, axis=1)[:, :rows]


def _lines(values: Ints, mean: Ints) -> tuple[Ints, Ints]:
    """Least squares of each column on the mean, in the decoder's integers. Any answer is lossless."""
    centred = mean - mean.mean()
    power = float(centred @ centred)
    slope = (values @ centred) / power if power > 0 else np.zeros(len(values))
    gains = np.rint(np.clip(slope, -8, 8) * (1 << _GAIN_BITS)).astype(np.int64)
    constants = np.rint((values - _line(gains, np.zeros_like(gains), mean)).mean(axis=1))
    return gains, np.clip(constants, -(2.0**62), 2.0**62).astype(np.int64)


def _line(gains: Ints, constants: Ints, mean: Ints) -> Ints:
    return ((gains[:, None] * mean[None]) >> _GAIN_BITS) + constants[:, None]


_PACK: dict[int, Callable[[Ints], tuple[bytes, int] | None]] = {
    DELTA: _pack_delta,
    DELTA2: _pack_delta2,
    PEERS: _pack_peers,
    OFFSETS: _pack_offsets,
    PEERS_OFFSETS: _pack_peers_offsets,
    LINE: _pack_line,
}
_UNPACK = {
    DELTA: _unpack_delta,
    DELTA2: _unpack_delta2,
    PEERS: _unpack_peers,
    OFFSETS: _unpack_offsets,
    PEERS_OFFSETS: _unpack_peers_offsets,
    LINE: _unpack_line,
}

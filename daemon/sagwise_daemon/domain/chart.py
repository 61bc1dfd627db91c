"""A ride's chart as bytes. Law: little-endian, laid out so that a browser reads it with one Float32Array, and so that
some channels of a stored body are cut out without looking at a single number.

    offset  type       meaning
    0       4 bytes    "SWCH"
    4       u16        version, 1
    6       u16        bytes before the first float, 24
    8       u32        channels
    12      u32        points
    16      f64        seconds from the ride's start to the first span's middle
    24      f32        time of each point after that, seconds          (points)
    …       f32        lowest values, then highest, of each channel    (channels × 2 × points), as they were asked for

A span without a reading has NaN for both. Values are in the unit that ends the channel's name.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

import numpy as np

from sagwise_daemon.domain.ports import Envelope

HEADER = struct.Struct("<4sHHIId")
MAGIC, VERSION = b"SWCH", 1
_FLOAT_BYTES = 4


def encode_chart(envelope: Envelope) -> bytes:
    """The body for an envelope. Raises ValueError where its arrays do not fit together."""
    channels, points = len(envelope.channels), len(envelope.time_s)
    if envelope.low.shape != (channels, points) or envelope.high.shape != (channels, points):
        raise ValueError(f"envelope of {channels} channels and {points} points has arrays of {envelope.low.shape}")
    first_s = float(envelope.time_s[0]) if points else 0.0
    pairs = np.stack([envelope.low, envelope.high], axis=1)
    return b"".join(
        (
            HEADER.pack(MAGIC, VERSION, HEADER.size, channels, points, first_s),
            (envelope.time_s - first_s).astype("<f4").tobytes(),
            pairs.astype("<f4").tobytes(),
        )
    )


def pick_channels(body: bytes, wanted: Sequence[int]) -> bytes:
    """The body of some of its channels, by their places in it. Raises ValueError for what is no such body."""
    if len(body) < HEADER.size:
        raise ValueError(f"a chart of {len(body)} bytes is cut short")
    magic, version, head, channels, points, first_s = HEADER.unpack_from(body)
    row = points * _FLOAT_BYTES
    if (magic, version, head) != (MAGIC, VERSION, HEADER.size) or len(body) != head + row * (1 + 2 * channels):
        raise ValueError(f"{len(body)} bytes are no chart of version {VERSION}")
    if not all(0 <= place < channels for place in wanted):
        raise ValueError(f"a chart of {channels} channels has no places {list(wanted)}")
    values = head + row
    parts = (body[values + 2 * row * place : values + 2 * row * (place + 1)] for place in wanted)
    return b"".join((HEADER.pack(MAGIC, VERSION, head, len(wanted), points, first_s), body[head : head + row], *parts))

"""A ride's chart as bytes. Law: little-endian, laid out so that a browser reads it with one Float32Array.

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

import hashlib
import struct

import numpy as np

from sagwise_daemon.domain.ports import Envelope

MEDIA_TYPE = "application/vnd.sagwise.chart"
HEADER = struct.Struct("<4sHHIId")
MAGIC, VERSION = b"SWCH", 1


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


def etag(body: bytes) -> str:
    return f'"{hashlib.blake2b(body, digest_size=12).hexdigest()}"'

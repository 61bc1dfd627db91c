"""The parts that are not ours against what others published. Law: each figure names its source."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from cobs import cobs
from crc32c import crc32c
from hypothesis import given, settings
from hypothesis import strategies as st

from sagwise_protocol import Decoder, Rejected, RejectReason
from sagwise_protocol.layout import MAX_ENCODED_BYTES, MAX_FRAME_BYTES

# CRC-32C. The check value of "123456789" is the one that catalogues of parametrised CRC algorithms (the Rocksoft
# model of R. Williams 1993) print; the 32-byte lines and the read command are the examples of RFC 3720, B.4, there
# printed as bytes, lowest first (from memory, agreed by three implementations here).
READ_COMMAND = bytes.fromhex(
    "01c00000 00000000 00000000 00000000 14000000 00000400 00000014 00000018 28000000 00000000 02000000 00000000"
)
CRC_EXAMPLES = [
    (b"123456789", 0xE3069283),
    (bytes(32), 0x8A9136AA),
    (b"\xff" * 32, 0x62A8AB43),
    (bytes(range(32)), 0x46DD794E),
    (bytes(range(31, -1, -1)), 0x113FDB5C),
    (READ_COMMAND, 0xD9963A56),
]

# COBS. The first three are given in Cheshire and Baker 1999 or follow from its rules by hand; FF starts a block of
# 254 bytes without a zero behind it.
COBS_EXAMPLES = [
    ("11 22 00 33", "03 11 22 02 33"),
    ("11 22 33 44", "05 11 22 33 44"),
    ("00", "01 01"),
    ("00 00", "01 01 01"),
    ("11 00 00 00", "02 11 01 01 01"),
    (bytes(range(1, 255)).hex(), "ff" + bytes(range(1, 255)).hex()),
    (bytes(range(1, 256)).hex(), "ff" + bytes(range(1, 255)).hex() + "02 ff"),
    (bytes(range(255)).hex(), "01 ff" + bytes(range(1, 255)).hex()),
]


@pytest.mark.parametrize(("data", "crc"), CRC_EXAMPLES)
def test_crc_examples(data: bytes, crc: int, harness: Any, crc_by_bits: Callable[[bytes], int]) -> None:
    assert crc32c(data) == crc
    assert crc_by_bits(data) == crc
    assert harness.run("crc", data) == [f"{crc:08X}"]


def test_crc_residue(harness: Any) -> None:
    """Over data and its own CRC, lowest byte first, the register ends at B798B438 before the last inversion
    (Rocksoft model's "residue" of CRC-32C), whatever the data."""
    for data in (b"123456789", b"", READ_COMMAND):
        whole = data + crc32c(data).to_bytes(4, "little")
        assert crc32c(whole) ^ 0xFFFFFFFF == 0xB798B438
        assert harness.run("crc", whole) == [f"{0xB798B438 ^ 0xFFFFFFFF:08X}"]


@pytest.mark.parametrize(("plain", "encoded"), COBS_EXAMPLES)
def test_cobs_examples(plain: str, encoded: str, harness: Any, cobs_by_stretches: Callable[[bytes], bytes]) -> None:
    assert cobs.encode(bytes.fromhex(plain)) == bytes.fromhex(encoded)
    assert cobs.decode(bytes.fromhex(encoded)) == bytes.fromhex(plain)
    assert cobs_by_stretches(bytes.fromhex(plain)) == bytes.fromhex(encoded)
    assert harness.run("cobs", bytes.fromhex(plain)) == [bytes.fromhex(encoded).hex()]


def test_c_stuffs_around_full_blocks(harness: Any, cobs_by_stretches: Callable[[bytes], bytes]) -> None:
    for size in (252, 253, 254, 255, 256, 507, 508, 509, 540):
        for data in (b"\1" * size, b"\1" * size + b"\0", b"\0" + b"\1" * size, b"\1" * size + b"\0\1"):
            assert harness.run("cobs", data) == [cobs_by_stretches(data).hex()]


@settings(deadline=None)
@given(data=st.binary(max_size=800) | st.lists(st.sampled_from([0, 1, 255]), max_size=800).map(bytes))
def test_cobs_against_a_second_writer(data: bytes, cobs_by_stretches: Callable[[bytes], bytes]) -> None:
    assert cobs.encode(data) == cobs_by_stretches(data)
    assert cobs.decode(cobs.encode(data)) == data


@settings(deadline=None)
@given(data=st.binary(max_size=300))
def test_crc_against_a_second_writer(data: bytes, crc_by_bits: Callable[[bytes], int]) -> None:
    assert crc32c(data) == crc_by_bits(data)


def test_longest_frame_bounds_the_longest_encoding() -> None:
    """At most one byte for each 254 begun (Cheshire and Baker 1999)."""
    assert len(cobs.encode(b"\1" * MAX_FRAME_BYTES)) == MAX_ENCODED_BYTES
    assert max(len(cobs.encode(bytes(n) + b"\1" * (MAX_FRAME_BYTES - n))) for n in range(541)) == MAX_ENCODED_BYTES


def test_every_burst_up_to_32_bits_is_seen(vectors: list[Any]) -> None:
    """A CRC of 32 bits sees every burst no longer than itself; tried where stuffing cannot interfere: a burst that
    makes no zero and hits no code byte (the general case is the fuzz test's)."""
    wire = next(v.wire for v in vectors if v.title == "sample of sixteen groups under load")
    codes = set()
    at = 0
    while wire[at]:
        codes.add(at)
        at += wire[at]
    tried = 0
    for at in range(len(wire) - 4):
        for burst in (b"\x01", b"\x80", b"\x01\x80", b"\x01\xff\x80", b"\x80\x00\x00\x01", b"\xff\xff\xff\xff"):
            hurt = bytearray(wire)
            for place, bits in enumerate(burst):
                hurt[at + place] ^= bits
            touched = set(range(at, at + len(burst)))
            if 0 in hurt[:-1] or touched & codes or hurt[-1]:
                continue
            tried += 1
            assert Decoder().feed(bytes(hurt)) == [Rejected(RejectReason.CRC, len(wire) - 1)]
    assert tried > 200

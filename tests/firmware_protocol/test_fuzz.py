"""Rubbish through both codecs. Law: no crash, no hang, nothing accepted that was not sent, no disagreement.

Mutations hit the encoded stream, because byte stuffing weakens a checksum that is tested on decoded bytes only
(Mutter and Hartwich 2015). Every run has a fixed seed; the C side runs under the sanitizers.
"""

from __future__ import annotations

import random
import time
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from cobs import cobs
from crc32c import crc32c

from sagwise_protocol import Decoder, Frame, Rejected, Stamp, encode
from sagwise_protocol.layout import HEADER, LAYOUTS
from sagwise_protocol.shape import Layout

MILLION = 1_000_000


def pick(rng: random.Random, low: int, high: int) -> int:
    """Mostly the ends and small numbers, where codecs go wrong."""
    return rng.choice((low, high, max(low, min(high, 0)), rng.randint(low, high), min(high, max(low, 257))))


def random_message(rng: random.Random, layout: Layout, bounds: dict[str, tuple[int, int]]) -> Any:
    values: dict[str, Any] = {name: pick(rng, *ends) for name, ends in bounds.items()}
    for part in layout.parts:
        if part.tail is None:
            continue
        count = pick(rng, part.tail.low, part.tail.high)
        text = "".join(rng.choice("aé€🔋 \0") for _ in range(count // 4))
        numbers = tuple(pick(rng, -32768, 32767) for _ in range(count))
        values[part.tail.name] = numbers if part.tail.code else text
    for mask, array in layout.masks:
        values[mask] = rng.getrandbits(64) & (1 << len(values[array])) - 1
    return layout.message(**values)


def random_frames(rng: random.Random, bounds: dict[str, Any], count: int) -> Iterator[tuple[Frame, bytes]]:
    for _ in range(count):
        layout = rng.choice(LAYOUTS)
        message = random_message(rng, layout, bounds[layout.name])
        ids = pick(rng, 0, 2**32 - 1), pick(rng, 1, 2**32 - 1), pick(rng, 0, 2**64 - 1), pick(rng, 0, 65535)
        stamp = Stamp(*ids)
        yield Frame(stamp, message), encode(message, stamp, flags=rng.choice((0, 0, 0x10, 0xF0)))


def mutate(rng: random.Random, data: bytearray) -> None:
    """One hit somewhere: flip, overwrite, insert, delete, truncate, repeat, splice, or lose a delimiter."""
    at = rng.randrange(len(data))
    size = min(rng.choice((1, 1, 2, 5, 30)), len(data) - at)
    other = rng.randrange(len(data))
    kind = rng.randrange(8)
    if kind == 0:
        data[at] ^= 1 << rng.randrange(8)
    elif kind == 1:
        data[at : at + size] = rng.randbytes(size)
    elif kind == 2:
        data[at:at] = rng.randbytes(size)
    elif kind == 3:
        del data[at : at + size]
    elif kind == 4:
        del data[at : at + rng.randrange(120)]
    elif kind == 5:
        data[at:at] = data[other : other + rng.randrange(200)]
    elif kind == 6:
        data[at : at + size] = data[other : other + size]
    else:
        place = data.find(0, at)
        if place >= 0:
            del data[place]


def noise(rng: random.Random) -> bytes:
    """A stretch that was never a frame: any bytes, few different bytes, or a long run without a delimiter."""
    size = rng.choice((1, 3, 40, 200))
    alphabet = rng.choice((bytes(range(256)), b"\0\1\2\xff", b"\0", b"\1", b"\xff\xfe\1"))
    if rng.random() < 0.05:
        return rng.randbytes(1500).replace(b"\0", b"\1")
    return bytes(rng.choices(alphabet, k=size))


def mutated_stream(rng: random.Random, bounds: dict[str, Any], total: int) -> tuple[bytes, set[Frame]]:
    """At least `total` bytes of hurt frames amid noise, and the frames that were sent."""
    out = bytearray()
    sent: set[Frame] = set()
    while len(out) < total:
        frames = list(random_frames(rng, bounds, 12))
        sent.update(frame for frame, _ in frames)
        stretch = bytearray(b"".join(wire for _, wire in frames))
        for _ in range(rng.randrange(12)):
            if stretch:
                mutate(rng, stretch)
        out += stretch + (noise(rng) if rng.random() < 0.5 else b"")
    return bytes(out), sent


def feed_in_pieces(rng: random.Random, data: bytes) -> list[Any]:
    decoder, events, at = Decoder(), [], 0
    while at < len(data):
        size = rng.choice((1, 2, 7, 64, 543, 544, 4096))
        events += decoder.feed(data[at : at + size])
        at += size
    return events


AsLine = Callable[[Any], str]


def both(harness: Any, rng: random.Random, data: bytes, as_line: AsLine, limit_s: float) -> list[Any]:
    """What both codecs make of `data`; fails at the first line on which they differ."""
    begun = time.monotonic()
    events = feed_in_pieces(rng, data)
    assert time.monotonic() - begun < limit_s, "the Python codec hangs"
    theirs = harness.decode(data, timeout=limit_s)
    for place, (event, line) in enumerate(zip(events, theirs, strict=False)):
        assert as_line(event) == line, f"event {place}"
    assert len(events) == len(theirs)
    return events


def check_mutated(harness: Any, bounds: Any, as_line: Any, seed: int, total: int, limit_s: float) -> None:
    rng = random.Random(seed)
    data, sent = mutated_stream(rng, bounds, total)
    events = both(harness, rng, data, as_line, limit_s)
    accepted = [event for event in events if isinstance(event, Frame)]
    assert all(frame in sent for frame in accepted)
    reasons = Counter(event.reason.value for event in events if isinstance(event, Rejected))
    # The run is worth something only if much was hurt and much survived.
    assert len(accepted) > total / 500
    assert min(reasons[name] for name in ("too_long", "cobs", "too_short", "crc")) > total / 100_000


def check_random(harness: Any, as_line: Any, seed: int, total: int, limit_s: float) -> None:
    rng = random.Random(seed)
    data = rng.randbytes(total // 2) + b"".join(noise(rng) for _ in range(total // 120))
    assert len(data) >= total
    events = both(harness, rng, data, as_line, limit_s)
    assert len(events) > 1000
    assert not any(isinstance(event, Frame) for event in events)


def with_right_crc(rng: random.Random, bounds: dict[str, Any]) -> bytes:
    """A frame whose CRC is right and whose header and body are not to be trusted: the parser's own test."""
    layout = rng.choice(LAYOUTS)
    wire = encode(random_message(rng, layout, bounds[layout.name]), Stamp(1, pick(rng, 1, 2**32 - 1), 5, 6))
    header, body = cobs.decode(wire[:-1])[: HEADER.size], bytearray(cobs.decode(wire[:-1])[HEADER.size : -4])
    for _ in range(rng.choice((0, 1, 1, 2, 4))):
        if body:
            mutate(rng, body)
    if rng.random() < 0.1:
        body = bytearray(rng.randbytes(rng.randrange(513)))
    values = list(HEADER.unpack(header))
    values[4] = min(len(body), 65535)
    if rng.random() < 0.2:
        place, high = rng.choice(((0, 255), (1, 255), (2, 255), (3, 255), (4, 65535), (7, 1)))
        values[place] = pick(rng, 0, high)
    frame = HEADER.pack(*values) + body
    encoded: bytes = cobs.encode(frame + crc32c(frame).to_bytes(4, "little"))
    return encoded + b"\0"


def check_parsers(harness: Any, bounds: Any, as_line: Any, seed: int, count: int, limit_s: float) -> None:
    rng = random.Random(seed)
    data = b"".join(with_right_crc(rng, bounds) for _ in range(count))
    events = both(harness, rng, data, as_line, limit_s)
    seen = Counter(event.reason.value if isinstance(event, Rejected) else "accepted" for event in events)
    judged = ("version", "length", "must_understand", "unknown_type", "malformed", "out_of_range", "accepted")
    assert min(seen[name] for name in judged) > count / 1000
    assert {type(event.message) for event in events if isinstance(event, Frame)} == {x.message for x in LAYOUTS}


def test_a_short_run_of_each(harness: Any, bounds: Any, as_line: Any) -> None:
    check_mutated(harness, bounds, as_line, 1, 100_000, 60)
    check_random(harness, as_line, 2, 100_000, 60)
    check_parsers(harness, bounds, as_line, 3, 4_000, 60)


@pytest.mark.slow
def test_a_million_mutated_bytes(harness: Any, bounds: Any, as_line: Any) -> None:
    check_mutated(harness, bounds, as_line, 20250101, MILLION, 60)


@pytest.mark.slow
def test_a_million_random_bytes(harness: Any, as_line: Any) -> None:
    check_random(harness, as_line, 20250102, MILLION, 60)


@pytest.mark.slow
def test_right_checksums_around_wrong_contents(harness: Any, bounds: Any, as_line: Any) -> None:
    check_parsers(harness, bounds, as_line, 20250103, 20_000, 60)


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("seed", range(50))
def test_a_hundred_million_bytes(harness: Any, bounds: Any, as_line: Any, seed: int) -> None:
    check_mutated(harness, bounds, as_line, 1000 + seed, MILLION, 120)
    check_random(harness, as_line, 2000 + seed, MILLION, 120)
    check_parsers(harness, bounds, as_line, 3000 + seed, 20_000, 120)

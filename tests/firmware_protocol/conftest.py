"""What the tests of the wire share. Law: vectors.txt and the C harness are read here and nowhere else."""

from __future__ import annotations

import json
import re
import shutil
import struct
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import pytest

from sagwise_protocol import Frame, Message, Rejected, RejectReason, Stamp
from sagwise_protocol.codec import Event
from sagwise_protocol.layout import LAYOUTS, MAX_ENCODED_BYTES
from sagwise_protocol.shape import Layout

HERE = Path(__file__).resolve().parent
ROOM = HERE.parents[1] / "firmware_protocol"
LAYOUT = {layout.name: layout for layout in LAYOUTS}
NAME_OF = {layout.message: layout.name for layout in LAYOUTS}
STRICT = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-Wconversion"]
SANITIZE = ["-g", "-O1", "-fsanitize=address,undefined", "-fsanitize=bounds-strict", "-fno-sanitize-recover=all"]


@dataclass(frozen=True)
class Vector:
    """One entry of vectors.txt; what its kind lacks is None."""

    kind: str
    title: str
    message: Message | None
    stamp: Stamp | None
    flags: int
    wire: bytes
    reason: str | None
    type: int | None
    allowed: tuple[int, int] | None


def _repeated(text: str, separator: str | None) -> list[str]:
    """`a b*3` becomes a b b b."""
    out: list[str] = []
    for token in text.split(separator):
        value, _, times = token.partition("*")
        out += [value] * int(times or 1)
    return out


def _value(kind: str, text: str) -> Any:
    if kind == "str":
        return json.loads(text)
    if kind == "int":
        return int(text, 0)
    return tuple(int(entry) for entry in _repeated(text, ",")) if text else ()


def _message(text: str) -> Message:
    name, _, rest = text.partition(" ")
    cls = LAYOUT[name].message
    told = dict(re.findall(r'(\w+)=("(?:[^"\\]|\\.)*"|\S*)', rest))
    kinds = {field.name: str(field.type) for field in fields(cls)}
    assert told.keys() == kinds.keys(), f"{name}: fields {sorted(told)} are not {sorted(kinds)}"
    message: Message = cls(**{name: _value(kinds[name], value) for name, value in told.items()})
    return message


def _vector(block: str) -> Vector:
    lines: list[str] = []
    for line in block.splitlines():
        if line.startswith(" "):
            lines[-1] += " " + line.strip()
        elif not line.startswith("#"):
            lines.append(line)
    kind, _, title = lines[0].partition(" ")
    told: dict[str, str] = {}
    for line in lines[1:]:
        key, _, value = line.partition(" ")
        told[key] = value.strip()
    stamp = None
    if "stamp" in told:
        stamp = Stamp(**{k: int(v, 0) for k, v in (pair.split("=") for pair in told["stamp"].split())})
    low_high = told.get("allowed", "").split()
    return Vector(
        kind=kind,
        title=title,
        message=_message(told["message"]) if "message" in told else None,
        stamp=stamp,
        flags=int(told.get("flags", "0"), 0),
        wire=bytes.fromhex("".join(_repeated(told.get("hex", ""), None))),
        reason=told.get("reason"),
        type=int(told["type"], 0) if "type" in told else None,
        allowed=(int(low_high[0]), int(low_high[1])) if low_high else None,
    )


def read_vectors() -> list[Vector]:
    """Every entry of vectors.txt in its order."""
    blocks = re.split(r"\n\s*\n", (ROOM / "vectors.txt").read_text(encoding="utf-8"))
    return [_vector(block) for block in blocks if not all(ln.startswith("#") for ln in block.splitlines() if ln)]


VECTORS = read_vectors()


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """`readable` runs over all entries that have bytes; `golden` and `refuse` over those of that kind."""
    for name in ("readable", "golden", "refuse"):
        if name in metafunc.fixturenames:
            chosen = [v for v in VECTORS if v.kind == name or (name == "readable" and v.wire)]
            metafunc.parametrize(name, chosen, ids=[f"{v.kind}: {v.title}" for v in chosen])


@pytest.fixture(scope="session")
def room() -> Path:
    return ROOM


@pytest.fixture(scope="session")
def vectors() -> list[Vector]:
    return VECTORS


# --- the C codec -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Harness:
    """The C codec built with sanitizers, one process a call; a sanitizer's finding fails the call."""

    path: Path

    def run(self, verb: str, data: bytes, timeout: float = 120.0) -> list[str]:
        done = subprocess.run([self.path, verb], input=data, capture_output=True, timeout=timeout, check=False)
        assert done.returncode == 0 and not done.stderr, done.stderr.decode(errors="replace")[-4000:]
        return done.stdout.decode().splitlines()

    def decode(self, data: bytes, timeout: float = 120.0) -> list[str]:
        return self.run("decode", data, timeout)

    def encode(self, lines: Sequence[str]) -> list[str]:
        return self.run("encode", ("\n".join(lines) + "\n").encode())


@pytest.fixture(scope="session")
def compiler() -> str:
    found = shutil.which("gcc")
    assert found, "gcc is needed to test the C codec"
    return found


@pytest.fixture(scope="session")
def harness(compiler: str, tmp_path_factory: pytest.TempPathFactory) -> Harness:
    path = tmp_path_factory.mktemp("harness") / "harness"
    command = [compiler, *STRICT, *SANITIZE, f"-I{ROOM / 'c'}", str(HERE / "harness.c"), "-o", str(path)]
    subprocess.run(command, check=True, timeout=120)
    return Harness(path)


# --- the same lines that the harness prints and reads -----------------------------------------------------------


def _stamp_line(stamp: Stamp) -> str:
    return f"{stamp.board_id} {stamp.boot_id} {stamp.uptime_us} {stamp.sequence}"


def _fields_line(message: Message) -> str:
    """Every field in wire order, lengths included, as the harness prints them."""
    out: list[str] = []
    for part in LAYOUT[NAME_OF[type(message)]].parts:
        out += [f"{name}={int(getattr(message, name))}" for name in part.names]
        if part.tail is not None:
            value = getattr(message, part.tail.name)
            shown = ",".join(map(str, value)) if part.tail.code else value.encode().hex()
            length = len(value) if part.tail.code else len(value.encode())
            count = "name_bytes" if not part.tail.code else part.tail.name.split("_")[0] + "_count"
            out += [f"{count}={length}", f"{part.tail.name}={shown}"]
    return " ".join(out)


def event_line(event: Event) -> str:
    """The line that the harness prints for this event."""
    if isinstance(event, Frame):
        name = NAME_OF[type(event.message)]
        return f"frame {name} {_stamp_line(event.stamp)} {_fields_line(event.message)}"
    words = ["rejected", event.reason.value, str(event.size)]
    if event.stamp is not None:
        words += [str(event.type), _stamp_line(event.stamp)]
    if event.allowed is not None:
        words.append(f"{event.allowed[0]} {event.allowed[1]}")
    return " ".join(words)


def encode_line(message: Message, stamp: Stamp, flags: int = 0, space: int = MAX_ENCODED_BYTES + 1) -> str:
    """The line that makes the harness write this message."""
    name = NAME_OF[type(message)]
    return f"{name} {_stamp_line(stamp)} {flags} {space} {_fields_line(message)}"


@pytest.fixture(scope="session")
def as_line() -> Callable[[Event], str]:
    return event_line


@pytest.fixture(scope="session")
def as_request() -> Callable[..., str]:
    return encode_line


@pytest.fixture(scope="session")
def expected() -> Callable[[Vector], Event]:
    """What reading a vector must give; a rejection's size is the run's, capped where it is given up."""

    def event(vector: Vector) -> Event:
        if vector.message is not None:
            assert vector.stamp is not None
            return Frame(vector.stamp, vector.message)
        size = min(len(vector.wire) - 1, MAX_ENCODED_BYTES + 1)
        assert vector.reason is not None
        return Rejected(RejectReason(vector.reason), size, "", vector.stamp, vector.type, vector.allowed)

    return event


# --- a second way to the same bytes, written from PROTOCOL.md alone --------------------------------------------


def plain_crc32c(data: bytes) -> int:
    """Bit by bit: polynomial 1EDC6F41 reflected, begun and ended with all ones (RFC 3720, appendix B.4)."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x82F63B78 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def plain_cobs(data: bytes) -> bytes:
    """Cheshire and Baker 1999: append a zero, then each zero-ended stretch becomes its length and its bytes."""
    out, rest = b"", data + b"\0"
    while rest:
        stretch = rest[:254].partition(b"\0")[0]
        if len(stretch) == 254:
            out, rest = out + b"\xff" + stretch, rest[254:]
            if rest == b"\0":
                break
        else:
            out, rest = out + bytes([len(stretch) + 1]) + stretch, rest[len(stretch) + 1 :]
    return out


@pytest.fixture(scope="session")
def by_hand() -> Callable[..., bytes]:
    """Wrap a body in header, CRC and COBS without the codec under test."""

    def wire(number: int, body: bytes, stamp: Stamp, *, flags: int = 0, version: int = 1) -> bytes:
        ids = (len(body), stamp.sequence, stamp.board_id, stamp.boot_id, stamp.uptime_us)
        frame = struct.pack("<BBBBHHIIQ", version, number, flags, 0, *ids) + body
        return plain_cobs(frame + struct.pack("<I", plain_crc32c(frame))) + b"\0"

    return wire


Bounds = dict[str, tuple[int, int]]


def bounds_of(layout: Layout) -> Bounds:
    """What a writer may put into each single field: its type's range, narrowed by what messages.toml states."""
    out: Bounds = {}
    for part in layout.parts:
        for name, code in zip(part.names, part.fixed.format.lstrip("<"), strict=False):
            bits = struct.calcsize("<" + code) * 8
            out[name] = (-(1 << bits - 1), (1 << bits - 1) - 1) if code.islower() else (0, (1 << bits) - 1)
    return out | {span.name: (span.low, span.high) for span in (*layout.ranges, *layout.known)}


@pytest.fixture(scope="session")
def bounds() -> dict[str, Bounds]:
    """By message name."""
    return {layout.name: bounds_of(layout) for layout in LAYOUTS}


@pytest.fixture(scope="session")
def crc_by_bits() -> Callable[[bytes], int]:
    return plain_crc32c


@pytest.fixture(scope="session")
def cobs_by_stretches() -> Callable[[bytes], bytes]:
    return plain_cobs

"""PROTOCOL.md against the codec. Law: an example or a figure in the prose that is wrong fails a test."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from cobs import cobs
from crc32c import crc32c

from sagwise_protocol import (
    BoardHello,
    BoardRefusal,
    Button,
    Decoder,
    Frame,
    Heartbeat,
    RejectReason,
    Sample,
    Stamp,
    Status,
    encode,
)
from sagwise_protocol.layout import (
    CRC_BYTES,
    HEADER_BYTES,
    LAYOUTS,
    MAX_ENCODED_BYTES,
    MAX_FRAME_BYTES,
    MAX_NAME_BYTES,
)


@pytest.fixture(scope="module")
def text(room: Path) -> str:
    return (room / "PROTOCOL.md").read_text(encoding="utf-8")


def test_worked_frame(text: str) -> None:
    (block,) = re.findall(r"```example\n(.*?)```", text, re.DOTALL)
    before, crc, wire = (bytes.fromhex(line.partition(":")[2]) for line in block.splitlines())
    assert crc == crc32c(before).to_bytes(4, "little")
    assert wire == cobs.encode(before + crc) + b"\0"
    stamp = Stamp(board_id=0x0B0A7D01, boot_id=0x71C0FFEE, uptime_us=2_000_000, sequence=8)
    assert Decoder().feed(wire) == [Frame(stamp, Heartbeat(heard_sequence=513))]
    told = b"".join(bytes.fromhex(cell) for cell in re.findall(r"^\| `([0-9a-f ]+)` \|", text, re.MULTILINE))
    assert told == before + crc
    assert f"0x{crc32c(before):08X}" in text


def test_throughput_table(text: str) -> None:
    rows = re.findall(r"^\| (\d+) \| (\d+) \| (\d+) \| ([\d,]+)[^|]*\| ([\d,]+)[^|]*\| ([^|]*)\|$", text, re.MULTILINE)
    assert len(rows) == 4
    for groups, temperatures, size, at_20, at_50, at_100 in rows:
        sample = Sample(0, 0, 0, 0, 0, (7412,) * int(groups), (2815,) * int(temperatures))
        wire = len(encode(sample, Stamp(1, 1, 1, 1)))
        assert wire == int(size) == 20 + 2 * int(groups) + 1 + 2 * int(temperatures) + 30
        assert (int(at_20.replace(",", "")), int(at_50.replace(",", ""))) == (wire * 20, wire * 50)
        assert at_100.startswith(f"{wire * 100:,}") if wire * 100 < 11_520 else at_100 == "does not fit "
    for bytes_a_second, percent in re.findall(r"([\d,]+)(?: B/s)? \((\d+) %\)", text):
        assert round(int(bytes_a_second.replace(",", "")) / 115.20) == int(percent)


def test_what_else_goes_over_the_line(text: str) -> None:
    stamp = Stamp(1, 1, 1, 1)
    hello = len(encode(BoardHello(1, 1, 1, 1, 0, 0, 1, 0, 0, 0, 1, 1, 1, 0, "x" * MAX_NAME_BYTES), stamp))
    status, press = len(encode(Status(0, 0, 0, 0, 0, 0, 0), stamp)), len(encode(Button(1, 0), stamp))
    refusal = len(encode(BoardRefusal(0, 0, 0, 0, 0), stamp))
    worst = hello + 10 * status + 3 * press + 5 * refusal
    assert f"add {hello + status + 3 * press} bytes to a second" in text
    assert f"bring them to {worst} ({round(worst / 115.20)} %)" in text


def test_the_rhythms_are_those_of_the_page(text: str, room: Path) -> None:
    """The page speaks as the buzzer does, so that nobody has to learn two languages."""
    script = (room.parent / "api" / "sagwise_api" / "page" / "sound.js").read_text(encoding="utf-8")
    patterns = dict(re.findall(r"^\| [1-3] \| `(\w+)` \| (.*) \|$", text, re.M))
    told = re.search(r"^Pulses begin at ([^(]*)\(`high`\), at ([^(]*)\(`medium`\)", text, re.M)
    assert told
    begins = {"low": ["0"], "high": re.findall(r"[\d.]+", told[1]), "medium": re.findall(r"[\d.]+", told[2])}
    for name, every, pulses in re.findall(
        r"^  (low|medium|high): \{ every: (\d+), pulses: \[(.*)\] \},$", script, re.M
    ):
        starts, lengths = zip(*re.findall(r"\[([\d.]+), ([\d.]+), \d+\]", pulses), strict=True)
        assert list(starts) == begins.pop(name)
        assert f"about {lengths[0]} s every {every} s" in patterns[name]
    assert not begins


def test_limits_in_the_prose(text: str) -> None:
    assert f"more than {MAX_ENCODED_BYTES} bytes without a zero" in text
    assert f"fewer than {HEADER_BYTES + CRC_BYTES} bytes after decoding, or more than {MAX_FRAME_BYTES}" in text


def test_every_message_and_reason_is_written_about(text: str) -> None:
    headings = re.findall(r"^### (\w+)$", text, re.MULTILINE)
    assert [layout.name for layout in LAYOUTS] == [name for name in headings if name.islower()]
    checks = text[text.index("## 9. Reading a stream") :]
    assert all(f"`{reason.value}`" in checks for reason in RejectReason)


def test_links_lead_somewhere(text: str) -> None:
    links = set(re.findall(r"\]\(#([^)]+)\)", text))
    headings = {re.sub(r"[^\w ]", "", name.lower()).replace(" ", "-") for name in re.findall(r"^#+ (.*)$", text, re.M)}
    assert links and links <= headings | set(re.findall(r'<a id="(\w+)">', text))

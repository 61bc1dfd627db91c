"""What is generated, and the C that is built from it. Law: stale files fail, warnings fail, libc is not needed."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from dataclasses import fields
from pathlib import Path

import pytest

from sagwise_protocol.layout import LAYOUTS

TARGETS = ("PROTOCOL.md", "c/sagwise_messages.h", "sagwise_protocol/layout.py")
STRICT = ["-Wall", "-Wextra", "-Werror", "-pedantic", "-Wconversion", "-Wsign-conversion", "-Wshadow"]


def generate(room: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-I", str(room / "generate.py"), *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)


@pytest.fixture
def copy(room: Path, tmp_path: Path) -> Path:
    """The room copied, so that a test may spoil it."""
    target = tmp_path / "room"
    shutil.copytree(room, target, ignore=shutil.ignore_patterns("__pycache__"))
    return target


def test_nothing_is_stale(room: Path) -> None:
    done = generate(room, "--check")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", ""), "run firmware_protocol/generate.py"


def test_a_changed_message_makes_all_stale_and_writing_heals(copy: Path) -> None:
    source = copy / "messages.toml"
    text = source.read_text(encoding="utf-8")
    source.write_text(text.replace("min = 100, max = 10000", "min = 200, max = 10000"), encoding="utf-8")
    before = [(copy / name).read_bytes() for name in TARGETS]
    done = generate(copy, "--check")
    assert done.returncode == 1
    assert sorted(done.stdout.splitlines()) == [f"stale: {name}" for name in sorted(TARGETS)]
    assert [(copy / name).read_bytes() for name in TARGETS] == before
    assert generate(copy).returncode == 0
    assert generate(copy, "--check").returncode == 0


@pytest.mark.parametrize("name", TARGETS)
def test_a_hand_in_a_generated_file_is_seen(copy: Path, name: str) -> None:
    path = copy / name
    text = path.read_text(encoding="utf-8")
    assert "100 to 10000" in text
    path.write_text(text.replace("100 to 10000", "100 to 9999"), encoding="utf-8")
    done = generate(copy, "--check")
    assert (done.returncode, done.stdout) == (1, f"stale: {name}\n")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("max_body_bytes = 512", "max_body_bytes = 100", "sample: 149 bytes at most, more than max_body_bytes"),
        ("type = 0x05", "type = 0x50", "board_refusal: numbers below 0x40 are a board's"),
        ("type = 0x05", "type = 0x04", "board_refusal: 0x04 is button's"),
        ('count = "group_count"', 'count = "other_valid"', "length must be the field just before it"),
    ],
)
def test_a_table_that_contradicts_itself_is_refused(copy: Path, old: str, new: str, told: str) -> None:
    source = copy / "messages.toml"
    text = source.read_text(encoding="utf-8")
    assert old in text
    source.write_text(text.replace(old, new), encoding="utf-8")
    done = generate(copy)
    assert done.returncode == 1 and told in done.stderr


def test_an_unknown_argument_is_refused(room: Path) -> None:
    assert generate(room, "--force").returncode == 2


def test_python_has_every_field_of_the_table(room: Path) -> None:
    table = tomllib.loads((room / "messages.toml").read_text(encoding="utf-8"))
    assert [m["name"] for m in table["message"]] == [layout.name for layout in LAYOUTS]
    for message, layout in zip(table["message"], LAYOUTS, strict=True):
        lengths = {f.get("count") or f.get("text") for f in message["fields"]}
        wanted = [f["name"] for f in message["fields"] if f["name"] not in lengths]
        assert wanted == [field.name for field in fields(layout.message)]


@pytest.mark.parametrize("standard", ["c99", "c11"])
@pytest.mark.parametrize("name", ["gcc", "clang"])
@pytest.mark.parametrize("level", ["-O0", "-O2", "-Os"])
def test_c_compiles_without_a_warning(room: Path, tmp_path: Path, name: str, standard: str, level: str) -> None:
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not installed; gcc is tested in any case")
    source = str(room / "c" / "sagwise_codec.c")
    out = str(tmp_path / "x.o")
    command = [found, f"-std={standard}", *STRICT, level, "-ffreestanding", "-c", source, "-o", out]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")


def test_header_serves_cplusplus(room: Path, tmp_path: Path) -> None:
    found = shutil.which("g++")
    if found is None:
        pytest.skip("g++ is not installed")
    source = tmp_path / "user.cpp"
    source.write_text('#include "sagwise_codec.h"\nsize_t room() { return sizeof(sagwise_decoder); }\n')
    command = [found, "-std=c++11", *STRICT, f"-I{room / 'c'}", "-c", str(source), "-o", str(tmp_path / "x.o")]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")


def test_c_needs_three_functions_and_keeps_no_state(room: Path, tmp_path: Path, compiler: str) -> None:
    out = str(tmp_path / "x.o")
    source = str(room / "c" / "sagwise_codec.c")
    subprocess.run([compiler, "-std=c99", "-Os", "-fno-pic", "-c", source, "-o", out], check=True, timeout=60)
    listed = subprocess.run(["nm", out], capture_output=True, text=True, check=True, timeout=60).stdout
    symbols = [line.split()[-2:] for line in listed.splitlines()]
    assert {name for kind, name in symbols if kind == "U"} <= {"memcpy", "memmove", "memset"}
    assert not [name for kind, name in symbols if kind in "dDbBcC"]
    public = {name for kind, name in symbols if kind == "T"}
    wanted = {"sagwise_decoder_init", "sagwise_decoder_push", "sagwise_encode", "sagwise_crc32c"}
    assert public == wanted


def test_what_it_costs_a_small_board_is_as_told(room: Path, tmp_path: Path, compiler: str) -> None:
    """Memory is the same with every compiler that aligns as the ARM ABI does; stack is added up as if every function
    were called from the one before it."""
    text = (room / "PROTOCOL.md").read_text(encoding="utf-8")
    told = re.search(r"(\d+) bytes of memory for each decoder, (\d+) for a frame to send, and less\s+than (\d+)", text)
    assert told
    source = tmp_path / "sizes.c"
    same = f"sizeof(struct sagwise_decoder) == {told[1]} && SAGWISE_MAX_WIRE_BYTES == {told[2]}u"
    source.write_text(f'#include "sagwise_codec.h"\nint same[{same} ? 1 : -1];\n')
    command = [compiler, "-std=c99", "-Os", f"-I{room / 'c'}", "-fstack-usage", "-c"]
    for one in (source, room / "c" / "sagwise_codec.c"):
        subprocess.run([*command, str(one), "-o", str(tmp_path / f"{one.stem}.o")], check=True, timeout=60)
    used = [line.split("\t") for line in (tmp_path / "sagwise_codec.su").read_text().splitlines()]
    assert {kind for _, _, kind in used} == {"static"}
    assert sum(int(size) for _, size, _ in used) < int(told[3])

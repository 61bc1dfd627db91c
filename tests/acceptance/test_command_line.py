"""The command line among other programs. Law: nobody who reads only the start, writes to a full disk or has another
alphabet sees a traceback, and a status other than 0 says that the work was not done."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from daemon_process import PACK, SAGWISE, cpu_s, wait_for

TRACE = "time_s,group_01_v,group_02_v,current_a\n"


def replay_of(folder: Path, rows: int) -> list[str]:
    """The command that replays a bike that stands for so many seconds."""
    (folder / "trace.csv").write_text(TRACE + "".join(f"{second},4.0,4.0,0.0\n" for second in range(rows)))
    (folder / "pack.toml").write_text(PACK.format(name="Otter", series=2, extra=""))
    return [*SAGWISE, "replay", str(folder / "trace.csv"), "--pack", str(folder / "pack.toml")]


def finished(words: list[str], **options: object) -> tuple[int, str]:
    """Status and standard error."""
    done = subprocess.run(words, check=False, stderr=subprocess.PIPE, text=True, timeout=60, **options)  # type: ignore[call-overload]
    return done.returncode, done.stderr


@pytest.mark.slow
def test_a_reader_that_has_enough_ends_it_quietly(tmp_path: Path) -> None:
    read, write = os.pipe()
    os.close(read)
    assert finished(replay_of(tmp_path, 3), stdout=write) == (128 + signal.SIGPIPE, "")
    os.close(write)


@pytest.mark.slow
def test_a_full_disk_behind_standard_output_is_named(tmp_path: Path) -> None:
    with Path("/dev/full").open("w") as full:
        status, said = finished(replay_of(tmp_path, 3), stdout=full)
    assert (status, said) == (1, "standard output: No space left on device; make room or name another\n")


@pytest.mark.slow
@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_a_terminal_without_a_letter_gets_its_number(encoding: str) -> None:
    environment = {**os.environ, "PYTHONIOENCODING": encoding}
    command = [*SAGWISE, "replay", "--help"]
    done = subprocess.run(command, check=False, capture_output=True, timeout=60, env=environment)
    assert (done.returncode, done.stderr) == (0, b"")
    assert rb"S,S,\u2026" in done.stdout


@pytest.mark.slow
def test_a_closed_standard_output_ends_nothing() -> None:
    status, said = finished(["sh", "-c", f"{sys.executable} -m sagwise_daemon board --help >&-"])
    assert (status, said) == (0, "")


@pytest.mark.slow
def test_work_that_was_interrupted_is_not_called_done(tmp_path: Path) -> None:
    # Tests that run in the background of a shell inherit its deaf ear for Ctrl-C; a terminal's program has none.
    command = ["env", "--default-signal=INT", *replay_of(tmp_path, 400_000)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        wait_for(lambda: cpu_s(process.pid) > 1.5, 30.0, "the replay at work")
        process.send_signal(signal.SIGINT)
        out, said = process.communicate(timeout=30)
    finally:
        process.kill()
    assert (process.returncode, out) == (128 + signal.SIGINT, "")
    assert all("rows replayed" in line for line in said.splitlines())  # and no traceback


@pytest.mark.slow
def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    status, said = finished([*SAGWISE, "demo", "--data", str(tmp_path / "file"), "--port", "1"])
    assert status == 2
    assert said.startswith("--data: ")

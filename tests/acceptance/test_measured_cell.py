"""Measured cell data goes board, daemon, store, export and comes back. Law: identical to the wire's resolution.

Source: HPPC and discharge records of a 33 Ah pouch cell, see measured_cell.py.
"""

from __future__ import annotations

import csv
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from daemon_process import SAGWISE, Daemon, wait_for
from measured_cell import DISCHARGE, HPPC, Slice, write_slice

SPEED = 150.0  # more than the daemon takes: the board waits for its reader, and the line is full all the time
RIDE = """
[ride]
begin_current_a = 1.0
end_after_s = 3600
link_end_s = 15
"""


def rows(path: Path) -> list[tuple[float, float, float]]:
    """time from the first row, volts, amperes."""
    with path.open(newline="") as file:
        table = [
            (float(row["time_s"]), float(row["group_01_v"]), float(row["current_a"])) for row in csv.DictReader(file)
        ]
    return [(round(t - table[0][0], 6), v, i) for t, v, i in table]


def on_the_wire(volts: float) -> float:
    """The nearest step of 0.5 mV; current and time of the slice are whole steps already."""
    return round(round(volts * 2000) / 2000, 4)


@pytest.mark.slow
@pytest.mark.parametrize("piece", [HPPC, DISCHARGE], ids=lambda piece: piece.name)
def test_a_measured_slice_comes_back_identical(
    piece: Slice, tmp_path: Path, make_daemon: Callable[..., Daemon]
) -> None:
    trace, link = tmp_path / "slice.csv", tmp_path / "board"
    count = write_slice(piece, trace)
    daemon = make_daemon(link, name="33 Ah pouch cell", series=1, config=RIDE)
    daemon.start()
    wait_for(daemon.answers, 20, "the page")
    board = subprocess.Popen(
        [*SAGWISE, "board", "--trace", str(trace), "--pty-link", str(link), "--speed", str(SPEED)],
        stdout=subprocess.DEVNULL,
    )
    assert board.wait(piece.minutes * 60 / SPEED + 60) == 0
    cookie = daemon.pair()
    wait_for(lambda: daemon.get("/rides", cookie)["rides"][0]["samples"] >= count, 10, "every sample stored")
    assert daemon.stop() == 0
    (tmp_path / "out").mkdir()
    export = [*SAGWISE, "export", "1", "--store", str(daemon.store), "--out", str(tmp_path / "out")]
    subprocess.run(export, check=True, capture_output=True)
    back = next((tmp_path / "out").glob("*.csv"))
    assert rows(back) == [(t, on_the_wire(v), i) for t, v, i in rows(trace)]

"""The import verb, killed. Law: what it had stored is whole; the same command again stores the rest, nothing twice."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.trace import Trace, write_trace

OTTER_FILE, OTTER = built_in_pack("otter")
ROWS = 3000


def traces(folder: Path, count: int) -> list[Path]:
    """Rides of five minutes that differ."""
    files = []
    for number in range(count):
        time_s = np.arange(ROWS) / 10
        current = np.where((time_s > 20) & (time_s % 10 < 4), 40.0 + number, 0.0)
        volts = np.round(3.9 - current[:, None] * 0.003 + np.zeros(16), 4)
        files.append(folder / f"ride-{number}.csv")
        write_trace(files[-1], Trace(time_s, volts, current, np.full((ROWS, 1), 25.0), None))
    return files


@pytest.mark.slow
def test_killed_at_any_moment_and_given_again(tmp_path: Path, fresh: Path) -> None:
    files, store = traces(tmp_path, 6), fresh
    command = [sys.executable, "-m", "sagwise_daemon", "import", *map(str, files)]
    command += ["--store", str(store), "--pack", str(OTTER_FILE), "--started", "2026-05-01T10:00:00Z"]
    rng = np.random.default_rng(7)
    for _ in range(5):
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        assert process.stdout is not None
        process.stdout.readline()  # the first ride is stored, or was before
        time.sleep(float(rng.uniform(0.0, 1.5)))
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        with Store.open(store) as opened:
            assert all(ride.samples == ROWS and ride.ended_by == "import" for ride in opened.rides.rides())
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert len(done.stdout.splitlines()) == 6 and "imported before" in done.stdout
    with Store.open(store) as opened:
        kept = opened.rides.rides()
        assert len(kept) == 6 and len({ride.current_max_a for ride in kept}) == 6
        assert all(opened.rides.samples(ride.ride_id).rows == ROWS for ride in kept)  # type: ignore[union-attr]

"""Measured cell data as traces. Law: fetched when the tests run, checked by digest, never committed.

Source: the celljar source archive on PyPI (MIT), which carries the HPPC and discharge records of a 33 Ah pouch cell,
DOI 10.5281/zenodo.2580327. In the records current is negative while discharging; here it is turned.
"""

from __future__ import annotations

import csv
import hashlib
import subprocess
import sys
import tarfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

RELEASE = "celljar==0.2.1"
ARCHIVE = "celljar-0.2.1.tar.gz"
SHA256 = "7813e401d974f99f1430c247aef1ab1b0fd5095be4fe0900837e822c314bd12c"
FOLDER = "celljar-0.2.1/data/raw/ornl_leaf"
CACHE = Path(__file__).resolve().parent.parent / ".cache"
RATE_HZ = 10


@dataclass(frozen=True)
class Slice:
    """Thirty minutes of one record; `start_s` is on the record's own time axis."""

    name: str
    file: str
    start_s: float
    minutes: float = 30.0


# At 30 % charge: 5 s of rest, a 30 A pulse, a charge pulse, 19 min at 10 A, then rest.
HPPC = Slice("hppc_25c_at_30_percent", "cell-low-current-hppc-25c.csv", 48_760.0)
# The last 25 minutes of a 1C discharge down to 3.0 V and 5 minutes of rest behind it.
DISCHARGE = Slice("discharge_1c_to_empty", "cell-discharge-bitrode-1c.csv", 12_154.0)


def archive() -> Path:
    """The source archive, fetched once by pip into the tests' cache."""
    path = CACHE / ARCHIVE
    if not path.exists():
        CACHE.mkdir(parents=True, exist_ok=True)
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-binary", "celljar"]
        subprocess.run([*command, "--dest", str(CACHE), RELEASE], check=True)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    assert digest == SHA256, f"{path} has digest {digest}, expected {SHA256}"
    return path


def record(file: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """time_s, current_a (positive while discharging) and volts of one record, each (rows,)."""
    with tarfile.open(archive()) as tar:
        member = tar.extractfile(f"{FOLDER}/{file}")
        assert member is not None
        text = member.read().decode()
    rows = [row for row in csv.reader(text.splitlines()) if len(row) > 9 and row[0] == "No"]
    values = np.array([[float(row[1]), -float(row[8]), float(row[9])] for row in rows])
    return values[:, 0], values[:, 1], values[:, 2]


def write_slice(piece: Slice, path: Path) -> int:
    """Write the slice at 10 Hz as a one-group trace CSV at the record's own resolution; returns the rows."""
    time_s, current_a, volts = record(piece.file)
    grid = np.arange(round(piece.minutes * 60 * RATE_HZ)) / RATE_HZ
    current = np.interp(piece.start_s + grid, time_s, current_a)
    volt = np.interp(piece.start_s + grid, time_s, volts)
    with path.open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(["time_s", "group_01_v", "current_a"])
        out.writerows([f"{t:.1f}", f"{v:.4f}", f"{i:.3f}"] for t, v, i in zip(grid, volt, current, strict=True))
    return len(grid)

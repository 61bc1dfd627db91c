"""What the ride store costs. Law: ratios of measurements made here, on one ride of this file's own making.

The ride: 24 groups at 20 Hz for two hours, bursts of throttle, 2 mV rms of noise, resistances spread by 6 %. The same
integers go into our store, into wide SQLite rows and into one Parquet file (delta encoding, zstd) for comparison. Our
store is weighed twice: its chunks of samples alone, and the whole file with all that lies beside them, which are the
estimates that the estimator makes of this ride at 1 Hz, the levels and the overview.
`python tests/bench/bench_store.py [--seconds N]`, or `report()`.
"""

from __future__ import annotations

import argparse
import json
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.core import new_state, take
from sagwise_daemon.domain.model import AlarmEvent, AlarmState, Cell, Estimate, Pack, Priority, Reading, Readings
from sagwise_daemon.io.store import RideStart, Store
from sagwise_daemon.io.store.writer import FLUSH_EVERY_S

GROUPS, HZ, SECONDS, NOISE_V = 24, 20, 7200, 0.002
POINTS = 800
BLOCK_ROWS = 2000  # a whole number of seconds
CHUNKS_TO_PARQUET, FILE_TO_WIDE_ROWS, DISK_MB_PER_H = 1.05, 0.2, 30.0
FLUSH_ROWS = 120  # so that chunks are folded from as many seconds as live, within a tenth


@dataclass(frozen=True)
class Ints:
    """The ride as the wire's integers; rows in time."""

    uptime_us: np.ndarray
    group_500uv: np.ndarray
    current_ma: np.ndarray
    temperature_centi_c: np.ndarray
    distance_cm: np.ndarray

    def columns(self) -> dict[str, np.ndarray]:
        made = {"uptime_us": self.uptime_us, "current_ma": self.current_ma, "distance_cm": self.distance_cm}
        made |= {f"temperature_{n}_centi_c": row for n, row in enumerate(self.temperature_centi_c.T, 1)}
        return made | {f"group_{n:02d}_500uv": row for n, row in enumerate(self.group_500uv.T, 1)}


def low_pass(values: np.ndarray, tau_s: float) -> np.ndarray:
    keep = np.exp(-1 / (tau_s * HZ))
    out = np.empty_like(values)
    state = values[0]
    for n, value in enumerate(values.tolist()):
        state = keep * state + (1 - keep) * value
        out[n] = state
    return out


def make_ride(seconds: int, seed: int = 1) -> Ints:
    """Bursts of 20 to 140 A, some regen, three relaxation terms, groups that differ a little."""
    rng = np.random.default_rng(seed)
    count = seconds * HZ
    time_s = np.arange(count) / HZ
    amperes = low_pass(_throttle(rng, count), 0.15)
    drained = np.cumsum(np.maximum(amperes, -20)) / HZ
    soc = 0.98 - 0.9 * drained / max(drained[-1], 1.0)
    volts = (3.0 + 1.2 * soc - 0.35 * np.exp(-20 * soc))[:, None] + rng.normal(0, 0.004, GROUPS)
    for ohms, tau_s in ((0.0022, 0.0), (0.0007, 2.0), (0.0006, 20.0), (0.0009, 150.0)):
        flow = low_pass(amperes, tau_s) if tau_s else amperes
        volts -= flow[:, None] * ohms * rng.normal(1, 0.06, GROUPS)
    volts += rng.normal(0, NOISE_V, volts.shape)
    celsius = 25 + 20 * (1 - np.exp(-time_s / 2000))[:, None] + rng.normal(0, 0.03, (count, 4))
    metres = np.cumsum(np.clip(low_pass(amperes, 3.0) / 10, 0, 20)) / HZ
    return Ints(
        uptime_us=(np.rint(time_s * 1e6) + rng.integers(0, 20, count)).astype(np.int64) + 5_000_000,
        group_500uv=np.rint(volts * 2000).astype(np.int64),
        current_ma=np.rint((amperes + rng.normal(0, 0.1, count)) * 1000).astype(np.int64),
        temperature_centi_c=np.rint(celsius * 100).astype(np.int64),
        distance_cm=np.rint(metres * 100).astype(np.int64),
    )


def _throttle(rng: np.random.Generator, count: int) -> np.ndarray:
    amperes = np.zeros(count)
    at = 0
    while at < count:
        length = int(rng.exponential(4) * HZ) + 5
        pulls = rng.random() < 0.55
        amperes[at : at + length] = rng.uniform(20, 140) if pulls else rng.uniform(-15, 0) * (rng.random() < 0.2)
        at += length
    return amperes


def readings_of(ride: Ints) -> list[Reading]:
    volts, celsius = ride.group_500uv / 2000, ride.temperature_centi_c / 100
    stamps, amperes = ride.uptime_us.tolist(), (ride.current_ma / 1000).tolist()
    metres = (ride.distance_cm / 100).tolist()
    return [
        Reading(stamp / 1e6, volts[n], amperes[n], celsius[n], metres[n], 77, stamp) for n, stamp in enumerate(stamps)
    ]


def estimate_of(reading: Reading, ride_share: float) -> Estimate:
    """Rest a little above the reading's median, moving as an estimate moves."""
    rest = np.full(GROUPS, 4.1 - 0.8 * ride_share) + 0.001 * np.sin(np.arange(GROUPS) + 40 * ride_share)
    return Estimate(
        reading.time_s,
        rest_v=rest,
        rest_sigma_v=np.full(GROUPS, 0.008),
        ocv_v=rest + 0.012,
        resistance_mohm=np.linspace(2.8, 3.3, GROUPS) * (1 + 0.1 * ride_share),
        resistance_25c_mohm=np.linspace(2.8, 3.3, GROUPS),
        soc=np.full(GROUPS, 0.95 - 0.85 * ride_share),
        unknown=np.zeros(GROUPS, np.int8),
    )


def start_of(reading: Reading) -> RideStart:
    cell = Cell("nmc", 4.5, 4.2, 2.8, 14.0, 30.0, np.array([0.0, 1.0]), np.array([2.95, 4.18]))
    return RideStart(Pack("Otter", GROUPS, 5, cell, {}), 77, 1.76e9, True, reading.uptime_us, reading.time_s)


def estimates_of(ride: Ints) -> list[Estimate]:
    """What the estimator makes of the ride, one each second."""
    _, otter = built_in_pack("otter")
    state, made = new_state(replace(otter, series=GROUPS)), []
    for first in range(0, len(ride.uptime_us), BLOCK_ROWS):
        rows = slice(first, first + BLOCK_ROWS)
        block = take(state, Readings(
            ride.uptime_us[rows] / 1e6, ride.group_500uv[rows] / 2000, ride.current_ma[rows] / 1000,
            ride.temperature_centi_c[rows] / 100, ride.distance_cm[rows] / 100,
        )).estimates  # fmt: skip
        made += [block.row(row) for row in range(0, len(block.time_s), HZ)]
    return made


def store_ride(path: Path, ride: Ints) -> dict[str, float]:
    """Into our store as fast as it takes it, with everything that a live ride has."""
    readings, made = readings_of(ride), estimates_of(ride)
    with Store.open(path) as store:
        recorder = store.recorder
        ride_id = recorder.begin_ride(start_of(readings[0]))
        began = time.perf_counter()
        for number, reading in enumerate(readings):
            recorder.append(ride_id, reading)
            if number % HZ == 0:
                recorder.append_estimate(ride_id, made[number // HZ])
            if number % FLUSH_ROWS == FLUSH_ROWS - 1:
                recorder.flush(60)
        recorder.flush(60)
        took_s = time.perf_counter() - began
        recorder.end_ride(ride_id, "standstill")
        recorder.flush(60)
        while not store.rides.has_overview(ride_id):
            time.sleep(0.05)
    count = len(readings)
    return {
        "ours_chunks": query(path, "SELECT sum(length(blob)) FROM chunks WHERE kind = 1") / count,
        "ours_estimates": query(path, "SELECT sum(length(blob)) FROM chunks WHERE kind = 2") / count,
        "ours_levels": query(path, "SELECT sum(length(blob)) FROM chunks WHERE kind > 2") / count,
        "ours_overview": query(path, "SELECT sum(length(body)) FROM overviews") / count,
        "ours_file": path.stat().st_size / count,
        "write_samples_per_s": count / took_s,
    }


def live(path: Path, ride: Ints, seconds: int = 1800) -> dict[str, float]:
    """A commit every `FLUSH_EVERY_S` of riding with estimates at 1 Hz, without the waiting: what reaches the disk, and
    how long an event takes.
    """
    readings = readings_of(ride)[: seconds * HZ]
    flush_rows = round(FLUSH_EVERY_S * HZ)
    event = AlarmEvent(1.0, "rest_low", 3, AlarmState.UNACKNOWLEDGED, Priority.HIGH, 3.29, 3.3, "V")
    with Store.open(path) as store:
        ride_id = store.recorder.begin_ride(start_of(readings[0]))
        before = written_bytes()
        for number, reading in enumerate(readings):
            store.recorder.append(ride_id, reading)
            if number % HZ == 0:
                store.recorder.append_estimate(ride_id, estimate_of(reading, number / len(readings)))
            if number % flush_rows == flush_rows - 1:
                store.recorder.flush(60)
        written = written_bytes() - before
        waits = []
        for _ in range(100):
            began = time.perf_counter()
            store.recorder.event(event, ride_id, 1.76e9)[1].result(60)
            waits.append((time.perf_counter() - began) * 1e3)
        appended = time_of(lambda: store.recorder.append(ride_id, readings[0]), 500)
    return {
        "disk_mb_per_h": written / 1e6 / len(readings) * HZ * 3600,
        "event_commit_ms_median": statistics.median(waits),
        "event_commit_ms_max": max(waits),
        "append_us": appended * 1e3,
    }


def written_bytes() -> int:
    lines = Path("/proc/self/io").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))


def wide_rows(path: Path, ride: Ints) -> float:
    columns = ride.columns()
    connection = sqlite3.connect(path)
    names = ", ".join(f"{name} INTEGER" for name in columns)
    connection.execute(f"CREATE TABLE samples (sample_id INTEGER PRIMARY KEY, {names})")
    marks = ", ".join("?" * len(columns))
    rows = zip(*(column.tolist() for column in columns.values()), strict=True)
    connection.executemany(f"INSERT INTO samples ({', '.join(columns)}) VALUES ({marks})", rows)
    connection.commit()
    connection.execute("VACUUM")
    connection.close()
    return path.stat().st_size / len(ride.uptime_us)


def parquet(path: Path, ride: Ints) -> float:
    """The smallest over levels of zstd, delta encoded."""
    types = {"uptime_us": pa.int64(), "distance_cm": pa.int64()}
    columns = ride.columns()
    table = pa.table({name: pa.array(column, types.get(name, pa.int32())) for name, column in columns.items()})
    sizes = []
    for level in (1, 3, 9, 19):
        pq.write_table(
            table,
            path,
            compression="zstd",
            compression_level=level,
            use_dictionary=False,
            column_encoding=dict.fromkeys(columns, "DELTA_BINARY_PACKED"),
        )
        sizes.append(path.stat().st_size / len(ride.uptime_us))
    return min(sizes)


def query(path: Path, sql: str) -> float:
    connection = sqlite3.connect(path)
    value = connection.execute(sql).fetchone()[0]
    connection.close()
    return float(value)


def time_of(work: Callable[[], object], count: int) -> float:
    """Median milliseconds."""
    took = []
    for _ in range(count):
        began = time.perf_counter()
        work()
        took.append((time.perf_counter() - began) * 1e3)
    return statistics.median(took)


def envelopes(path: Path) -> dict[str, float]:
    """Milliseconds for the whole ride at a phone's width."""
    groups = [f"group_{n:02d}_v" for n in range(1, GROUPS + 1)]
    with Store.open(path) as store:
        ask = store.rides.envelope
        duration_s = store.rides.ride(1).duration_s
        return {
            "envelope_loaded_ms": time_of(lambda: ask(1, ["loaded_v"], POINTS), 9),
            "envelope_current_ms": time_of(lambda: ask(1, ["current_a"], POINTS), 9),
            "envelope_all_groups_ms": time_of(lambda: ask(1, groups, POINTS), 9),
            "envelope_minute_ms": time_of(lambda: ask(1, ["loaded_v"], POINTS, duration_s / 2, duration_s / 2 + 60), 9),
        }


HELD = """
import sys
from pathlib import Path
from sagwise_daemon.io.store.engine import reader_engine
from sagwise_daemon.io.store.history import History
path = Path(sys.argv[1])
history = History(reader_engine(path), path)
channels = ["loaded_v", "rest_v", "current_a", "temperature_c"]
for work in (lambda: None, lambda: history.summary(1), lambda: history.compare([1, 1], "energy", channels, 200)):
    work()
    status = Path("/proc/self/status").read_text()  # the resource module would tell of the parent's peak as well
    print(int(status.split("VmHWM:")[1].split()[0]) / 1024)
"""


def archive_mb(path: Path) -> dict[str, float]:
    """Peak memory of the process that reads whole rides: before, after a summary, after a comparison as well."""
    done = subprocess.run([sys.executable, "-c", HELD, str(path)], capture_output=True, text=True, check=True)
    names = ("archive_idle_mb", "archive_summary_mb", "archive_compare_mb")
    return dict(zip(names, map(float, done.stdout.split()), strict=True))


def report(seconds: int = SECONDS) -> dict[str, Any]:
    """All figures; bytes are a sample of 24 groups, 4 temperatures, current, distance and stamp."""
    ride = make_ride(seconds)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        figures = store_ride(folder / "ours.sqlite", ride)
        figures |= envelopes(folder / "ours.sqlite")
        figures |= archive_mb(folder / "ours.sqlite")
        figures |= live(folder / "live.sqlite", ride)
        figures["wide_rows"] = wide_rows(folder / "wide.sqlite", ride)
        figures["parquet"] = parquet(folder / "ride.parquet", ride)
    figures["ours_to_parquet"] = figures["ours_chunks"] / figures["parquet"]
    figures["ours_file_to_parquet"] = figures["ours_file"] / figures["parquet"]
    figures["ours_file_to_wide_rows"] = figures["ours_file"] / figures["wide_rows"]
    holds = {
        "chunks_to_parquet": figures["ours_to_parquet"] <= CHUNKS_TO_PARQUET,
        "file_to_wide_rows": figures["ours_file_to_wide_rows"] <= FILE_TO_WIDE_ROWS,
        "disk_mb_per_h": figures["disk_mb_per_h"] <= DISK_MB_PER_H,
    }
    rounded = {name: round(value, 4) for name, value in figures.items()}
    return {"samples": len(ride.uptime_us), **rounded, "holds": holds}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=SECONDS)
    print(json.dumps(report(parser.parse_args().seconds), indent=2))


if __name__ == "__main__":
    main()

"""Killed at any moment, torn at any byte. Law: what was promised is there, samples at most 2 s behind, nothing is half.

SIGKILL leaves the kernel's pages intact and so proves nothing about sync; the torn log stands in for the power cut:
SQLite checksums every frame of its write-ahead log, and recovery has to end at the last whole commit before the damage.
"""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.columns import CLOCK, GROUP, Table
from sagwise_daemon.io.store.totals import Totals, advance

CHILD = Path(__file__).parent / "riding_child.py"
BEHIND_S = 2.0
STORES = 3


@dataclass
class Promises:
    """What a killed child had said."""

    killed_s: float = 0.0
    ride_id: int = 0
    first: int = 0
    samples: list[tuple[int, float]] = field(default_factory=list)
    events: list[int] = field(default_factory=list)


def ride_until_killed(path: Path, after_s: float) -> Promises:
    child = subprocess.Popen([sys.executable, str(CHILD), str(path)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    first = child.stdout.readline()
    time.sleep(after_s)
    made = Promises(killed_s=time.monotonic())
    child.send_signal(signal.SIGKILL)
    rest = child.stdout.read()
    child.wait()
    child.stdout.close()
    for line in (first + rest).splitlines():
        match line.split():
            case ["R", ride_id, number]:
                made.ride_id, made.first = int(ride_id), int(number)
            case ["S", number, handed_s]:
                made.samples.append((int(number), float(handed_s)))
            case ["E", event_id]:
                made.events.append(int(event_id))
    return made


def numbers_of(table: Table) -> list[int]:
    """Which readings these are, by the board's uptime."""
    uptime = table.block(CLOCK).values[0] + table.time_us
    return np.rint((uptime - 1_000_000) / 1e6).astype(int).tolist()


def check(path: Path, made: Promises, readings, known: set[int]) -> set[int]:
    """Everything promised is there and the ride is whole; returns the numbers stored."""
    with Store.open(path) as store:
        stored = {event.event_id for event in store.rides.events(made.ride_id, limit=100_000)}
        assert stored >= set(made.events)
        ride, table = store.rides.ride(made.ride_id), store.rides.samples(made.ride_id)
        if table is None:
            numbers: list[int] = []
        else:
            numbers = numbers_of(table)
            assert np.all(np.diff(table.time_us) > 0)
            sent = np.stack([readings(n, time_s=0.0, hz=1.0).group_v for n in numbers])
            np.testing.assert_array_equal(table.floats(GROUP).T, sent)
            whole, _ = advance(Totals(), None, table)
            assert (ride.samples, ride.duration_s) == (table.rows, whole.duration_s)
            assert ride.energy_wh == pytest.approx(whole.energy_wh)
            assert ride.charge_ah == pytest.approx(whole.charge_ah)
            assert ride.loaded_min_v == whole.loaded_min_v
        assert ride.alarms == len(stored) and ride.ended_by is None
        due = {number for number, handed_s in made.samples if handed_s <= made.killed_s - BEHIND_S}
        assert set(numbers) >= due | known
        return set(numbers)


def kills(path: Path, lives_s: Sequence[float], readings) -> tuple[int, int]:
    """One store, killed after each of these times; events that were promised, and samples."""
    known: set[int] = set()
    promised = 0
    for life_s in lives_s:
        made = ride_until_killed(path, life_s)
        known = check(path, made, readings, known)
        promised += len(made.events)
    with Store.open(path) as store:
        assert len(store.rides.rides()) == 1
        assert {gap.cause for gap in store.rides.gaps(made.ride_id)} == {"restart"}
    return promised, len(known)


def check_kills(count: int, seed: int, empty_store: Path, folder: Path, readings) -> None:
    """Several stores side by side, since most of the time is spent riding."""
    rng = random.Random(seed)
    lives_s = [rng.uniform(0.05, 4.0) for _ in range(count)]
    paths = [Path(shutil.copy(empty_store, folder / f"rides-{number}.sqlite")) for number in range(STORES)]
    with ThreadPoolExecutor(STORES) as threads:
        going = [threads.submit(kills, path, lives_s[n::STORES], readings) for n, path in enumerate(paths)]
        promised, known = map(sum, zip(*(one.result() for one in going), strict=True))
    print(f"{count} kills, {promised} events promised and {known} samples, all stored")
    assert promised > count and known > 20 * count


@pytest.mark.slow
def test_killed_fifteen_times(empty_store: Path, tmp_path: Path, readings) -> None:
    check_kills(15, 2, empty_store, tmp_path, readings)


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_killed_two_hundred_times(empty_store: Path, tmp_path: Path, readings) -> None:
    check_kills(200, 3, empty_store, tmp_path, readings)


def commits_without_checkpoint(path: Path, folder: Path, start, readings, event) -> list[tuple[int, int, int]]:
    """Rides with a commit now and then; copies file and log as a power cut would leave them.

    Returns size of the log, samples and events after each commit.
    """
    log = Path(f"{path}-wal")
    with Store.open(path) as store:
        recorder = store.recorder
        ride_id = recorder.begin_ride(start())
        done = [(log.stat().st_size, 0, 0)]
        for number in range(240):
            recorder.append(ride_id, readings(number))
            if number % 20 == 19:
                recorder.flush()
                done.append((log.stat().st_size, number + 1, done[-1][2]))
            if number % 60 == 59:
                recorder.event(event(), ride_id, 1.0)[1].result(10)
                done.append((log.stat().st_size, done[-1][1], done[-1][2] + 1))
        shutil.copy(path, folder / path.name)
        shutil.copy(log, folder / log.name)
    return done


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.slow
def test_a_torn_log_leaves_the_commits_before_the_damage(fresh: Path, start, readings, event, seed: int) -> None:
    folder = fresh.parent / "cut"
    folder.mkdir()
    done = commits_without_checkpoint(fresh, folder, start, readings, event)
    assert [size for size, *_ in done] == sorted(size for size, *_ in done)
    whole = (folder / f"{fresh.name}-wal").read_bytes()
    rng = random.Random(seed)
    for attempt in range(15):
        offset = rng.randrange(len(whole)) if attempt else len(whole)
        torn = folder / f"torn-{attempt}.sqlite"
        shutil.copy(folder / fresh.name, torn)
        damaged = whole[:offset] if rng.random() < 0.5 else whole[:offset] + rng.randbytes(len(whole) - offset)
        Path(f"{torn}-wal").write_bytes(damaged)
        samples, events = max(((s, e) for size, s, e in done if size <= offset), default=(0, 0))
        with Store.open(torn) as store:
            table = store.rides.samples(1) if store.rides.rides() else None
            assert (0 if table is None else table.rows) == samples
            assert len(store.rides.events()) == events
            if table is not None:
                sent = np.stack([readings(number).group_v for number in range(samples)])
                np.testing.assert_array_equal(table.floats(GROUP).T, sent)
                assert store.rides.ride(1).samples == samples
            store.recorder.event(event(), None, 1.0)[1].result(10)

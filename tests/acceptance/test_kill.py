"""Killing the daemon at random moments. Law: what the board was told of is on disk, and samples are at most 2 s behind.

SIGKILL says nothing about the disk's own caches; the store's tests tear the write-ahead log as well.
"""

from __future__ import annotations

import random
import signal
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from daemon_process import Daemon, wait_for
from ride_scenario import RESTLESS, pull_and_coast

from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.columns import CLOCK
from sagwise_sim import PtyPort, build, load

BEHIND_S = 2.0


def stored_events(path: Path) -> set[int]:
    with sqlite3.connect(path) as database:
        return {row[0] for row in database.execute("select event_id from events")}


def stored_uptimes_s(path: Path) -> np.ndarray:
    """Board uptime of every stored sample, over all rides."""
    store = Store.open(path)
    try:
        tables = [store.rides.samples(ride.ride_id) for ride in store.rides.rides(limit=1000)]
        uptimes = [table.block(CLOCK).values[0] + table.time_us for table in tables if table is not None]
        return np.sort(np.concatenate(uptimes)) * 1e-6
    finally:
        store.close()


@pytest.mark.slow
@pytest.mark.alone
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("kills", [50, pytest.param(200, marks=pytest.mark.long)])
def test_kills_lose_no_event_and_two_seconds_of_samples_at_most(
    tmp_path: Path, make_daemon: Callable[..., Daemon], kills: int
) -> None:
    dice = random.Random(2026)
    simulation = build(load(pull_and_coast(tmp_path / "ride.toml")))
    board = simulation.board
    port = PtyPort(board, tmp_path / "board")
    daemon = make_daemon(tmp_path / "board", extra=RESTLESS)
    port.start()
    lives: list[tuple[float, float]] = []  # board uptime when the daemon spoke, and when it was killed
    try:
        for _ in range(kills):
            told = len(board.told)
            daemon.start()
            wait_for(lambda: any(entry.event_id for entry in board.told[told:]), 20, "the board is told of an event")  # noqa: B023
            spoke_s = board.now_us * 1e-6
            time.sleep(dice.uniform(0.0, 3.0))
            killed_s = board.now_us * 1e-6
            daemon.stop(signal.SIGKILL)
            lives.append((spoke_s, killed_s))
            missing = {entry.event_id for entry in board.told if entry.event_id} - stored_events(daemon.store)
            assert not missing
        daemon.start()
        wait_for(daemon.answers, 20, "the page after the last kill")
        rides = daemon.get("/rides", daemon.pair())["rides"]
        assert sum(ride["samples"] for ride in rides) > 0
        assert daemon.stop() == 0
    finally:
        port.stop()
    told = [entry.event_id for entry in board.told if entry.event_id]
    print(f"{kills} kills, {len(told)} patterns told with an event, all stored")
    uptimes = stored_uptimes_s(daemon.store)
    for spoke_s, killed_s in lives:
        kept = uptimes[(uptimes >= spoke_s) & (uptimes <= killed_s - BEHIND_S)]
        due = int((killed_s - BEHIND_S - spoke_s) * 20)
        assert len(kept) >= due - 1
        assert len(kept) < 2 or np.diff(kept).max() < 0.0501

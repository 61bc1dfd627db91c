"""Killing the daemon at random moments. Law: what the board was told of is on disk, and samples are at most 2 s behind.

SIGKILL says nothing about the disk's own caches; the store's tests tear the write-ahead log as well.
"""

from __future__ import annotations

import random
import signal
import sqlite3
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from daemon_process import Daemon, wait_for
from ride_scenario import RESTLESS, pull_and_coast

from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.columns import CLOCK
from sagwise_sim import PtyPort, build, load
from sagwise_sim.board import Board

BEHIND_S = 2.0
BIKES = 2


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


@dataclass
class Bike:
    """A board that goes on, and the daemon that is killed."""

    board: Board
    daemon: Daemon
    dice: random.Random
    lives: list[tuple[float, float]] = field(default_factory=list)  # board uptime when the daemon spoke, when killed

    def told(self) -> list[int]:
        """The events that the board was told of."""
        return [entry.event_id for entry in self.board.told if entry.event_id]

    def kill(self, times: int) -> None:
        """Start and kill the daemon; what the board was told of is in the store after each."""
        for _ in range(times):
            told = len(self.told())
            self.daemon.start()
            wait_for(lambda: len(self.told()) > told, 20, "the board is told of an event")  # noqa: B023
            spoke_s = self.board.now_us * 1e-6
            time.sleep(self.dice.uniform(0.0, 3.0))  # the random moment
            killed_s = self.board.now_us * 1e-6
            self.daemon.stop(signal.SIGKILL)
            self.lives.append((spoke_s, killed_s))
            assert not set(self.told()) - stored_events(self.daemon.store)

    def open_again(self) -> None:
        """The daemon starts after the last kill, and shows the rides."""
        self.daemon.start()
        wait_for(self.daemon.answers, 20, "the page after the last kill")
        rides = self.daemon.get("/rides", self.daemon.pair())["rides"]
        assert sum(ride["samples"] for ride in rides) > 0
        assert self.daemon.stop() == 0

    def judge_samples(self) -> float:
        """All but the last two seconds of every life are there; the most that was missing, seconds."""
        uptimes, most_s = stored_uptimes_s(self.daemon.store), 0.0
        for spoke_s, killed_s in self.lives:
            kept = uptimes[(uptimes >= spoke_s) & (uptimes <= killed_s - BEHIND_S)]
            due = int((killed_s - BEHIND_S - spoke_s) * 20)
            assert len(kept) >= due - 1
            assert len(kept) < 2 or np.diff(kept).max() < 0.0501
            most_s = max(most_s, killed_s - uptimes[uptimes <= killed_s].max(initial=spoke_s))
        return most_s


@pytest.fixture
def bikes(tmp_path: Path, make_daemon: Callable[..., Daemon]) -> Iterator[list[Bike]]:
    """So many at once as two processors start without being late."""
    ports = []
    made = []
    for number in range(BIKES):
        folder = tmp_path / f"bike-{number}"
        folder.mkdir()
        board = build(load(pull_and_coast(folder / "ride.toml"))).board
        ports.append(PtyPort(board, folder / "board"))
        daemon = make_daemon(folder / "board", extra=RESTLESS, folder=folder)
        made.append(Bike(board, daemon, random.Random(2026 + number)))
    try:
        for port in ports:
            port.start()
        yield made
    finally:
        for port in ports:
            port.stop()


@pytest.mark.slow
@pytest.mark.calm
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("kills", [50, pytest.param(200, marks=pytest.mark.long)])
def test_kills_lose_no_event_and_two_seconds_of_samples_at_most(bikes: list[Bike], kills: int) -> None:
    with ThreadPoolExecutor(BIKES) as threads:
        list(threads.map(lambda bike: bike.kill(kills // BIKES), bikes))
    for bike in bikes:
        bike.open_again()
    most_s = max(bike.judge_samples() for bike in bikes)
    told = sum(len(bike.told()) for bike in bikes)
    assert sum(len(bike.lives) for bike in bikes) == kills
    print(f"{kills} kills, {told} patterns told with an event, all stored; at most {most_s:.2f} s of samples lost")

"""Whether recording is in trouble. Law: one sentence that says what is wrong; nothing is called well that is not."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.inbox import Inbox, Sample
from sagwise_daemon.io.store.trouble import BEHIND_S, FREE_BYTES, trouble


@dataclass
class Recording:
    fails: bool = False
    late_s: float = 0.0

    def failing(self) -> bool:
        return self.fails

    def behind_s(self) -> float:
        return self.late_s


def free(monkeypatch: pytest.MonkeyPatch, blocks: int) -> None:
    """A disk with so many blocks of 4 kB for users."""
    disk = os.statvfs_result((4096, 4096, 10**6, blocks, blocks, 0, 0, 0, 0, 255))
    monkeypatch.setattr(os, "statvfs", lambda place: disk)


def test_all_is_well(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    free(monkeypatch, FREE_BYTES // 4096 + 1)
    assert trouble(tmp_path / "rides.sqlite", Recording(late_s=BEHIND_S)) is None


def test_the_worst_is_said_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    free(monkeypatch, 2900)
    path = tmp_path / "rides.sqlite"
    assert "cannot be written" in str(trouble(path, Recording(fails=True, late_s=60)))
    assert "60 s behind" in str(trouble(path, Recording(late_s=60)))
    assert "12 MB are left" in str(trouble(path, Recording()))
    monkeypatch.undo()
    assert "No such file" in str(trouble(tmp_path / "gone" / "rides.sqlite", Recording()))


def test_the_oldest_that_waits_counts_also_while_it_is_written(readings) -> None:
    inbox = Inbox(100)
    assert inbox.oldest_s() is None
    for number in range(3):
        inbox.put(Sample(1, readings(number), 50.0 + number))
    assert inbox.oldest_s() == 50.0
    taken = inbox.take(2)
    assert inbox.oldest_s() == 50.0
    inbox.give_back(taken)
    assert inbox.oldest_s() == 50.0
    inbox.take(2)
    inbox.stored()
    assert inbox.oldest_s() == 52.0
    inbox.take(2)
    inbox.stored()
    assert inbox.oldest_s() is None


def test_a_store_that_records_is_well(store: Store, ridden) -> None:
    ridden(store, 100)
    store.recorder.flush()
    assert not store.recorder.failing() and store.recorder.behind_s() == 0.0


def test_a_row_that_can_never_be_stored_is_no_fault_of_the_disk(store: Store, event) -> None:
    number, done = store.recorder.event(event(), 4711, time.time())  # of a ride that there is not
    assert number and done.exception(10) is not None
    assert not store.recorder.failing()

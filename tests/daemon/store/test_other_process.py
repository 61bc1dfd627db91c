"""The process that reads whole rides. Law: the same errors as here, a new one when one dies, and none left behind."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.archive import ArchiveAside

pytestmark = pytest.mark.slow


@pytest.fixture
def aside(store: Store, ridden) -> Iterator[ArchiveAside]:
    ridden(store, 200, ended_by="standstill")
    made = ArchiveAside(store.path)
    yield made
    made.close()


def child(aside: ArchiveAside) -> int:
    process = aside._process._process
    assert process is not None
    return process.pid


def test_the_same_errors(aside: ArchiveAside) -> None:
    with pytest.raises(KeyError):
        aside.health("a pack that nobody has")
    with pytest.raises(ValueError, match="power_w"):
        aside.compare([1], "time", ["power_w"], 50)
    assert aside.health("Otter 16s5p")["series"] == 4


def test_a_process_that_dies_is_started_again(aside: ArchiveAside) -> None:
    aside.health("Otter 16s5p")
    os.kill(child(aside), signal.SIGKILL)
    assert aside.health("Otter 16s5p")["series"] == 4


def test_none_is_left_after_the_end(aside: ArchiveAside) -> None:
    aside.health("Otter 16s5p")
    pid = child(aside)
    aside.close()
    assert not Path(f"/proc/{pid}").exists()

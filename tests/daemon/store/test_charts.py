"""Charts of the daemon. Law: the same as in a thread here, drawn where no reading waits for them, none left behind."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator

import numpy as np
import pytest

from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.charts import RidesAside

pytestmark = pytest.mark.slow


@pytest.fixture
def aside(store: Store, ridden) -> Iterator[RidesAside]:
    ride_id = ridden(store, 1500, ended_by="standstill")
    until = time.monotonic() + 20
    while not store.rides.has_overview(ride_id):
        assert time.monotonic() < until, "no overview was made"
        time.sleep(0.02)
    made = RidesAside(store.path)
    yield made
    made.close()


def child(aside: RidesAside) -> int:
    process = aside._process._process
    assert process is not None
    return process.pid


def test_a_chart_is_the_same_and_drawn_at_low_priority(store: Store, aside: RidesAside) -> None:
    """Priority counts within a session only (autogroup, sched(7)): the other process must not have one of its own."""
    got = aside.envelope(1, ["group_02_v", "rest_v"], 40, 3.0, 30.0)
    here = store.rides.envelope(1, ["group_02_v", "rest_v"], 40, 3.0, 30.0)
    assert got.channels == here.channels
    for name in ("time_s", "low", "high"):
        np.testing.assert_array_equal(getattr(got, name), getattr(here, name))
    pid = child(aside)
    assert os.getpriority(os.PRIO_PROCESS, pid) >= min(19, os.getpriority(os.PRIO_PROCESS, 0) + 10)
    assert os.getsid(pid) == os.getsid(0) and os.getpgid(pid) == pid != os.getpgid(0)
    with pytest.raises(KeyError):
        aside.envelope(99, ["loaded_v"], 10)
    with pytest.raises(ValueError, match="group_05_v"):
        aside.envelope(1, ["group_05_v"], 10)


def test_an_overview_is_sent_from_the_shelf_and_brings_the_other_process_up(store: Store, aside: RidesAside) -> None:
    assert aside._process._process is None
    assert aside.overview(1, ["loaded_v"]) == store.rides.overview(1, ["loaded_v"])
    os.kill(child(aside), signal.SIGKILL)
    assert aside.envelope(1, ["loaded_v"], 10).low.shape == (1, 10)
    pid = child(aside)
    aside.close()
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)

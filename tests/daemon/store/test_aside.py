"""Charts by another process. Law: the same answers and errors, a new process when one dies, and none left behind."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.model import Reading
from sagwise_daemon.io.store import RideStart, Store
from sagwise_daemon.io.store.aside import RidesAside


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    _, pack = built_in_pack("otter")
    with Store.open(tmp_path / "rides.sqlite") as made:
        ride_id = made.recorder.begin_ride(RideStart(pack, 1, 1.7e9, True, 0, 0.0))
        for row in range(200):
            volts = np.full(pack.series, 3.9 - row * 0.001)
            made.recorder.append(ride_id, Reading(row / 20, volts, 30.0, np.array([25.0]), row / 4, 1, row * 50_000))
        made.recorder.end_ride(ride_id, "standstill")
        made.recorder.flush()
        yield made


@pytest.fixture
def aside(store: Store) -> Iterator[RidesAside]:
    made = RidesAside(store.rides, store.path)
    yield made
    made.close()


def child(aside: RidesAside) -> int:
    process = aside._process._process
    assert process is not None
    return process.pid


@pytest.mark.slow
def test_the_same_envelope_as_in_this_process(store: Store, aside: RidesAside) -> None:
    here, there = (rides.envelope(1, ["loaded_v", "current_a"], 50) for rides in (store.rides, aside))
    assert here.channels == there.channels
    for name in ("time_s", "low", "high"):
        np.testing.assert_array_equal(getattr(here, name), getattr(there, name))


@pytest.mark.slow
def test_the_same_errors(aside: RidesAside) -> None:
    with pytest.raises(KeyError):
        aside.envelope(99, ["loaded_v"], 50)
    with pytest.raises(ValueError, match="power_w"):
        aside.envelope(1, ["power_w"], 50)
    assert aside.envelope(1, ["loaded_v"], 50).low.shape == (1, 50)


@pytest.mark.slow
def test_a_process_that_dies_is_started_again(aside: RidesAside) -> None:
    aside.envelope(1, ["loaded_v"], 50)
    os.kill(child(aside), signal.SIGKILL)
    assert aside.envelope(1, ["loaded_v"], 50).low.shape == (1, 50)


@pytest.mark.slow
def test_none_is_left_after_the_end(aside: RidesAside) -> None:
    aside.envelope(1, ["loaded_v"], 50)
    pid = child(aside)
    aside.close()
    assert not Path(f"/proc/{pid}").exists()

"""Many readers beside the writer. Law: what they see is whole and grows; closing leaves no thread, no open file."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.io.store import Store

pytestmark = pytest.mark.slow


def open_files(path: Path) -> list[str]:
    links = [link for link in Path("/proc/self/fd").iterdir() if link.exists()]
    return [str(link.readlink()) for link in links if str(link.readlink()).startswith(str(path))]


def test_eight_readers_while_a_ride_is_written(store: Store, start, readings, estimates, event) -> None:
    recorder = store.recorder
    ride_id = recorder.begin_ride(start())
    recorder.append(ride_id, readings(0))
    recorder.flush()
    stop, faults, looks = threading.Event(), [], [0] * 8

    def look(number: int) -> None:
        seen = 0
        try:
            while not stop.is_set():
                ride = store.rides.ride(ride_id)
                table = store.rides.samples(ride_id)
                assert table is not None and table.rows >= ride.samples >= seen
                assert np.all(np.diff(table.time_us) == 50_000)
                envelope = store.rides.envelope(ride_id, ["loaded_v", "current_a"], 50)
                assert np.isfinite(envelope.low[0, 0])
                assert len(store.rides.events(ride_id)) <= 10
                seen = ride.samples
                looks[number] += 1
        except BaseException as fault:
            faults.append(fault)

    threads = [threading.Thread(target=look, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    futures = []
    for number in range(1, 3000):
        recorder.append(ride_id, readings(number))
        recorder.append_estimate(ride_id, estimates(number))
        if number % 300 == 0:
            futures.append(recorder.event(event(), ride_id, 1.0)[1])
            recorder.flush()
    stop.set()
    for thread in threads:
        thread.join(60)
    assert not faults and min(looks) > 0
    assert all(future.done() and future.exception() is None for future in futures)
    recorder.flush()
    assert store.rides.ride(ride_id).samples == 3000
    log = Path(f"{store.path}-wal")
    assert log.stat().st_size < 16_000_000  # the readers did not starve the checkpoint


def test_closing_leaves_no_thread_and_no_open_file(fresh: Path, ridden) -> None:
    threads = threading.active_count()
    for _ in range(20):
        with Store.open(fresh) as store:
            ridden(store, 3, ended_by="stopped")
            readers = [threading.Thread(target=lambda s=store: s.rides.rides()) for _ in range(3)]
            for reader in readers:
                reader.start()
            for reader in readers:
                reader.join()
            assert open_files(fresh)
    assert threading.active_count() == threads
    assert open_files(fresh) == []


def test_two_processes_record_into_one_store(fresh: Path, ridden, event) -> None:
    """As the demo does. Two stores in one process are two connections and two reserves, which is the same to SQLite."""
    with Store.open(fresh) as one, Store.open(fresh) as other:
        rides, events = [], []
        for _ in range(6):
            for store in (one, other):
                rides.append(ridden(store, 10, ended_by="stopped"))
                event_id, done = store.recorder.event(event(), rides[-1], 1.0)
                done.result(10)
                events.append(event_id)
        assert len(set(rides)) == len(set(events)) == 12
        assert {ride.samples for ride in one.rides.rides()} == {10} and len(other.rides.events()) == 12

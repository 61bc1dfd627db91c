"""A ride taken up again. Law: its time goes on by the board's uptime, its totals go on, and it says so."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.domain.model import Reading
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.columns import SAMPLES
from sagwise_daemon.io.store.tables import chunks, pieces


def cut_off(path: Path, ridden, count: int = 100) -> int:
    """A ride left open, as after a power cut."""
    with Store.open(path) as store:
        return int(ridden(store, count))


def again(reading: Reading, moved_s: float, **changes: object) -> Reading:
    """The same reading by the clock of a daemon that began anew."""
    return replace(reading, time_s=reading.time_s + moved_s, **changes)


def test_the_same_boot_goes_on_by_its_uptime(fresh: Path, ridden, readings, estimates, event) -> None:
    ride_id = cut_off(fresh, ridden)
    with Store.open(fresh) as store:
        left = store.recorder.unfinished()
        assert left is not None
        assert (left.ride_id, left.boot_id, left.samples) == (ride_id, 7, 100)
        assert (left.pack, left.series) == ("Otter 16s5p", 4)
        assert left.uptime_us == readings(99).uptime_us
        assert left.away_s is not None and 0 < left.away_s < 60
        assert store.recorder.unfinished() is None
        unplaced, done = store.recorder.event(event(3.0), ride_id, 1.0)
        done.result(10)
        for number in range(140, 200):
            store.recorder.append(ride_id, again(readings(number), -100.0))
            store.recorder.append_estimate(ride_id, replace(estimates(number), time_s=number / 20))
        placed, _ = store.recorder.event(event(8.0), ride_id, 2.0)
        store.recorder.flush()
        placed, _ = store.recorder.event(event(8.0), ride_id, 3.0)
        store.recorder.end_ride(ride_id, "standstill")
        store.recorder.flush()
        table = store.rides.samples(ride_id)
        assert table.time_us.tolist() == [n * 50_000 for n in [*range(100), *range(140, 200)]]
        (gap,) = store.rides.gaps(ride_id)
        assert (gap.cause, gap.first_time_us, gap.last_time_us) == ("restart", 4_950_000, 7_000_000)
        assert {e.event_id: e.ride_s for e in store.rides.events(ride_id)}[unplaced] is None
        assert {e.event_id: e.ride_s for e in store.rides.events(ride_id)}[placed] == 8.0
        assert len(store.rides.boots(ride_id)) == 1
        assert store.rides.estimates(ride_id).time_us.tolist() == [n * 1_000_000 for n in (0, 1, 2, 3, 4, 7, 8, 9)]


def test_totals_go_on(fresh: Path, ridden, readings, tmp_path: Path) -> None:
    ride_id = cut_off(fresh, ridden)
    with Store.open(fresh) as store:
        store.recorder.unfinished()
        for number in range(100, 200):
            store.recorder.append(ride_id, again(readings(number), -50.0))
        store.recorder.flush()
        got = store.rides.ride(ride_id)
        other = ridden(store, 200)
        whole = store.rides.ride(other)
    for name in ("duration_s", "samples", "energy_wh", "charge_ah", "distance_m", "current_max_a", "loaded_min_v"):
        assert getattr(got, name) == pytest.approx(getattr(whole, name), rel=1e-12), name


def test_another_boot_is_at_least_its_uptime_later(fresh: Path, ridden, readings) -> None:
    ride_id = cut_off(fresh, ridden)
    with Store.open(fresh) as store:
        store.recorder.unfinished()
        store.recorder.append(ride_id, again(readings(0), -90.0, boot_id=8, uptime_us=300_000_000))
        store.recorder.append(ride_id, again(readings(1), -90.0, boot_id=8, uptime_us=300_050_000))
        store.recorder.flush()
        table = store.rides.samples(ride_id)
        assert table.time_us[-2] - table.time_us[-3] >= 300_000_000
        assert table.time_us[-1] - table.time_us[-2] == 50_000
        assert [boot.boot_id for boot in store.rides.boots(ride_id)] == [7, 8]


def test_it_can_be_closed_instead(fresh: Path, ridden) -> None:
    ride_id = cut_off(fresh, ridden)
    with Store.open(fresh) as store:
        left = store.recorder.unfinished()
        store.recorder.end_ride(left.ride_id, "power")
        store.recorder.flush()
        assert store.rides.ride(ride_id).ended_by == "power"
        assert store.rides.samples(ride_id).rows == 100
    with Store.open(fresh) as store:
        assert store.recorder.unfinished() is None


def test_of_several_the_newest_is_offered_and_the_others_end(fresh: Path, ridden) -> None:
    first, second = cut_off(fresh, ridden), cut_off(fresh, ridden)
    with Store.open(fresh) as store:
        assert store.recorder.unfinished().ride_id == second
        store.recorder.flush()
        assert store.rides.ride(first).ended_by == "power" and store.rides.ride(second).ended_by is None


def test_a_ride_cut_off_before_its_first_sample(fresh: Path, start, readings, event) -> None:
    with Store.open(fresh) as store:
        ride_id = store.recorder.begin_ride(start(boot_id=21, uptime_us=5))
        store.recorder.event(event(), ride_id, 1.0)[1].result(10)
    with Store.open(fresh) as store:
        left = store.recorder.unfinished()
        assert (left.ride_id, left.boot_id, left.uptime_us, left.samples) == (ride_id, 21, 5, 0)
        store.recorder.append(ride_id, readings(0, boot_id=21))
        store.recorder.flush()
        assert store.rides.ride(ride_id).samples == 1


def test_pieces_of_the_former_run_are_folded_with_the_new(fresh: Path, ridden, readings) -> None:
    ride_id = cut_off(fresh, ridden, 900)
    with Store.open(fresh) as store:
        store.recorder.unfinished()
        for number in range(900, 1300):
            store.recorder.append(ride_id, again(readings(number), 7.0))
            if number % 50 == 0:
                store.recorder.flush()
        store.recorder.flush()
        with store._readers.connect() as connection:
            (folded,) = connection.execute(chunks.select().where(chunks.c.kind == SAMPLES)).all()
            assert connection.execute(pieces.select().where(pieces.c.kind == SAMPLES)).all()
        assert folded.first_time_us == 0 and folded.last_time_us >= 60_000_000
        np.testing.assert_array_equal(np.diff(store.rides.samples(ride_id).time_us), 50_000)


def test_a_ride_of_this_run_that_is_still_being_closed_was_not_left_by_the_last(store: Store, start, readings) -> None:
    """Another pack is fitted while the bike stands: the next flow asks before the disk has the end of that record."""
    recorder = store.recorder
    assert recorder.unfinished() is None
    ride_id = recorder.begin_ride(start())
    for number in range(50):
        recorder.append(ride_id, readings(number))
    recorder.flush()
    with closing(sqlite3.connect(store.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")  # the end cannot be committed yet
        recorder.end_ride(ride_id, "stopped")
        assert recorder.unfinished() is None
        other.execute("ROLLBACK")
    recorder.flush()
    assert store.rides.ride(ride_id).ended_by == "stopped"

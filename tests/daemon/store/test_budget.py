"""The store's size budget. Law: the oldest samples at full rate go first; a summary, an event, an estimate never."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import insert, select

from sagwise_daemon.errors import InputError
from sagwise_daemon.io.export import export_ride
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.columns import ESTIMATES, FINE, SAMPLES
from sagwise_daemon.io.store.engine import writer_engine
from sagwise_daemon.io.store.housework import oldest_at_full_rate, used_bytes
from sagwise_daemon.io.store.summaries import VERSION, StoredSummaries
from sagwise_daemon.io.store.tables import chunks, overviews, rides, summaries

pytestmark = pytest.mark.slow

COUNT = 4000


def kinds(store: Store, ride_id: int) -> set[int]:
    with store._readers.connect() as connection:
        return set(connection.execute(select(chunks.c.kind).where(chunks.c.ride_id == ride_id)).scalars())


def overviews_of(store: Store) -> int:
    with store._readers.connect() as connection:
        return len(connection.execute(select(overviews.c.ride_id)).all())


def wait_until(what: Callable[[], bool], seconds: float = 20.0) -> None:
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until
        time.sleep(0.02)


def summed(path: Path) -> None:
    """Give every ride a summary, as the archive's process does."""
    engine = writer_engine(path)
    with engine.begin() as connection:
        for ride_id in connection.execute(select(rides.c.ride_id)).scalars().all():
            row = {"ride_id": ride_id, "version": VERSION, "document": '{"kept": true}'}
            connection.execute(insert(summaries).values(row))
    engine.dispose()


@pytest.fixture
def three(fresh: Path, ridden, event) -> Path:
    """Three rides that have ended, with everything that is made from them, and an event each."""
    with Store.open(fresh) as store:
        for number in range(1, 4):
            assert ridden(store, COUNT, ended_by="standstill") == number
            store.recorder.event(event(), number, 1.0)[1].result(10)
        wait_until(lambda: overviews_of(store) == 3)
    summed(fresh)
    return fresh


def size(path: Path) -> int:
    engine = writer_engine(path)
    with engine.begin() as connection:
        found = used_bytes(connection)
    engine.dispose()
    return found


def test_the_oldest_gives_its_samples_and_keeps_the_rest(three: Path, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    with Store.open(three) as store:
        before = store.rides.ride(1)
        chart = store.rides.overview(1, ["loaded_v", "current_a"])
        fine = store.rides.envelope(1, ["group_02_v"], 100)
        estimates = store.rides.estimates(1).rows
    budget = int(size(three) * 0.995)
    with Store.open(three, budget_bytes=budget) as store:
        store.recorder.flush()
        wait_until(lambda: SAMPLES not in kinds(store, 1))
        time.sleep(0.3)
        assert size(three) <= budget
        assert kinds(store, 1) >= {ESTIMATES, FINE} and SAMPLES in kinds(store, 2) and SAMPLES in kinds(store, 3)
        after = store.rides.ride(1)
        assert after.thinned and not store.rides.ride(2).thinned
        assert (after.samples, after.energy_wh, after.alarms) == (before.samples, before.energy_wh, before.alarms)
        assert store.rides.overview(1, ["loaded_v", "current_a"]) == chart
        again = store.rides.envelope(1, ["group_02_v"], 100)
        np.testing.assert_array_equal(again.low, fine.low)
        assert store.rides.estimates(1).rows == estimates and len(store.rides.events(1)) == 1
        assert store.rides.samples(1) is None and store.rides.samples(2).rows == COUNT
    assert sum("ride 1 is thinned" in line for line in caplog.messages) == 1
    assert "cannot" not in caplog.text


def test_zooming_into_a_thinned_ride_shows_the_extremes(three: Path) -> None:
    with Store.open(three, budget_bytes=10_000) as store:
        store.recorder.flush()
        wait_until(lambda: SAMPLES not in kinds(store, 1))
        got = store.rides.envelope(1, ["group_02_v"], 60, 10.0, 40.0)
        assert 10 <= np.isfinite(got.low[0]).sum() <= 20


def test_it_never_gives_more_than_samples(three: Path, caplog: pytest.LogCaptureFixture) -> None:
    with Store.open(three, budget_bytes=10_000) as store:
        store.recorder.flush()
        wait_until(lambda: all(SAMPLES not in kinds(store, number) for number in (1, 2, 3)))
        wait_until(lambda: "raise store.budget_mb or delete rides" in caplog.text)
        for number in (1, 2, 3):
            assert store.rides.ride(number).thinned and store.rides.ride(number).samples == COUNT
            assert kinds(store, number) >= {ESTIMATES, FINE} and len(store.rides.events(number)) == 1
            assert len(store.rides.overview(number, ["loaded_v"])) > 1000
        keeper = StoredSummaries(store._readers, three)
        assert sorted(keeper.all()) == [1, 2, 3] and keeper.waiting() is None


def test_the_summary_of_a_thinned_ride_outlives_a_newer_way_to_make_summaries(three: Path) -> None:
    engine = writer_engine(three)
    with engine.begin() as connection:
        connection.execute(summaries.update().values(version=VERSION - 1))
        connection.execute(rides.update().where(rides.c.ride_id == 1).values(thinned=True))
    engine.dispose()
    with Store.open(three) as store:
        keeper = StoredSummaries(store._readers, three)
        assert keeper.get(1) == {"kept": True} and keeper.get(2) is None
        assert keeper.waiting() == 2


def test_a_ride_that_goes_on_or_has_no_summary_is_left_alone(fresh: Path, ridden) -> None:
    with Store.open(fresh) as store:
        going, ended = ridden(store, 1500), ridden(store, 1500, ended_by="standstill")
        wait_until(lambda: overviews_of(store) == 1)
        with store._readers.connect() as connection:
            assert oldest_at_full_rate(connection) is None
        summed(fresh)
        with store._readers.connect() as connection:
            assert oldest_at_full_rate(connection) == ended != going


def test_a_thinned_ride_is_not_exported_as_if_it_were_whole(three: Path, tmp_path: Path) -> None:
    with Store.open(three, budget_bytes=10_000) as store:
        store.recorder.flush()
        wait_until(lambda: SAMPLES not in kinds(store, 1))
        with pytest.raises(InputError, match=r"ride 1 was thinned to make room and has no samples at full rate"):
            export_ride(store, 1, tmp_path)
    assert not list(tmp_path.glob("*.csv"))


def test_no_budget_no_thinning(three: Path) -> None:
    with Store.open(three) as store:
        store.recorder.flush()
        time.sleep(0.5)
        assert all(SAMPLES in kinds(store, number) for number in (1, 2, 3))

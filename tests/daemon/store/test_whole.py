"""Whole records out of chunks. Law: every sample in its place, little more memory than they take, and of a thinned ride
what is left of it.
"""

from __future__ import annotations

import sqlite3
import tracemalloc
from collections.abc import Iterator

import numpy as np
import pytest

from sagwise_daemon.io.store import Store, columns
from sagwise_daemon.io.store.columns import CURRENT, DISTANCE, FINE, GROUP, REST, SAMPLES, TEMPERATURE
from sagwise_daemon.io.store.history import History
from sagwise_daemon.io.store.whole import extremes_of, gathered, of, readings_of

CHANNELS = ("loaded_v", "rest_v", "current_a", "temperature_c")


@pytest.fixture
def history(store: Store) -> Iterator[History]:
    made = History(store._readers, store.path)
    yield made
    made.close()


def thin(store: Store, kind: int = SAMPLES) -> None:
    raw = sqlite3.connect(store.path)
    raw.execute("DELETE FROM chunks WHERE kind = ?", (kind,))
    raw.execute("UPDATE rides SET thinned = 1")
    raw.commit()
    raw.close()


def test_a_record_is_its_chunks_one_after_another(store: Store, history: History, ridden) -> None:
    ride_id = ridden(store, 3000, ended_by="standstill")
    record, samples = history.recorded(ride_id), store.rides.samples(ride_id)
    assert record is not None and samples is not None and len(record.readings) == 3000
    readings, estimates = record.readings, record.estimates
    np.testing.assert_array_equal(readings.time_s, samples.time_us / 1e6)
    np.testing.assert_array_equal(readings.group_v, samples.floats(GROUP).T)
    np.testing.assert_array_equal(readings.current_a, samples.floats(CURRENT)[0])
    np.testing.assert_array_equal(readings.temperature_c, samples.floats(TEMPERATURE).T)
    np.testing.assert_array_equal(readings.distance_m, samples.floats(DISTANCE)[0])
    assert np.isnan(readings.group_v).any() and np.isnan(readings.temperature_c).any()
    kept = store.rides.estimates(ride_id)
    assert estimates is not None and kept is not None
    np.testing.assert_array_equal(estimates.rest_v, kept.floats(REST).T)


@pytest.mark.parametrize("expected", [0, 7, 3000, 9000])
def test_more_or_fewer_rows_than_were_counted(store: Store, ridden, expected: int) -> None:
    ride_id = ridden(store, 3000, ended_by="standstill")
    readings, samples = readings_of(store.rides.recorded(ride_id, SAMPLES), expected), store.rides.samples(ride_id)
    assert readings is not None and samples is not None
    np.testing.assert_array_equal(readings.group_v, samples.floats(GROUP).T)
    assert readings_of([], expected) is None


def test_a_sensor_that_joins_later_is_unknown_before(readings, store: Store, start) -> None:
    ride_id = store.recorder.begin_ride(start())
    for number in range(10):
        store.recorder.append(ride_id, readings(number))
    store.recorder.flush()
    (narrow,) = store.rides.recorded(ride_id, SAMPLES)
    broad = np.arange(30.0).reshape(3, 10)
    found = gathered([narrow, narrow], [of(TEMPERATURE)], 5)
    assert found is not None and found[0].shape == (20, 2)
    widths = iter([of(TEMPERATURE)(narrow), broad.T])
    found = gathered([narrow, narrow], [lambda _: next(widths)], 5)
    assert found is not None and found[0].shape == (20, 3)
    assert np.isnan(found[0][:10, 2]).all() and (found[0][10:] == broad.T).all()


def test_a_whole_ride_is_held_once(readings) -> None:
    """Beside it no more than some chunks; a chunk is a sixtieth of it."""
    some = [readings(number, series=24) for number in range(200)]
    blob = columns.samples(some, np.arange(200, dtype=np.int64)).to_bytes()
    readings_of([columns.from_bytes(blob)], 200)  # whatever is made once is made now
    tracemalloc.start()
    try:
        found = readings_of((columns.from_bytes(blob) for _ in range(60)), 12_000)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert found is not None and len(found) == 12_000
    names = ("time_s", "group_v", "current_a", "temperature_c", "distance_m")
    took = sum(getattr(found, name).nbytes for name in names)
    assert peak < 1.3 * took, f"{peak / took:.2f} times"


def test_a_bike_that_stood_for_a_month_takes_no_room_for_every_second(
    store: Store, history: History, start, readings, estimates
) -> None:
    ride_id = store.recorder.begin_ride(start())
    for minute in range(40):
        store.recorder.append(ride_id, readings(minute, hz=1 / 60_000))
        store.recorder.append_estimate(ride_id, estimates(minute, hz=1 / 60_000))
    store.recorder.end_ride(ride_id, "standstill")
    store.recorder.flush()
    history.recorded(ride_id)
    tracemalloc.start()
    try:
        record = history.recorded(ride_id)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert record is not None and record.estimates is not None
    assert record.readings.time_s[-1] > 27 * 86_400 and len(record.estimates) == 40
    assert peak < 1_000_000


def test_extremes_come_as_they_go_together(store: Store, ridden) -> None:
    """At the lowest current of 2 s the voltages are their highest, and the other way round."""
    ride_id = ridden(store, 1300, ended_by="standstill")
    samples = store.rides.samples(ride_id)
    left = extremes_of(store.rides.recorded(ride_id, FINE), 64.95)
    assert samples is not None and left is not None and len(left) == 66
    assert left.time_s[:4].tolist() == [0.0, 1.0, 2.0, 3.0] and left.time_s[-1] == 64.95
    first = samples.time_us < 2_000_000
    current, volts = samples.floats(CURRENT)[0][first], samples.floats(GROUP)[:, first]
    assert left.current_a[:2].tolist() == [np.nanmin(current), np.nanmax(current)]
    assert left.group_v[:2].tolist() == [np.nanmax(volts, axis=1).tolist(), np.nanmin(volts, axis=1).tolist()]
    assert (np.diff(left.distance_m) >= 0).all()
    assert extremes_of([], 10.0) is None


@pytest.mark.parametrize("by", ["time", "energy", "distance"])
def test_a_thinned_ride_is_compared_by_what_is_left(store: Store, history: History, ridden, by: str) -> None:
    ride_id = ridden(store, 2400, ended_by="standstill")
    whole = history.compare([ride_id], by, CHANNELS, 12)["sides"][0]
    thin(store)
    left = history.compare([ride_id], by, CHANNELS, 12)["sides"][0]
    assert (whole["thinned"], left["thinned"]) == (False, True)
    assert left["end"] == pytest.approx(whole["end"], rel=1e-6)
    wide = {"loaded_v": 0.01, "rest_v": 0.002, "current_a": 5.0, "temperature_c": 0.02}
    for name in CHANNELS:
        for side in ("low", "high"):
            np.testing.assert_allclose(left["channels"][name][side], whole["channels"][name][side], atol=wide[name])


def test_a_ride_of_which_nothing_is_left_says_so(store: Store, history: History, ridden) -> None:
    ride_id = ridden(store, 400, ended_by="standstill")
    thin(store)
    thin(store, FINE)
    with pytest.raises(ValueError, match="ride 1 has no reading left to compare"):
        history.compare([ride_id], "time", ["rest_v"], 20)

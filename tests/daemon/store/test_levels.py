"""Levels and overviews. Law: what is stored beside the samples is what the samples say, live, after the end, after a
crash and after a migration; and it is bytes on the shelf, not work.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import delete, select, update

from sagwise_daemon.domain.chart import HEADER, encode_chart, pick_channels
from sagwise_daemon.domain.ports import Envelope
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.columns import COARSE, COARSE_ESTIMATES, ESTIMATES, FINE, GROUP, LEVELS, REST, SAMPLES
from sagwise_daemon.io.store.engine import writer_engine
from sagwise_daemon.io.store.levels import extremes, sources
from sagwise_daemon.io.store.tables import chunks, overviews, pieces, rides


def decoded(body: bytes) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, lowest and highest, read by the layout's document and nothing of ours."""
    channels, points = np.frombuffer(body, "<u4", 2, 8)
    first = np.frombuffer(body, "<f8", 1, 16)[0]
    floats = np.frombuffer(body, "<f4", offset=24)
    pairs = floats[points:].reshape(channels, 2, points)
    return first + floats[:points], pairs[:, 0], pairs[:, 1]


def wait_for_overview(store: Store, ride_id: int) -> None:
    until = time.monotonic() + 20
    while not stored_rows(store, overviews, ride_id):
        assert time.monotonic() < until, "no overview was made"
        time.sleep(0.02)


def stored_rows(store: Store, table, ride_id: int) -> list:
    with store._readers.connect() as connection:
        return connection.execute(select(table).where(table.c.ride_id == ride_id)).all()


def kinds(store: Store, ride_id: int) -> dict[int, int]:
    rows = [*stored_rows(store, chunks, ride_id), *stored_rows(store, pieces, ride_id)]
    return {kind: sum(row.samples for row in rows if row.kind == kind) for kind in {row.kind for row in rows}}


def by_hand(readings, first: int, last: int) -> tuple[np.ndarray, np.ndarray]:
    rows = np.stack([readings(number).group_v for number in range(first, last)])
    return np.nanmin(rows, axis=0), np.nanmax(rows, axis=0)


def test_a_level_is_the_extremes_of_every_two_seconds(store: Store, ridden, readings) -> None:
    ride_id = ridden(store, 1500)
    level = extremes(store.rides.samples(ride_id))
    assert level.kind == FINE and level.time_us.tolist() == [n * 2_000_000 for n in range(38)]
    low, high = level.pair(GROUP)
    for span in (0, 1, 20, 37):
        expected = by_hand(readings, 40 * span, min(40 * span + 40, 1500))
        np.testing.assert_array_equal(low.values[:, span] / 2000, expected[0])
        np.testing.assert_array_equal(high.values[:, span] / 2000, expected[1])


def test_a_level_above_a_level_is_that_of_the_samples(store: Store, ridden) -> None:
    fine = extremes(store.rides.samples(ridden(store, 1500)))
    coarse = extremes(fine)
    assert coarse.kind == COARSE and coarse.time_us.tolist() == [n * 16_000_000 for n in range(5)]
    np.testing.assert_array_equal(coarse.pair(GROUP)[0].values[:, 1], fine.pair(GROUP)[0].values[:, 8:16].min(axis=1))


def test_no_reading_in_a_span_is_said(store: Store, start, readings) -> None:
    ride_id = store.recorder.begin_ride(start())
    for number in range(120):
        reading = readings(number)
        volts = np.full(4, np.nan) if 40 <= number < 80 else reading.group_v
        store.recorder.append(ride_id, replace(reading, group_v=volts))
    store.recorder.flush()
    low, high = extremes(store.rides.samples(ride_id)).pair(GROUP)
    assert not low.valid[:, 1].any() and not high.valid[:, 1].any() and low.valid[:, [0, 2]].all()


def test_which_level_a_chart_reads() -> None:
    assert sources(SAMPLES, 1.99e6, thinned=False) == (SAMPLES, ())
    assert sources(SAMPLES, 2e6, thinned=False) == (FINE, (SAMPLES,))
    assert sources(SAMPLES, 16e6, thinned=False) == (COARSE, (FINE, SAMPLES))
    assert sources(SAMPLES, 1e3, thinned=True) == (FINE, (SAMPLES,))
    assert sources(ESTIMATES, 63e6, thinned=True) == (ESTIMATES, ())
    assert sources(ESTIMATES, 64e6, thinned=False) == (COARSE_ESTIMATES, (ESTIMATES,))


@pytest.mark.slow
def test_levels_cover_a_ride_at_any_moment(store: Store, start, readings, estimates) -> None:
    """21 minutes at 1 Hz, looked at as it grows: no second is missing or there twice."""
    recorder = store.recorder
    ride_id = recorder.begin_ride(start())
    for number in range(1260):
        recorder.append(ride_id, readings(number, hz=1.0))
        recorder.append_estimate(ride_id, estimates(number, hz=1.0))
        if number % 97 == 96:
            recorder.flush()
            for points in (number, number // 16, 4):
                got = store.rides.envelope(ride_id, ["group_02_v", "group_02_rest_v"], points, 0.0, number + 1.0)
                assert np.isfinite(got.high[1]).all(), points
                sent = [readings(n).group_v[1] for n in range(number + 1)]
                assert np.nanmin(got.low[0]) == np.nanmin(sent) and np.nanmax(got.high[0]) == np.nanmax(sent)
    recorder.end_ride(ride_id, "stopped")
    recorder.flush()
    assert not stored_rows(store, pieces, ride_id)
    found = kinds(store, ride_id)
    assert found[SAMPLES] == found[ESTIMATES] == 1260
    assert 630 <= found[FINE] <= 630 + 30 and 79 <= found[COARSE] <= 79 + 5 and 20 <= found[COARSE_ESTIMATES] <= 24


def test_the_overview_is_the_envelope_and_needs_no_chunk(store: Store, ridden, fresh: Path) -> None:
    ride_id = ridden(store, 3000, ended_by="stopped")
    wait_for_overview(store, ride_id)
    names = ["current_a", "loaded_v", "rest_v", "temperature_2_c", "distance_m"]
    whole = store.rides.envelope(ride_id, names, 750)
    assert store.rides.overview(ride_id, names) == encode_chart(whole)
    with store._readers.connect() as connection, writer_engine(fresh).begin() as writing:
        del connection
        writing.execute(delete(chunks))
    time_s, low, high = decoded(store.rides.overview(ride_id, names[:2]))
    np.testing.assert_allclose(time_s, whole.time_s, atol=1e-4)
    np.testing.assert_allclose(low, whole.low[:2], rtol=1e-6)
    np.testing.assert_allclose(high, whole.high[:2], rtol=1e-6)


def test_other_channels_come_on_the_same_axis(store: Store, ridden) -> None:
    ride_id = ridden(store, 3000, ended_by="stopped")
    wait_for_overview(store, ride_id)
    kept = decoded(store.rides.overview(ride_id, ["loaded_v"]))
    both = decoded(store.rides.overview(ride_id, ["loaded_v", "group_03_v"]))
    np.testing.assert_array_equal(kept[0], both[0])
    np.testing.assert_array_equal(kept[1][0], both[1][0])
    assert np.nanmin(both[1][1]) >= np.nanmin(kept[1][0])


def test_the_overview_of_a_ride_that_goes_on(store: Store, ridden) -> None:
    ride_id = ridden(store, 1500)
    time_s, low, _ = decoded(store.rides.overview(ride_id, ["loaded_v"]))
    assert len(time_s) == 375 and time_s[-1] == pytest.approx(74.95, abs=0.2) and np.isfinite(low[0, -1])
    with pytest.raises(ValueError, match="power_w"):
        store.rides.overview(ride_id, ["power_w"])
    with pytest.raises(KeyError):
        store.rides.overview(99, ["loaded_v"])


def test_rides_of_before_there_were_levels_get_them(fresh: Path, ridden) -> None:
    """As a migration leaves them: no levels, no overview, and the row says so."""
    with Store.open(fresh) as store:
        ride_id = ridden(store, 3000, ended_by="stopped")
        wait_for_overview(store, ride_id)
        before, body = kinds(store, ride_id), store.rides.overview(ride_id, ["loaded_v"])
    opened = writer_engine(fresh)
    with opened.begin() as connection:
        connection.execute(delete(chunks).where(chunks.c.kind.in_(LEVELS)))
        connection.execute(delete(overviews))
        connection.execute(update(rides).values(levels=False))
    opened.dispose()
    with Store.open(fresh) as store:
        assert store.rides.overview(ride_id, ["loaded_v"]) == body_close(body, store, ride_id)
        store.recorder.flush()
        wait_for_overview(store, ride_id)
        assert store.rides.overview(ride_id, ["loaded_v"]) == body
        after = kinds(store, ride_id)
        assert after.keys() == before.keys() and after[SAMPLES] == before[SAMPLES]


def body_close(body: bytes, store: Store, ride_id: int) -> bytes:
    """What samples at full rate give for the same ride: the same, as spans here are shorter than two seconds."""
    assert HEADER.unpack_from(body)[4] == 750
    return encode_chart(store.rides.envelope(ride_id, ["loaded_v"], 750))


@pytest.mark.slow
def test_an_event_does_not_wait_for_housework(fresh: Path, ridden, event) -> None:
    """Levels for many rides are to be made; an event is on disk as fast as ever."""
    with Store.open(fresh) as store:
        for _ in range(8):
            ridden(store, 2500, ended_by="stopped")
    opened = writer_engine(fresh)
    with opened.begin() as connection:
        connection.execute(delete(chunks).where(chunks.c.kind.in_(LEVELS)))
        connection.execute(delete(overviews))
        connection.execute(update(rides).values(levels=False))
    opened.dispose()
    with Store.open(fresh) as store:
        waits = []
        for _ in range(30):
            began = time.monotonic()
            store.recorder.event(event(), None, 1.0)[1].result(10)
            waits.append(time.monotonic() - began)
            time.sleep(0.01)
        assert not all(stored_rows(store, overviews, n) for n in range(1, 9)), "there was no housework to wait for"
        assert sorted(waits)[len(waits) // 2] < 0.1


def chart_of(channels: int, points: int) -> Envelope:
    low = np.arange(channels * points, dtype=float).reshape(channels, points)
    return Envelope(tuple(map(str, range(channels))), np.arange(points) + 0.5, low, low + 0.5)


def test_channels_are_cut_out_in_any_order() -> None:
    body = encode_chart(chart_of(4, 7))
    for wanted in ([0, 1, 2, 3], [3], [2, 0], [1, 1]):
        whole, part = decoded(body), decoded(pick_channels(body, wanted))
        np.testing.assert_array_equal(part[0], whole[0])
        np.testing.assert_array_equal(part[1], whole[1][wanted])
        np.testing.assert_array_equal(part[2], whole[2][wanted])


@pytest.mark.parametrize(
    "spoil",
    [lambda b: b[:-1], lambda b: b[:10], lambda b: b"SWCX" + b[4:], lambda b: b + b"\0" * 4],
    ids=["cut", "no header", "magic", "longer"],
)
def test_what_is_no_body_is_refused(spoil: Callable[[bytes], bytes]) -> None:
    with pytest.raises(ValueError, match=r"cut short|no chart"):
        pick_channels(spoil(encode_chart(chart_of(2, 5))), [0])
    with pytest.raises(ValueError, match="no places"):
        pick_channels(encode_chart(chart_of(2, 5)), [2])


def test_rest_is_kept_at_its_own_rate(store: Store, ridden) -> None:
    ride_id = ridden(store, 1500, ended_by="stopped")
    assert extremes(store.rides.estimates(ride_id)).pair(REST)[0].values.shape == (4, 2)

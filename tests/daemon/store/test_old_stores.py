"""Stores of earlier schemas. Law: from every revision there ever was the store opens with everything in it, and a ride
that was cut off under the old program goes on under the new.

The builder writes what the program of that time wrote, by plain SQL: revision 0001 kept the pieces of a ride among its
chunks and knew no levels. Later revisions are that store brought up step by step, as a person would who installs each.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.domain.chart import encode_chart
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.columns import ESTIMATES, GROUP, SAMPLES, Table, estimates, samples
from sagwise_daemon.io.store.engine import read_revision
from sagwise_daemon.io.store.examine import examine
from sagwise_daemon.io.store.migrate import migrate
from sagwise_daemon.io.store.tables import REVISIONS

ENDED, GOING = 1400, 130
Made = Callable[..., object]


def put(connection: sqlite3.Connection, table: str, **values: object) -> None:
    names, marks = ", ".join(values), ", ".join("?" * len(values))
    connection.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(values.values()))


def times(first: int, last: int) -> np.ndarray:
    return np.arange(first, last, dtype=np.int64) * 50_000


def put_chunk(connection: sqlite3.Connection, ride_id: int, table: Table, piece: bool) -> None:
    put(
        connection, "chunks", ride_id=ride_id, kind=table.kind, piece=piece, first_time_us=int(table.time_us[0]),
        last_time_us=int(table.time_us[-1]), samples=table.rows, blob=table.to_bytes(),
    )  # fmt: skip


def put_ride(connection: sqlite3.Connection, ride_id: int, count: int, ended_by: str | None) -> None:
    put(
        connection, "rides", ride_id=ride_id, pack_id=1, started_unix_s=1.76e9 + ride_id, started_trusted=True,
        ended_by=ended_by, duration_s=(count - 1) / 20, samples=count, alarms=1, temperatures=2, energy_wh=12.5,
        charge_ah=0.8, distance_m=(count - 1) * 0.25, current_max_a=70.0, loaded_min_v=3.7, rest_min_v=3.8,
        host_boot="a boot long ago", last_monotonic_s=50.0,
    )  # fmt: skip
    put(
        connection, "boots", ride_id=ride_id, boot_id=7, first_time_us=0, uptime_us=1_000_000, unix_s=1.76e9,
        trusted=True, monotonic_s=1.0, host_boot="a boot long ago",
    )  # fmt: skip
    put(
        connection, "events", event_id=ride_id, ride_id=ride_id, ride_time_us=500_000, unix_s=1.76e9, time_s=100.5,
        rule="rest_low", group_number=3, to_state="unacknowledged", priority="high", value=3.29, limit_value=3.3,
        unit="V", basis="rest", by=None,
    )  # fmt: skip


def build_0001(path: Path, readings: Made, made: Made) -> None:
    """A ride that ended, in two chunks, and one that was cut off with its pieces as the flushes left them."""
    migrate(path, "0001")
    connection = sqlite3.connect(path)
    facts = json.dumps({"series": 4})
    digest = hashlib.sha256(facts.encode()).hexdigest()
    put(connection, "packs", pack_id=1, digest=digest, name="Otter 16s5p", series=4, snapshot=facts)
    for ride_id, count, ended_by in ((1, ENDED, "standstill"), (2, GOING, None)):
        put_ride(connection, ride_id, count, ended_by)
        step = 1200 if ended_by else 20
        for first in range(0, count, step):
            numbers = range(first, min(first + step, count))
            table = samples([readings(n) for n in numbers], times(numbers[0], numbers[-1] + 1))
            put_chunk(connection, ride_id, table, piece=ended_by is None)
        seconds = range(0, count, 20)
        put_chunk(connection, ride_id, estimates([made(n) for n in seconds], times(0, count)[::20]), ended_by is None)
    put(connection, "gaps", ride_id=1, cause="order", first_time_us=5, last_time_us=6, samples=1)
    connection.execute("UPDATE counters SET next_id = 3")
    connection.commit()
    connection.close()


@pytest.fixture(params=REVISIONS)
def old(request: pytest.FixtureRequest, tmp_path: Path, readings: Made, estimates: Made) -> Path:
    path = tmp_path / "rides.sqlite"
    build_0001(path, readings, estimates)
    for revision in REVISIONS[1 : REVISIONS.index(request.param) + 1]:
        migrate(path, revision)
    assert read_revision(path) == request.param
    return path


@pytest.mark.slow
def test_it_opens_with_everything_in_it(old: Path, readings) -> None:
    assert examine(old) == []
    with Store.open(old) as store:
        assert [ride.ride_id for ride in store.rides.rides()] == [2, 1]
        ride = store.rides.ride(1)
        assert (ride.samples, ride.ended_by, ride.energy_wh, ride.thinned) == (ENDED, "standstill", 12.5, False)
        for ride_id, count in ((1, ENDED), (2, GOING)):
            sent = np.stack([readings(number).group_v for number in range(count)])
            np.testing.assert_array_equal(store.rides.samples(ride_id).floats(GROUP).T, sent)
            assert store.rides.estimates(ride_id).rows == -(-count // 20)
            (event,) = store.rides.events(ride_id)
            assert event.ride_s == 0.5 and len(store.rides.boots(ride_id)) == 1
        assert [gap.cause for gap in store.rides.gaps(1)] == ["order"]


@pytest.mark.slow
def test_a_ride_that_was_cut_off_goes_on(old: Path, readings) -> None:
    with Store.open(old) as store:
        left = store.recorder.unfinished()
        assert (left.ride_id, left.samples, left.boot_id) == (2, GOING, 7)
        for number in range(GOING, ENDED):
            store.recorder.append(2, readings(number))
        store.recorder.end_ride(2, "standstill")
        store.recorder.flush()
        sent = np.stack([readings(number).group_v for number in range(ENDED)])
        np.testing.assert_array_equal(store.rides.samples(2).floats(GROUP).T, sent)
        until = time.monotonic() + 20
        while not (store.rides.has_overview(1) and store.rides.has_overview(2)):
            assert time.monotonic() < until
            time.sleep(0.05)
        for ride_id in (1, 2):
            whole = store.rides.envelope(ride_id, ["loaded_v", "current_a"], ENDED // 4)
            assert store.rides.overview(ride_id, ["loaded_v", "current_a"]) == encode_chart(whole)
    assert examine(old) == []
    connection = sqlite3.connect(old)
    kinds = {row[0] for row in connection.execute("SELECT DISTINCT kind FROM chunks WHERE ride_id = 2")}
    assert connection.execute("SELECT count(*) FROM pieces").fetchone() == (0,)
    connection.close()
    assert kinds > {SAMPLES, ESTIMATES}

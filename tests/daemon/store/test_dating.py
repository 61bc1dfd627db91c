"""Dates that arrive late. Law: a ride of a boot in the past gets its true date from the monotonic clock, one of a boot
that never learnt the time keeps its mark, and whatever the wall clock does, nothing inside a ride moves.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from dataclasses import astuple, replace
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.model import Reading, Silence
from sagwise_daemon.domain.ride.bounds import RideSettings
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.flow import Flow
from sagwise_daemon.io.clock import Clock, host_boot
from sagwise_daemon.io.store import RideStart, Store

PAST = 1_100_000_000.0  # where a board computer without a battery may begin: 2004
NOW = 1_790_000_000.0


def past(start: Callable[..., RideStart], ago_s: float, **changes: object) -> RideStart:
    """A start that lies `ago_s` back by the monotonic clock, under a clock that nothing has set."""
    began = replace(start(), started_unix_s=PAST, started_trusted=False, started_monotonic_s=time.monotonic() - ago_s)
    return replace(began, **changes)


def known(unix_s: float = NOW) -> WallTime:
    return WallTime(unix_s, True, time.monotonic(), host_boot())


def ride_from(store: Store, begun: RideStart, readings, count: int = 40) -> int:
    ride_id = store.recorder.begin_ride(begun)
    for number in range(count):
        store.recorder.append(ride_id, readings(number))
    store.recorder.flush()
    return ride_id


def test_a_ride_of_a_boot_in_the_past_is_dated(store: Store, start, readings, event) -> None:
    ride_id = ride_from(store, past(start, 5000.0), readings)
    store.recorder.event(event(101.0), ride_id, PAST + 1.0)[1].result(10)
    store.recorder.end_ride(ride_id, "standstill")
    store.recorder.flush()
    before = store.rides.ride(ride_id)
    assert (before.started_unix_s, before.started_trusted) == (PAST, False)
    store.recorder.date(known())
    store.recorder.flush()
    after = store.rides.ride(ride_id)
    assert after.started_unix_s == pytest.approx(NOW - 5000.0, abs=0.5) and after.started_trusted
    assert replace(after, started_unix_s=PAST, started_trusted=False) == before
    (kept,) = store.rides.events(ride_id)
    assert kept.unix_s == pytest.approx(after.started_unix_s + 1.0, abs=1e-3) and kept.ride_s == 1.0
    (boot,) = store.rides.boots(ride_id)
    assert boot.trusted and boot.unix_s == pytest.approx(after.started_unix_s)


def test_the_time_arrives_mid_ride(store: Store, start, readings) -> None:
    ride_id = ride_from(store, past(start, 2.0), readings)
    store.recorder.date(known())
    store.recorder.flush()
    for number in range(40, 80):
        store.recorder.append(ride_id, readings(number, boot_id=9))  # the board begins anew
    store.recorder.end_ride(ride_id, "standstill")
    store.recorder.flush()
    ride = store.rides.ride(ride_id)
    assert ride.started_trusted and ride.started_unix_s == pytest.approx(NOW - 2.0, abs=0.5)
    assert (ride.samples, ride.duration_s) == (80, pytest.approx(3.95))
    assert [(boot.trusted, boot.unix_s) for boot in store.rides.boots(ride_id)] == [
        (True, pytest.approx(ride.started_unix_s)),
        (True, pytest.approx(ride.started_unix_s + 2.0)),
    ]


def test_the_time_arrives_before_anything_of_the_ride_is_stored(store: Store, start, readings) -> None:
    ride_id = store.recorder.begin_ride(past(start, 30.0))
    store.recorder.date(known())
    store.recorder.append(ride_id, readings(0))
    store.recorder.flush()
    assert store.rides.ride(ride_id).started_unix_s == pytest.approx(NOW - 30.0, abs=0.5)


def of_another_boot(path: Path, ride_id: int) -> None:
    """As if the host had been started again since."""
    connection = sqlite3.connect(path)
    for table in ("rides", "boots"):
        connection.execute(f"UPDATE {table} SET host_boot = 'the boot before' WHERE ride_id = ?", (ride_id,))
    connection.commit()
    connection.close()


def test_two_boots_on_one_day_and_only_the_second_learns_the_time(fresh: Path, start, readings) -> None:
    with Store.open(fresh) as store:
        first = ride_from(store, past(start, 900.0), readings)
        store.recorder.end_ride(first, "standstill")
    of_another_boot(fresh, first)
    with Store.open(fresh) as store:
        second = ride_from(store, past(start, 100.0), readings)
        store.recorder.date(known())
        store.recorder.flush()
        assert (store.rides.ride(first).started_unix_s, store.rides.ride(first).started_trusted) == (PAST, False)
        assert store.rides.ride(second).started_unix_s == pytest.approx(NOW - 100.0, abs=0.5)


def test_two_boots_on_one_day_are_each_dated_by_their_own(fresh: Path, start, readings) -> None:
    """The clock begins anew in the past at each boot, so both rides carry the same wrong date at first."""
    with Store.open(fresh) as store:
        first = ride_from(store, past(start, 900.0), readings)
        store.recorder.end_ride(first, "standstill")
        store.recorder.date(known(NOW))
        store.recorder.flush()
    of_another_boot(fresh, first)
    with Store.open(fresh) as store:
        second = ride_from(store, past(start, 100.0), readings)
        store.recorder.date(known(NOW + 7200.0))
        store.recorder.flush()
        starts = [store.rides.ride(one).started_unix_s for one in (first, second)]
        assert starts == [pytest.approx(NOW - 900.0, abs=0.5), pytest.approx(NOW + 7100.0, abs=0.5)]
        assert [ride.ride_id for ride in store.rides.rides()] == [second, first]


def test_a_ride_that_went_on_after_the_host_began_anew_is_dated_by_its_end(fresh: Path, start, readings) -> None:
    with Store.open(fresh) as store:
        ride_id = ride_from(store, past(start, 500.0), readings)
    of_another_boot(fresh, ride_id)
    with Store.open(fresh) as store:
        store.recorder.unfinished()
        for number in range(40, 100):
            store.recorder.append(ride_id, replace(readings(number), time_s=number / 20))
        store.recorder.flush()
        store.recorder.date(known())
        store.recorder.flush()
        ride = store.rides.ride(ride_id)
        assert ride.started_trusted and ride.started_unix_s == pytest.approx(NOW - ride.duration_s, abs=1.0)


def test_nothing_is_dated_by_a_clock_that_nobody_vouches_for(store: Store, start, readings) -> None:
    ride_id = ride_from(store, past(start, 10.0), readings)
    for doubtful in (replace(known(), trusted=False), replace(known(), host_boot="")):
        store.recorder.date(doubtful)
        store.recorder.flush()
        assert not store.rides.ride(ride_id).started_trusted


def test_a_date_that_is_trusted_stays(store: Store, start, readings) -> None:
    ride_id = ride_from(store, start(), readings)
    store.recorder.date(known())
    store.recorder.flush()
    assert store.rides.ride(ride_id).started_unix_s == 1_760_000_000.0


def told_in_the_past(store: Store, event, ride_id: int | None = None) -> int:
    number, done = store.recorder.event(event(100.5), ride_id, PAST, trusted=False)
    done.result(10)
    return number


def dates(store: Store) -> dict[int, float]:
    return {kept.event_id: kept.unix_s for kept in store.rides.events()}


def test_an_event_outside_of_rides_is_dated_by_when_it_was_told(store: Store, event) -> None:
    before_s = time.monotonic()
    number = told_in_the_past(store, event)
    after_s = time.monotonic()
    trusted, done = store.recorder.event(event(), None, NOW - 9999.0)
    done.result(10)
    time.sleep(0.05)
    wall = known()
    store.recorder.date(wall)
    store.recorder.flush()
    found = dates(store)
    earliest, latest = NOW - (wall.monotonic_s - before_s), NOW - (wall.monotonic_s - after_s)
    assert earliest - 1e-3 <= found[number] <= latest + 1e-3 < NOW - 0.04
    assert found[trusted] == NOW - 9999.0
    store.recorder.date(known(NOW + 5000.0))  # a date that was found once stays
    store.recorder.flush()
    assert dates(store) == found


def test_an_event_in_a_ride_is_dated_with_the_ride(store: Store, start, readings, event) -> None:
    ride_id = ride_from(store, past(start, 500.0), readings)
    number = told_in_the_past(store, event, ride_id)
    store.recorder.date(known())
    store.recorder.flush()
    assert dates(store)[number] == pytest.approx(store.rides.ride(ride_id).started_unix_s + 0.5, abs=1e-3)


def test_an_event_of_a_boot_that_never_learnt_the_time_keeps_its_mark(fresh: Path, event) -> None:
    with Store.open(fresh) as store:
        number = told_in_the_past(store, event)
    connection = sqlite3.connect(fresh)
    connection.execute("UPDATE events SET host_boot = 'the boot before'")
    connection.commit()
    connection.close()
    with Store.open(fresh) as store:
        later = told_in_the_past(store, event)
        for doubtful in (replace(known(), trusted=False), replace(known(), host_boot="")):
            store.recorder.date(doubtful)
            store.recorder.flush()
            assert set(dates(store).values()) == {PAST}
        store.recorder.date(known())
        store.recorder.flush()
        assert dates(store)[number] == PAST and dates(store)[later] == pytest.approx(NOW, abs=5.0)


def test_the_flow_says_whether_its_clock_was_trusted(store: Store) -> None:
    _, pack = built_in_pack("otter")
    flow = Flow(pack, store.recorder, RideSettings(), lambda: WallTime(PAST, False, time.monotonic(), host_boot()))
    for stored in flow.take(Silence(2.0)):  # the link is lost: an alarm outside of any ride
        stored.done.result(10)
    assert set(dates(store).values()) == {PAST}
    store.recorder.date(known())
    store.recorder.flush()
    (now,) = set(dates(store).values())
    assert now == pytest.approx(NOW, abs=1.0)


class Wall:
    """A wall clock that leaps when told to; the monotonic clock does not."""

    def __init__(self) -> None:
        self.ahead_s = PAST
        self.monotonic_s = 100.0

    def __call__(self) -> WallTime:
        return WallTime(self.monotonic_s + self.ahead_s, False, self.monotonic_s, host_boot())


def ridden_under(store: Store, leaps: dict[int, float]) -> tuple[int, list[float | None]]:
    """A ride of 40 s with an alarm in it, at some rows of which the wall clock leaps. Its number, its events."""
    _, pack = built_in_pack("otter")
    wall = Wall()
    clock = Clock(wall)
    flow = Flow(pack, store.recorder, RideSettings(), clock.wall)
    dice = np.random.default_rng(3)
    ride_id = None
    for row in range(800):
        wall.monotonic_s += 0.05
        wall.ahead_s += leaps.get(row, 0.0)
        volts = np.round((3.75 - (0.9 if 400 <= row < 600 else 0.0) + dice.normal(0, 0.001, pack.series)) * 2000) / 2000
        flow.take(Reading(row / 20, volts, 40.0, np.array([25.0]), row / 2, 7, row * 50_000))
        ride_id = flow.ride_id or ride_id
    flow.end_ride("stopped")
    store.recorder.flush()
    assert ride_id is not None
    return ride_id, [kept.ride_s for kept in store.rides.events(ride_id)]


@pytest.mark.slow
def test_leaps_of_the_clock_change_nothing_in_a_ride(store: Store) -> None:
    steady, its_events = ridden_under(store, {})
    leaping, their_events = ridden_under(store, {200: 86_400.0, 450: -400_000.0, 700: 9e8})
    one, other = (astuple(store.rides.ride(ride_id))[1:] for ride_id in (steady, leaping))
    for ours, theirs in zip(one, other, strict=True):  # sums differ in the last bit with the moments of the flushes
        assert ours == (pytest.approx(theirs, rel=1e-12) if isinstance(theirs, float) else theirs)
    assert its_events == their_events and its_events
    first, second = store.rides.samples(steady), store.rides.samples(leaping)
    for index in range(len(first.blocks)):
        np.testing.assert_array_equal(first.block(index).values, second.block(index).values)


def test_a_phones_time_dates_as_a_networks_does(store: Store, start, readings) -> None:
    ride_id = ride_from(store, past(start, 60.0), readings)
    clock = Clock(lambda: WallTime(PAST + 60.0, False, time.monotonic(), host_boot()))
    assert clock.look()[1] == "nothing"
    clock.tell(NOW, "phone")
    store.recorder.date(clock.wall())
    store.recorder.flush()
    assert store.rides.ride(ride_id).started_unix_s == pytest.approx(NOW - 60.0, abs=0.5)

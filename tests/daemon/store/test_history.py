"""Summaries, health and changes over a real store. Law: what a person does can be undone, and nothing waits for it."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.model import AlarmEvent, AlarmState, Estimate, Pack, Priority, Reading
from sagwise_daemon.domain.ports import RideFilter
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.io.clock import host_boot
from sagwise_daemon.io.store import RideStart, Store
from sagwise_daemon.io.store.archive import ArchiveAside
from sagwise_daemon.io.store.changes import Changes
from sagwise_daemon.io.store.dating import date_rides
from sagwise_daemon.io.store.engine import writer_engine
from sagwise_daemon.io.store.history import History
from sagwise_daemon.io.store.known_packs import pack_of
from sagwise_daemon.io.store.snapshot import take

DAY_S = 86_400.0
_, OTTER = built_in_pack("otter")
_, HERON = built_in_pack("heron")


def record(
    store: Store,
    day: float,
    *,
    kind: str = "ride",
    pack: Pack = OTTER,
    rest_v: float = 3.9,
    weak: float = 1.0,
    open_end: bool = False,
    trusted: bool = True,
) -> int:
    """Two minutes at 5 Hz: rest, 45 A, rest; group 7 has `weak` times the resistance of 2.9 mOhm."""
    start = RideStart(pack, 7, 1.76e9 + day * DAY_S, trusted, 0, 0.0, kind)
    ride_id = store.recorder.begin_ride(start)
    resistance = np.full(pack.series, 2.9)
    resistance[6] *= weak
    for number in range(600):
        time_s = number / 5
        current = (45.0 if kind == "ride" else -5.0 if kind == "charge" else 0.0) if 100 <= number < 400 else 0.0
        volts = rest_v - current * resistance / 1000
        reading = Reading(time_s, volts, current, np.array([25.0]), number * 0.5, 7, round(time_s * 1e6))
        store.recorder.append(ride_id, reading)
        full = np.full(pack.series, rest_v)
        estimate = Estimate(
            time_s, full, full * 0 + 0.005, full, resistance, resistance, full * 0 + 0.6, np.zeros(pack.series, np.int8)
        )
        store.recorder.append_estimate(ride_id, estimate)
    event = AlarmEvent(30.0, "resistance_high", 7, AlarmState.UNACKNOWLEDGED, Priority.MEDIUM, weak, 1.5, "1")
    store.recorder.event(event, ride_id, start.started_unix_s + 30)[1].result(5)
    if not open_end:
        store.recorder.end_ride(ride_id, "standstill")
    store.recorder.flush()
    return ride_id


@pytest.fixture
def history(store: Store) -> Iterator[History]:
    made = History(store._readers, store.path)
    yield made
    made.close()


@pytest.fixture
def changes(store: Store) -> Iterator[Changes]:
    made = Changes(store._readers, store.path)
    yield made
    made.close()


def test_a_snapshot_is_the_pack_again() -> None:
    for pack in (OTTER, HERON):
        again = pack_of(json.loads(take(pack).text))
        assert take(again) == take(pack)
        assert (again.name, again.cell.chemistry, again.rules["rest_low"]) == (
            pack.name,
            pack.cell.chemistry,
            pack.rules["rest_low"],
        )


def test_a_summary_is_made_once_and_again_only_when_asked(store: Store, history: History) -> None:
    ride_id = record(store, 0.0, weak=1.5)
    made = history.summary(ride_id)
    assert made is not None and history._summaries.get(ride_id) == made
    assert made["kind"] == "ride" and made["samples"] == 600
    assert made["groups"][6]["resistance_ratio"] == pytest.approx(1.5)
    assert made["groups"][6]["sag_v"] == pytest.approx(0.045 * 2.9 * 1.5, abs=0.001)
    assert made["weakest"] == {"group": 7, "reason": "resistance", "words": made["weakest"]["words"]}
    assert made["alarms"] == [
        {"rule": "resistance_high", "priority": "medium", "count": 1, "first_s": 30.0, "groups": [7]}
    ]
    history._summaries.put(ride_id, {**made, "samples": 1})
    assert history.summary(ride_id)["samples"] == 1  # type: ignore[index]
    assert history.summary(ride_id, again=True) == made


def test_no_summary_while_it_goes_on_and_keyerror_where_there_is_none(store: Store, history: History) -> None:
    assert history.summary(record(store, 0.0, open_end=True)) is None
    with pytest.raises(KeyError):
        history.summary(99)


def test_a_ride_is_held_against_those_before_it(store: Store, history: History) -> None:
    first, second = record(store, 0.0), record(store, 3.0, weak=1.4)
    other = record(store, 2.0, pack=HERON, rest_v=3.8)
    for ride_id in (first, other, second):
        history.summary(ride_id)
    told = history.summary(second)
    assert told is not None and told["earlier_rides"] == 1
    assert told["groups"][6]["resistance_before_ratio"] == pytest.approx(1.4)
    assert history.summary(first)["earlier_rides"] == 0  # type: ignore[index]


def test_out_of_turn_a_summary_is_told_but_not_kept(store: Store, history: History) -> None:
    first, second = record(store, 0.0), record(store, 3.0)
    assert history.summary(second)["earlier_rides"] == 0  # type: ignore[index]
    assert history._summaries.waiting() == first
    history.summary(first)
    assert history._summaries.waiting() == second
    assert history.summary(second)["earlier_rides"] == 1  # type: ignore[index]
    assert history._summaries.waiting() is None and history._summaries.waiting([first]) is None


def test_self_discharge_between_two_records_of_a_pack(store: Store, history: History) -> None:
    """Three days, all groups 12 mV: 4 mV a day."""
    record(store, 0.0, rest_v=3.9)
    second = record(store, 3.0, rest_v=3.888)
    history.summary(1)
    told = history.summary(second)["since_before"]  # type: ignore[index]
    assert told["from_ride_id"] == 1 and told["hours"] == pytest.approx(72.0, abs=0.1)
    assert told["median_loss_v_per_day"] == pytest.approx(0.004, abs=1e-4) and told["losing"] == []


@pytest.mark.parametrize(("kind", "told"), [("ride", False), ("charge", True)])
def test_a_pack_that_is_lower_than_at_the_end_of_a_ride_was_drawn_from(
    store: Store, history: History, kind: str, told: bool
) -> None:
    record(store, 0.0, rest_v=3.9, kind=kind)
    second = record(store, 1.0, rest_v=3.86)
    history.summary(1)
    assert (history.summary(second)["since_before"] is not None) is told  # type: ignore[index]


def test_a_guessed_date_tells_no_self_discharge(store: Store, history: History) -> None:
    record(store, 0.0, trusted=False)
    record(store, 3.0)
    history.summary(1)
    assert history.summary(2)["since_before"] is None  # type: ignore[index]


def test_a_ride_that_is_dated_later_has_its_summary_made_again(store: Store, history: History) -> None:
    record(store, 0.0, rest_v=3.9)
    record(store, 9.0, rest_v=3.888, trusted=False)
    history.summary(1)
    assert history.summary(2)["since_before"] is None  # type: ignore[index]
    known = WallTime(1.76e9 + 3 * DAY_S, True, time.monotonic(), host_boot())
    writer = writer_engine(store.path)
    with writer.begin() as connection:
        assert list(date_rides(connection, known)) == [2]
    writer.dispose()
    assert history._summaries.waiting() == 2
    assert history.summary(2)["since_before"]["hours"] == pytest.approx(72.0, abs=0.2)  # type: ignore[index]


def test_filters(store: Store, changes: Changes) -> None:
    ride, charge, heron = record(store, 0.0), record(store, 1.0, kind="charge"), record(store, 2.0, pack=HERON)

    def found(**wanted: object) -> list[int]:
        return [one.ride_id for one in store.rides.rides(wanted=RideFilter(**wanted))]  # type: ignore[arg-type]

    assert found() == [heron, charge, ride]
    assert found(kind="charge") == [charge] and found(pack=OTTER.name) == [charge, ride]
    assert found(since_unix_s=1.76e9 + DAY_S) == [heron, charge]
    assert found(until_unix_s=1.76e9 + DAY_S, kind="ride") == [ride]
    assert found(kind="standing") == []
    changes.delete(charge)
    assert found() == [heron, ride] and found(deleted=True) == [charge]


def test_name_note_and_pack_are_set_and_set_back(store: Store, changes: Changes, history: History) -> None:
    spare = replace(OTTER, name="Otter spare")
    ride_id, other = record(store, 0.0), record(store, 1.0, pack=spare)
    history.summary(ride_id)
    changes.change(ride_id, {"name": "Quarry, wet", "note": "front sprocket 14"})
    kept = store.rides.ride(ride_id)
    assert (kept.name, kept.note, kept.pack) == ("Quarry, wet", "front sprocket 14", OTTER.name)
    changes.change(ride_id, {"pack": "Otter spare"})
    assert store.rides.ride(ride_id).pack == "Otter spare" and store.rides.ride(ride_id).name == "Quarry, wet"
    assert history._summaries.get(ride_id) is None, "what was said of the other pack is forgotten"
    assert store.rides.pack(ride_id) == store.rides.pack(other)
    changes.change(ride_id, {"name": None, "note": ""})
    assert (store.rides.ride(ride_id).name, store.rides.ride(ride_id).note) == (None, "")
    assert [(one.name, one.rides) for one in changes.known_packs()] == [("Otter spare", 2)]
    with pytest.raises(ValueError, match="there is no pack"):
        changes.change(ride_id, {"pack": "nobody's"})


def test_a_pack_with_other_groups_is_refused(store: Store, changes: Changes) -> None:
    ride_id = record(store, 0.0)
    record(store, 1.0, pack=HERON)
    with pytest.raises(ValueError, match="has 14 groups, ride 1 has 16"):
        changes.change(ride_id, {"pack": HERON.name, "name": "kept out"})
    assert store.rides.ride(ride_id).name is None, "all of a change or none of it"


def test_deletion_is_undone_and_a_purge_leaves_nothing_behind(store: Store, changes: Changes, history: History) -> None:
    gone, kept = record(store, 0.0), record(store, 1.0)
    history.summary(gone)
    changes.delete(gone)
    changes.restore(gone)
    assert [one.ride_id for one in store.rides.rides()] == [kept, gone]
    changes.delete(gone)
    assert store.rides.ride(gone).deleted and store.rides.samples(gone) is not None
    assert changes.purge() == [gone] and changes.purge() == []
    with pytest.raises(KeyError):
        store.rides.ride(gone)
    assert store.rides.event_count(gone) == 0 and store.rides.event_count(kept) == 1


def test_a_record_that_goes_on_is_not_deleted_nor_given_another_pack(store: Store, changes: Changes) -> None:
    ride_id = record(store, 0.0, open_end=True)
    for call in (lambda: changes.delete(ride_id), lambda: changes.change(ride_id, {"pack": OTTER.name})):
        with pytest.raises(ValueError, match="goes on"):
            call()
    changes.change(ride_id, {"note": "now"})
    for unknown in (changes.delete, changes.restore):
        with pytest.raises(KeyError):
            unknown(99)


@pytest.mark.slow
def test_health_over_rides_of_the_store(store: Store, history: History) -> None:
    for number in range(9):
        record(store, number * 30.0, weak=1.0 + 0.03 * number)
        history.summary(number + 1)
    told = history.health(OTTER.name)
    assert told["enough"] and told["ageing"] == [7] and told["rides"] == 9
    assert told["resistance"]["groups"][6]["trend"]["sure"]
    json.dumps(told, allow_nan=False)
    with pytest.raises(KeyError):
        history.health("nobody's")


@pytest.mark.slow
def test_a_pack_that_was_rebuilt_under_its_name_does_not_age_by_that(store: Store, history: History) -> None:
    """Four cells in parallel, then five: a fifth less resistance is no ageing backwards. Rewired, no ride counts."""
    four, rewired = replace(OTTER, parallel=4), replace(OTTER, series=14)
    for number in range(9):
        last = record(store, number * 20.0, pack=four if number < 4 else OTTER)
    for number in range(1, last + 1):
        history.summary(number)
    told = history.health(OTTER.name)
    assert told["rides"] == 5
    assert told["words"].endswith("4 rides of this pack as it was built before are left out.")
    assert history.summary(last)["earlier_rides"] == 4  # type: ignore[index]
    history.summary(record(store, 300.0, pack=rewired))
    told = history.health(OTTER.name)
    assert (told["series"], told["rides"]) == (14, 1)
    assert "9 rides of this pack as it was built before" in told["words"]


def test_two_rides_and_a_pack_on_one_axis(store: Store, history: History) -> None:
    record(store, 0.0), record(store, 1.0, rest_v=3.8), record(store, 2.0, pack=HERON)
    told = history.compare([1, OTTER.name], "energy", ["rest_v", "current_a"], 50)
    assert told["unit"] == "Wh" and len(told["x"]) == 50
    one, pack = told["sides"]
    assert (one["name"], one["ride_ids"]) == ("ride 1", [1])
    assert (pack["name"], pack["ride_ids"]) == (f"{OTTER.name}, 2 rides", [2, 1])
    assert max(value for value in one["channels"]["current_a"]["high"] if value is not None) == 45.0
    json.dumps(told, allow_nan=False)
    for sides, by, channels in (([99], "time", ["rest_v"]), (["nobody's"], "time", ["rest_v"])):
        with pytest.raises(KeyError):
            history.compare(sides, by, channels, 10)  # type: ignore[arg-type]
    for by, channels in (("mood", ["rest_v"]), ("time", ["luck"])):
        with pytest.raises(ValueError, match="unknown; there are"):
            history.compare([1], by, channels, 10)


@pytest.mark.slow
def test_the_other_process_says_the_same_and_catches_up(store: Store, history: History) -> None:
    first, second = record(store, 0.0), record(store, 3.0, weak=1.4)
    aside = ArchiveAside(store.path)
    assert [aside.catch_up(), aside.catch_up(), aside.catch_up()] == [first, second, None]
    assert aside.summary(second) == history.summary(second)
    assert aside.health(OTTER.name) == history.health(OTTER.name)
    assert aside.compare([first], "time", ["rest_v"], 20) == history.compare([first], "time", ["rest_v"], 20)
    with pytest.raises(KeyError):
        aside.summary(99)
    child = aside._process._process
    assert child is not None
    aside.close()
    assert not Path(f"/proc/{child.pid}").exists()


@pytest.mark.slow
def test_records_of_before_are_rides_without_a_name(tmp_path: Path) -> None:
    """A store of the schema before this one, with a ride in it, opened today."""
    from sagwise_daemon.io.store.migrate import migrate

    path = tmp_path / "rides.sqlite"
    migrate(path, "0003")
    raw = sqlite3.connect(path)
    pack = take(OTTER)
    raw.execute("INSERT INTO packs VALUES (1, ?, ?, ?, ?)", (pack.digest, pack.name, pack.series, pack.text))
    raw.execute(
        "INSERT INTO rides (ride_id, pack_id, started_unix_s, started_trusted, ended_by, duration_s, samples, alarms,"
        " temperatures, host_boot, last_monotonic_s) VALUES (1, 1, 1.76e9, 1, 'standstill', 60.0, 0, 0, 0, '', 0.0)"
    )
    raw.commit()
    raw.close()
    with Store.open(path) as store:
        (ride,) = store.rides.rides()
        assert (ride.kind, ride.name, ride.note, ride.deleted) == ("ride", None, "", False)

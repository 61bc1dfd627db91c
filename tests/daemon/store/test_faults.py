"""What can be wrong with the file or the disk. Law: the message says where, what and what to do; stored data stays.

The full disk is the kernel's own refusal (RLIMIT_FSIZE), not a patched function; the read-only cases run as another
user where the tests run as root, who is never refused.
"""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store import Recorder, Store, StoredRides
from sagwise_daemon.io.store.engine import reader_engine, writer_engine
from sagwise_daemon.io.store.ids import Ids

HERE = Path(__file__).parent
NOBODY = 65534


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"folder .*/none does not exist; create it"):
        Store.open(tmp_path / "none" / "rides.sqlite")
    assert not (tmp_path / "none").exists()


def test_a_folder_in_the_place_of_the_file(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="not a file"):
        Store.open(tmp_path)


NO_DATABASE = {
    "text": b"no database at all, just a note\n" * 40,
    "noise": random.Random(1).randbytes(5000),
    "torn": b"SQLite format 3\0" + b"\xff" * 4000,
}


@pytest.mark.parametrize("content", NO_DATABASE.values(), ids=NO_DATABASE)
def test_what_is_no_database_is_refused_and_left_alone(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "rides.sqlite"
    path.write_bytes(content)
    with pytest.raises(StoreError, match=r"rides\.sqlite: not a ride store .*name another file"):
        Store.open(path)
    assert path.read_bytes() == content


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "rides.sqlite"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE recipes (name TEXT)")
    connection.commit()
    connection.close()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="no schema revision"):
        Store.open(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("existing", [True, False])
@pytest.mark.slow
def test_a_place_that_may_not_be_written_is_named(tmp_path: Path, fresh: Path, existing: bool) -> None:
    folder = fresh.parent
    if not existing:
        fresh.unlink()
    folder.chmod(0o555)
    code = (
        "import os, sys, pathlib\n"
        "from sagwise_daemon.io.store import Store\n"
        f"if os.geteuid() == 0: os.setegid({NOBODY}); os.seteuid({NOBODY})\n"
        "from sagwise_daemon.errors import StoreError\n"
        "try: Store.open(pathlib.Path(sys.argv[1]))\n"
        "except StoreError as fault: print(fault)\n"
    )
    for parent in [folder, *folder.parents]:  # pytest's own folders let no other user through
        if parent.stat().st_uid == os.getuid() and parent != Path("/") and str(parent).startswith("/tmp/"):
            parent.chmod(parent.stat().st_mode | 0o055)
    try:
        done = subprocess.run([sys.executable, "-c", code, str(fresh)], capture_output=True, text=True, check=True)
    finally:
        folder.chmod(0o755)
    assert f"{fresh}: {folder} may not be read and written by this user; change its permissions" in done.stdout


FULL_DISK = """
import resource, signal, sys, pathlib
sys.path.insert(0, sys.argv[2])
from conftest import make_start, make_reading, make_event
from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store import Store

signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
store = Store.open(pathlib.Path(sys.argv[1]))
recorder = store.recorder
ride = recorder.begin_ride(make_start())
for n in range(40): recorder.append(ride, make_reading(n))
recorder.flush()
recorder.event(make_event(), ride, 1.0)[1].result(10)

def limit(size):
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))

limit(4096)
refused = 0
for n in range(40, 80): recorder.append(ride, make_reading(n))
late, done = recorder.event(make_event(102.0), ride, 2.0)
try: done.result(10)
except StoreError as fault: refused += 1; print("REFUSED", fault)
try: recorder.flush()
except StoreError as fault: refused += 1; print("REFUSED", fault)
assert refused == 2
assert store.rides.ride(ride).samples == 40 and len(store.rides.events(ride)) == 1
limit(resource.RLIM_INFINITY)
for n in range(80, 100): recorder.append(ride, make_reading(n))
recorder.event(make_event(104.0), ride, 3.0)[1].result(10)
recorder.flush()
found = store.rides.ride(ride)
assert (found.samples, found.alarms) == (100, 3), found
assert [e.event_id for e in store.rides.events(ride)] == [late + 1, late, late - 1]
assert not store.rides.gaps(ride)
store.close()
print("DONE")
"""


@pytest.mark.slow
def test_a_full_disk_fails_the_future_and_the_writer_lives_on(fresh: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(fresh), str(HERE)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("REFUSED") == 2 and "DONE" in done.stdout
    assert "event 2 (rest_low) is not stored" in done.stdout


def test_an_event_of_a_ride_that_never_was_fails_alone(store: Store, ridden, event) -> None:
    ride_id = ridden(store, 5)
    good, bad, also_good = (store.recorder.event(event(), n, 1.0)[1] for n in (ride_id, 4711, None))
    good.result(10)
    also_good.result(10)
    with pytest.raises(StoreError, match="not stored"):
        bad.result(10)
    store.recorder.flush()
    assert len(store.rides.events()) == 2


def test_a_closed_store_says_so(fresh: Path, ridden, readings, event) -> None:
    store = Store.open(fresh)
    recorder = store.recorder
    ride_id = ridden(store, 5)
    store.close()
    store.close()
    with pytest.raises(StoreError, match="closed"):
        recorder.append(ride_id, readings(6))
    with pytest.raises(StoreError, match="closed"):
        recorder.event(event(), None, 1.0)[1].result(1)
    with pytest.raises(StoreError, match="closed"):
        recorder.flush()


def test_a_damaged_chunk_costs_its_own_minute_only(fresh: Path, ridden) -> None:
    with Store.open(fresh) as store:
        ride_id = ridden(store, 5000, ended_by="stopped")
        whole = store.rides.samples(ride_id).rows
    connection = sqlite3.connect(fresh)
    chunk, count, blob = connection.execute(
        "SELECT chunk_id, samples, blob FROM chunks WHERE kind=1 LIMIT 1"
    ).fetchone()
    connection.execute("UPDATE chunks SET blob=? WHERE chunk_id=?", (blob[:60] + b"\0" + blob[61:], chunk))
    connection.commit()
    connection.close()
    with Store.open(fresh) as store:
        assert store.rides.samples(ride_id).rows == whole - count
        assert store.rides.envelope(ride_id, ["loaded_v"], 10).low.shape == (1, 10)


def test_a_damaged_last_chunk_ends_the_ride_instead_of_stopping_the_daemon(fresh: Path, ridden) -> None:
    with Store.open(fresh) as store:
        ride_id = ridden(store, 50)
    connection = sqlite3.connect(fresh)
    connection.execute("UPDATE pieces SET blob = x'01' WHERE kind = 1")
    connection.commit()
    connection.close()
    with Store.open(fresh) as store:
        assert store.recorder.unfinished() is None
        store.recorder.flush()
        assert store.rides.ride(ride_id).ended_by == "power"


def test_while_another_holds_the_file_the_oldest_samples_go_and_the_gap_is_kept(fresh: Path, start, readings) -> None:
    readers = reader_engine(fresh)
    recorder = Recorder(fresh, readers, samples_max=60)
    ride_id = recorder.begin_ride(start())
    recorder.append(ride_id, readings(0))
    recorder.flush()
    other = sqlite3.connect(fresh, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    for number in range(1, 200):
        recorder.append(ride_id, readings(number))
    other.execute("ROLLBACK")
    other.close()
    recorder.flush()
    rides = StoredRides(readers)
    gaps = rides.gaps(ride_id)
    assert {gap.cause for gap in gaps} == {"queue_full"}
    assert rides.ride(ride_id).samples == 200 - sum(gap.samples for gap in gaps) < 200
    numbers = (rides.samples(ride_id).time_us // 50_000).tolist()
    assert numbers[-1] == 199 and numbers == sorted(set(numbers))
    lost = set(range(200)) - set(numbers)
    said = [range(gap.first_time_us // 50_000, gap.last_time_us // 50_000 + 1) for gap in gaps]
    assert all(any(number in span for span in said) for number in lost)
    assert (min(lost), max(lost)) == (min(span[0] for span in said), max(span[-1] for span in said))
    recorder.close()
    readers.dispose()


def test_identifiers_come_from_reserved_blocks_and_go_back(fresh: Path) -> None:
    engine = writer_engine(fresh)
    one, other = Ids("event", 4), Ids("event", 4)
    with engine.begin() as connection:
        one.add(one.reserve(connection))
        other.add(other.reserve(connection))
        one.add(one.reserve(connection))
    assert [one.take() for _ in range(5)] == [1, 2, 3, 4, 9] and other.take() == 5
    assert not one.low and other.take() == 6 and other.low
    with engine.begin() as connection:
        other.give_back(connection)  # `one` has reserved behind these: they stay a hole
        one.give_back(connection)
        assert other.take() is None and one.take() is None
        assert one.reserve(connection) == range(10, 14)
    engine.dispose()

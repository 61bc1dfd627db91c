"""Torn files and their repair. Law: after any damage the store opens, or the doctor says what it found and exits 1; a
repair keeps everything that was not hit.
"""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.__main__ import main
from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.export import export_ride
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.archive import ArchiveAside
from sagwise_daemon.io.store.changes import Changes
from sagwise_daemon.io.store.columns import COARSE, ESTIMATES, FINE, GROUP, SAMPLES
from sagwise_daemon.io.store.examine import examine
from sagwise_daemon.io.store.history import History
from sagwise_daemon.judge import Judge

COUNT = 1300
NOBODY = 65534


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory, empty_store: Path, start, readings, estimates, event) -> Path:
    """Two rides that have ended, the first in two chunks, and one that goes on; with events and overviews."""
    path = Path(shutil.copy(empty_store, tmp_path_factory.mktemp("doctor") / "rides.sqlite"))
    with Store.open(path) as store:
        for ride_id, count in ((1, 2600), (2, COUNT), (3, 100)):
            assert store.recorder.begin_ride(start()) == ride_id
            for number in range(count):
                store.recorder.append(ride_id, readings(number))
                store.recorder.append_estimate(ride_id, estimates(number))
                if number % 650 == 649:
                    store.recorder.flush()
            store.recorder.event(event(), ride_id, 1.0)[1].result(10)
            if ride_id < 3:
                store.recorder.end_ride(ride_id, "standstill")
            store.recorder.flush()
        until = time.monotonic() + 20
        while not (store.rides.has_overview(1) and store.rides.has_overview(2)) and time.monotonic() < until:
            time.sleep(0.05)
    return path


@pytest.fixture
def path(kept: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(kept, tmp_path / "rides.sqlite"))


def change(path: Path, statement: str, *values: object) -> None:
    connection = sqlite3.connect(path)
    connection.execute(statement, values)
    connection.commit()
    connection.close()


def spoil_blob(path: Path, ride_id: int, kind: int) -> tuple[int, int, int]:
    """Flip one bit in the middle of the ride's first chunk of a kind. Returns its key and span."""
    connection = sqlite3.connect(path)
    query = "SELECT chunk_id, first_time_us, last_time_us, blob FROM chunks WHERE ride_id=? AND kind=? ORDER BY 2"
    key, first, last, blob = connection.execute(query, (ride_id, kind)).fetchone()
    spoilt = bytearray(blob)
    spoilt[len(blob) // 2] ^= 0x10
    connection.execute("UPDATE chunks SET blob=? WHERE chunk_id=?", (bytes(spoilt), key))
    connection.commit()
    connection.close()
    return key, first, last


def doctor(*words: object) -> int:
    return main(["doctor", *map(str, words)])


def test_a_whole_store_is_whole_and_untouched(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = path.read_bytes()
    assert doctor("--data", path.parent) == 0
    assert "nothing is wrong" in capsys.readouterr().out and path.read_bytes() == before
    assert doctor("--data", path, "--repair") == 0


def test_a_damaged_chunk_is_named_dropped_and_the_rest_kept(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    key, first, last = spoil_blob(path, 1, SAMPLES)
    before = path.read_bytes()
    assert doctor("--data", path) == 1
    named = f"ride 1, samples from {first / 1e6:.3f} s to {last / 1e6:.3f} s (chunk {key}):"
    assert named in capsys.readouterr().out and path.read_bytes() == before
    with Store.open(path) as store:
        chart = store.rides.overview(1, ["loaded_v"])
    assert doctor("--data", path, "--repair") == 1
    assert f"done: dropped chunk {key} of ride 1" in capsys.readouterr().out
    assert doctor("--data", path) == 0
    with Store.open(path) as store:
        (gap,) = store.rides.gaps(1)
        assert (gap.cause, gap.first_time_us, gap.last_time_us) == ("damaged", first, last)
        left = store.rides.samples(1)
        assert left is not None and left.time_us[0] > last and left.rows + gap.samples == 2600
        assert store.rides.samples(2).rows == COUNT and len(store.rides.events()) == 3
        assert store.rides.overview(1, ["loaded_v"]) == chart  # the minute lives on in the levels


def test_a_chunk_that_is_gone_hides_behind_no_damaged_one(path: Path) -> None:
    """One repair is enough."""
    spoil_blob(path, 1, SAMPLES)
    change(path, "DELETE FROM chunks WHERE ride_id = 1 AND kind = ? AND first_time_us > 0", SAMPLES)
    assert doctor("--data", path, "--repair") == 1
    assert examine(path) == []


@pytest.mark.parametrize("kind", [FINE, COARSE])
def test_damaged_levels_are_made_again(path: Path, kind: int) -> None:
    with Store.open(path) as store:
        chart, fine = store.rides.overview(1, ["loaded_v"]), store.rides.envelope(1, ["group_02_v"], 30)
    spoil_blob(path, 1, kind)
    (finding,) = examine(path)
    assert finding.levels and "extremes" in finding.text
    assert doctor("--data", path, "--repair") == 1
    assert examine(path) == []
    with Store.open(path) as store:
        assert store.rides.overview(1, ["loaded_v"]) == chart and not store.rides.gaps(1)
        np.testing.assert_array_equal(store.rides.envelope(1, ["group_02_v"], 30).low, fine.low)


def test_levels_that_are_not_those_of_the_samples_are_found(path: Path) -> None:
    change(
        path,
        "UPDATE chunks SET (blob, samples, last_time_us) = (SELECT blob, samples, last_time_us FROM chunks "
        "WHERE ride_id = 2 AND kind = 3) WHERE ride_id = 1 AND kind = 3",
    )
    assert any("not what the samples give" in finding.text for finding in examine(path))
    assert doctor("--data", path, "--repair") == 1 and examine(path) == []


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE overviews SET body = substr(body, 2) WHERE ride_id = 2", "ride 2, overview"),
        ("UPDATE chunks SET samples = samples + 1 WHERE ride_id=2 AND kind=1", "its content is not what its row says"),
        ("DELETE FROM chunks WHERE ride_id = 2 AND kind = 1", "ride 2: 1300 samples were counted, 0 are there"),
        ("UPDATE pieces SET blob = x'00' WHERE kind = 1", "ride 3, samples from"),
        ("DELETE FROM packs", "belongs to a row of packs that is gone"),
        ("DELETE FROM rides WHERE ride_id = 1", "belongs to a row of rides that is gone"),
    ],
)
@pytest.mark.slow
def test_other_damage_is_named_and_put_right(path: Path, statement: str, words: str) -> None:
    change(path, statement)
    assert any(words in finding.text for finding in examine(path)), examine(path)
    assert doctor("--data", path, "--repair") == 1
    assert examine(path) == []
    with Store.open(path) as store:
        assert len(store.rides.rides()) >= 2 and len(store.rides.events()) == 3
        if (left := store.recorder.unfinished()) is not None:
            store.recorder.end_ride(left.ride_id, "power")
        store.recorder.flush()
        assert all(ride.ended_by for ride in store.rides.rides())


def test_estimates_lost_leave_samples_whole(path: Path) -> None:
    spoil_blob(path, 2, ESTIMATES)
    assert doctor("--data", path, "--repair") == 1 and examine(path) == []
    with Store.open(path) as store:
        assert store.rides.samples(2).rows == COUNT and store.rides.estimates(2) is None


def opens(path: Path) -> bool:
    try:
        with Store.open(path) as store:
            for ride in store.rides.rides():
                store.rides.samples(ride.ride_id)
                store.rides.overview(ride.ride_id, ["loaded_v"])
    except (StoreError, KeyError, ValueError):
        return False
    return True


def tear(path: Path, seed: int) -> str:
    """Cut the file, or overwrite a run of bytes anywhere in it, as a torn write or a worn card does."""
    rng = random.Random(seed)
    size = path.stat().st_size
    if rng.random() < 0.3:
        os.truncate(path, rng.randrange(size))
        return "cut"
    with path.open("r+b") as file:
        for _ in range(rng.choice((1, 1, 4))):
            file.seek(rng.randrange(size))
            file.write(rng.randbytes(rng.choice((1, 16, 512, 1024))))
    return "overwritten"


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.slow
def test_torn_anywhere_it_opens_or_the_doctor_says_so(
    path: Path, seed: int, capsys: pytest.CaptureFixture[str]
) -> None:
    how = tear(path, seed)
    found = doctor("--data", path)
    said = capsys.readouterr().out
    assert found in (0, 1) and (found == 0 or "found: " in said), how
    if found == 0:
        assert opens(path)
    else:
        assert doctor("--data", path, "--repair") == 1
        if path.stat().st_size and "not one row" not in capsys.readouterr().err:
            assert examine(path) == []
            assert opens(path)


@pytest.mark.parametrize("seed", range(6))
def test_a_torn_log_loses_no_more_than_its_end(path: Path, seed: int, readings) -> None:
    folder = path.parent / "cut"
    folder.mkdir()
    with Store.open(path) as store:
        left = store.recorder.unfinished()
        for number in range(100, 700):
            store.recorder.append(left.ride_id, readings(number))
            if number % 50 == 49:
                store.recorder.flush()
        for file in path.parent.glob("rides.sqlite*"):
            shutil.copy(file, folder / file.name)
    torn = folder / path.name
    tear(Path(f"{torn}-wal"), seed)
    found = examine(torn)
    assert all(finding.text for finding in found)
    assert opens(torn) or found
    with Store.open(torn) as store:
        table = store.rides.samples(3)
        assert 100 <= table.rows <= 700
        sent = np.stack([readings(number).group_v for number in range(table.rows)])
        np.testing.assert_array_equal(table.floats(GROUP).T, sent)


@pytest.mark.slow
def test_a_damaged_file_is_kept_beside_the_new_one(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with path.open("r+b") as file:
        file.seek(path.stat().st_size // 2)
        file.write(b"\xff" * 2048)
    damaged = path.read_bytes()
    assert doctor("--data", path, "--repair") == 1
    assert "the damaged file is rides.sqlite.damaged-1" in capsys.readouterr().out
    assert (path.parent / "rides.sqlite.damaged-1").read_bytes() == damaged
    assert examine(path) == [] and opens(path)


@pytest.mark.slow
def test_identifiers_are_not_given_again_after_a_repair(path: Path, start, readings, event) -> None:
    change(path, "DELETE FROM packs")
    assert doctor("--data", path, "--repair") == 1
    with Store.open(path) as store:
        ride_id = store.recorder.begin_ride(start())
        store.recorder.append(ride_id, readings(0))
        event_id, done = store.recorder.event(event(), ride_id, 1.0)
        done.result(10)
        assert ride_id > 3 and event_id > 3


@pytest.mark.slow
def test_repair_waits_for_nobody(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spoil_blob(path, 1, SAMPLES)
    with Store.open(path) as store:
        store.recorder.flush()
        assert doctor("--data", path) == 1
        assert doctor("--data", path, "--repair") == 2
        assert "stop the daemon first" in capsys.readouterr().err


def test_what_there_is_not(tmp_path: Path, path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert doctor("--data", tmp_path / "nowhere") == 2
    assert doctor("--config", tmp_path / "none.toml") == 2
    change(path, "UPDATE alembic_version SET version_num = '9077'")
    assert doctor("--data", path) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 3 and "newer sagwise" in lines[2]


@pytest.mark.parametrize("content", [b"", b"no database, a note\n" * 100], ids=["empty", "note"])
def test_no_store_at_all_is_said(tmp_path: Path, content: bytes, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "rides.sqlite").write_bytes(content)
    assert doctor("--data", tmp_path) == 1
    assert "found: the file" in capsys.readouterr().out
    assert (tmp_path / "rides.sqlite").read_bytes() == content


def test_as_json(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spoil_blob(path, 1, SAMPLES)
    assert doctor("--data", path, "--json") == 1
    document = json.loads(capsys.readouterr().out)
    assert document["findings"][0]["ride_id"] == 1 and document["done"] == []


READ_ONLY = """
import os, sys
from sagwise_daemon import doctor  # all that is imported comes before: the libraries may be root's own
from sagwise_daemon.__main__ import main
if os.geteuid() == 0: os.setegid(int(sys.argv[2])); os.seteuid(int(sys.argv[2]))
sys.exit(main(["doctor", "--data", sys.argv[1]]))
"""


@pytest.mark.slow
def test_a_store_that_may_not_be_written_is_said(path: Path) -> None:
    """Another user, as root is never refused."""
    for parent in [path.parent, *path.parents]:  # pytest's own folders let no other user through
        if parent.stat().st_uid == os.getuid() and str(parent).startswith("/tmp/"):
            parent.chmod(parent.stat().st_mode | 0o055)
    path.chmod(0o444)
    before = path.read_bytes()
    done = subprocess.run(
        [sys.executable, "-c", READ_ONLY, str(path), str(NOBODY)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1 and f"found: {path} may not be written by this user" in done.stdout, done
    assert path.read_bytes() == before and "Traceback" not in done.stderr


@pytest.mark.slow
def test_rides_whose_pack_is_lost_are_whole_but_for_it(
    path: Path, tmp_path: Path, start, readings, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing that is asked of them fails, the rides after them get their summaries, and the pack can be named."""
    change(path, "DELETE FROM packs")
    assert doctor("--data", path, "--repair") == 1
    assert "`sagwise rides 2 --correct-pack NAME`" in capsys.readouterr().out
    with Store.open(path) as store:
        after = store.recorder.begin_ride(start())
        for number in range(200):
            store.recorder.append(after, readings(number))
        store.recorder.end_ride(after, "standstill")
        store.recorder.flush()
        assert "group_04_v" in store.rides.channels(1)
        archive, what_if = ArchiveAside(path), Judge(path, lambda name: None)
        try:
            assert [pack.name for pack in archive.known_packs()] == ["Otter 16s5p"]
            assert archive.summary(1) is None
            for ask in (what_if.judge, archive.report, lambda ride: archive.compare([ride, after], "time", [], 10)):
                with pytest.raises(ValueError, match="the pack of ride 1 is not known any more"):
                    ask(1)
            made = [archive.catch_up() for _ in range(5)]
            assert made == [1, 2, after, None, None], "one that cannot have a summary holds up no other"
            assert len(export_ride(store, 1, tmp_path)) == 2
            archive.change(1, {"pack": "Otter 16s5p"})
            assert archive.summary(1) is not None
        finally:
            archive.close()
            what_if.close()
    assert main(["rides", "1", "2", "--store", str(path)]) == 0
    told = capsys.readouterr().out
    assert "ride 1\n" in told and "unknown" in told


@pytest.mark.slow
@pytest.mark.parametrize("left", [0.99, 0.8])
def test_a_file_that_was_cut_short_loses_its_end_only(
    path: Path, left: float, capsys: pytest.CaptureFixture[str]
) -> None:
    """As when a card loses the last pages: before, not one row could be read."""
    os.truncate(path, round(path.stat().st_size * left))
    cut = path.read_bytes()
    assert doctor("--data", path, "--repair") == 1
    words = capsys.readouterr().out
    found = re.search(r"copied (\d+) rows into a new file, at least (\d+) could not be read", words)
    assert found and int(found[1]) > 20 and int(found[2]) < 20, words
    assert (path.parent / "rides.sqlite.damaged-1").read_bytes() == cut
    with Store.open(path) as store:
        assert {ride.ride_id for ride in store.rides.rides()} == {1, 2, 3}
        whole = [
            ride for ride in (1, 2) if (table := store.rides.samples(ride)) and table.rows == (2600, COUNT)[ride - 1]
        ]
        assert whole
    assert examine(path) == []


def overwrite(path: Path, pages: Iterable[int], size: int = 1024) -> None:
    with path.open("r+b") as file:
        for number in pages:
            file.seek((number - 1) * size)
            file.write(b"\xff" * size)


def pages_of_the_list(path: Path) -> list[int]:
    with closing(sqlite3.connect(path)) as connection:
        return [n for (n,) in connection.execute("SELECT pageno FROM dbstat WHERE name = 'sqlite_schema'")]


@pytest.mark.parametrize("hit", [(0, 1, 2), (4, 5, 6)])
@pytest.mark.slow
def test_a_damaged_list_of_tables_costs_nothing(
    path: Path, hit: tuple[int, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    """The file's first page, or others that SQLite finds the tables by: before, not one row could be read."""
    listed = pages_of_the_list(path)
    assert listed[0] == 1 and len(listed) == 7
    with Store.open(path) as store:
        charts = [store.rides.overview(ride, ["loaded_v"]) for ride in (1, 2)]
    overwrite(path, [listed[number] for number in hit])
    damaged = path.read_bytes()
    assert doctor("--data", path, "--repair") == 1
    done = capsys.readouterr().out
    assert "done: made the damaged list of tables again" in done and "at least 0 could not be read" in done
    assert (path.parent / "rides.sqlite.damaged-1").read_bytes() == damaged
    assert examine(path) == [] and not list(path.parent.glob("*.listed*"))
    with Store.open(path) as store:
        assert [store.rides.samples(ride).rows for ride in (1, 2, 3)] == [2600, COUNT, 100]
        assert [store.rides.overview(ride, ["loaded_v"]) for ride in (1, 2)] == charts
        assert len(store.rides.events()) == 3 and store.rides.pack(1)


@pytest.mark.slow
def test_what_a_log_holds_is_kept_with_a_damaged_list_of_tables(path: Path) -> None:
    """As after a power cut that also cost a page: what was written last is in the log alone."""
    torn = path.parent / "cut" / path.name
    torn.parent.mkdir()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE rides SET note = 'in the log' WHERE ride_id = 1")
        connection.commit()
        for end in ("", "-wal"):
            shutil.copy(f"{path}{end}", f"{torn}{end}")
    overwrite(torn, [1])
    assert doctor("--data", torn, "--repair") == 1
    assert examine(torn) == []
    with Store.open(torn) as store:
        assert [store.rides.samples(ride).rows for ride in (1, 2, 3)] == [2600, COUNT, 100]
        assert store.rides.ride(1).note == "in the log"


@pytest.mark.slow
def test_a_list_of_tables_is_not_made_where_they_lie_elsewhere(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that another program wrote anew, or an older sagwise began: rather nothing than rows of another table."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for name in ("overviews", "summaries"):  # again, behind the rows of the others
            (words,) = connection.execute("SELECT sql FROM sqlite_master WHERE name = ?", (name,)).fetchone()
            connection.execute(f"DROP TABLE {name}")
            connection.execute("INSERT INTO counters VALUES (?, 1)", (name * 1000,))  # what is free now is used
            connection.execute(words)
    overwrite(path, [1])
    damaged = path.read_bytes()
    assert doctor("--data", path, "--repair") == 1
    assert "not one row can be read, and the file is left as it is" in capsys.readouterr().err
    assert path.read_bytes() == damaged and [file.name for file in path.parent.iterdir()] == ["rides.sqlite"]


def test_damaged_facts_of_a_pack_are_named_and_cost_its_facts_only(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    change(path, "UPDATE packs SET snapshot = replace(snapshot, '4.18', '4.98')")
    assert doctor("--data", path) == 1
    assert "found: pack 'Otter 16s5p' (pack 1): its facts are not what they were" in capsys.readouterr().out
    assert doctor("--data", path, "--repair") == 1
    assert "`sagwise rides 2 --correct-pack NAME`" in capsys.readouterr().out
    assert examine(path) == []
    with Store.open(path) as store:
        assert [ride.pack for ride in store.rides.rides()] == ["Otter 16s5p"] * 3 and store.rides.pack(1) == {}


@pytest.mark.parametrize("text", ['{"cell":', "[]", "nothing"])
def test_texts_that_are_no_json_are_no_fault_of_the_reader(path: Path, text: str) -> None:
    """A summary is made again, a pack is not known any more."""
    with Store.open(path) as store:
        history, changes = History(store._readers, path), Changes(store._readers, path)
        made = history.summary(1)
        assert made is not None
        change(path, "UPDATE summaries SET document = ? WHERE ride_id = 1", text)
        assert history.summary(1) == made and history.health("Otter 16s5p")
        change(path, "UPDATE packs SET snapshot = ?", text)
        assert history.summary(1, again=True) is None
        assert history.pack(1) is None and changes.known_packs() == []
        history.close()
        changes.close()

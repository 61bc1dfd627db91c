"""Out and in: an export comes back as it went out; other CSVs through a mapping; bad rows are named, none is stored."""

from __future__ import annotations

import gzip
import json
import shutil
import subprocess
import sys
from argparse import ArgumentParser
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon import take_in
from sagwise_daemon.__main__ import main
from sagwise_daemon.config import built_in_pack
from sagwise_daemon.config.mapping import EXAMPLE, load_mapping
from sagwise_daemon.domain.model import AlarmState, Basis
from sagwise_daemon.errors import ConfigError, InputError, TraceError
from sagwise_daemon.io import export
from sagwise_daemon.io.foreign import read_foreign
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.changes import Changes
from sagwise_daemon.io.store.columns import CLOCK, Table
from sagwise_daemon.io.store.history import History
from sagwise_daemon.io.trace import Trace, write_trace

OTTER_FILE, OTTER = built_in_pack("otter")
UPTIME = [*range(1_000_000, 2_250_000, 50_000), *range(340_000, 2_090_000, 50_000)]  # microseconds, over a reboot


@pytest.fixture
def target(tmp_path: Path, empty_store: Path) -> Path:
    """An empty store of this test's own."""
    return Path(shutil.copy(empty_store, tmp_path / "target.sqlite"))


def run(*words: object) -> int:
    parser = ArgumentParser()
    take_in.add_arguments(parser)
    return take_in.run(parser.parse_args([str(word) for word in words]))


def same(one: Table, other: Table) -> None:
    for number in range(len(one.blocks)):
        np.testing.assert_array_equal(one.block(number).values, other.block(number).values, err_msg=f"block {number}")
        np.testing.assert_array_equal(one.block(number).valid, other.block(number).valid, err_msg=f"block {number}")


@pytest.fixture
def out_and_in(store: Store, ridden: Callable[..., int], event, tmp_path: Path, empty_store: Path):
    """A ride with events, a note and a summary, exported and imported into another store."""

    def go(form: str = "csv") -> tuple[Store, int, Store, int]:
        ride_id = ridden(store, 2500)
        for number, to in enumerate((AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.UNACKNOWLEDGED)):
            one = replace(event(100.5 + number, to), basis=Basis.REST, by="page" if number == 1 else None)
            store.recorder.event(one, ride_id, 1_760_000_000.5 + number)[1].result(5)
        store.recorder.end_ride(ride_id, "standstill")
        store.recorder.flush()
        changes = Changes(store._readers, store.path)
        changes.change(ride_id, {"name": "Quarry", "note": "front sprocket 14"})
        changes.close()
        file, _ = export.export_ride(store, ride_id, tmp_path, form)
        target = Path(shutil.copy(empty_store, tmp_path / "other.sqlite"))
        assert run(file, "--store", target) == 0
        other = Store.open(target)
        return store, ride_id, other, other.rides.rides()[0].ride_id

    return go


@pytest.mark.parametrize("form", ["csv", "csv.gz", "npz", pytest.param("parquet", marks=pytest.mark.slow)])
def test_an_export_comes_back_the_same(out_and_in, form: str) -> None:
    store, ride_id, other, came = out_and_in(form)
    with other:
        for read in ("samples", "estimates"):
            same(getattr(store.rides, read)(ride_id), getattr(other.rides, read)(came))
        assert replace(other.rides.ride(came), ride_id=ride_id) == store.rides.ride(ride_id)
        assert (other.rides.ride(came).name, other.rides.ride(came).note) == ("Quarry", "front sprocket 14")
        assert other.rides.boots(came) == store.rides.boots(ride_id)
        assert other.rides.gaps(came) == store.rides.gaps(ride_id)
        assert other.rides.pack(came) == store.rides.pack(ride_id)
        events = [
            [(one.ride_s, one.unix_s, replace(one.event, time_s=0.0)) for one in rides.rides.events(number, 100)]
            for rides, number in ((store, ride_id), (other, came))
        ]
        assert len(events[0]) == 3 and events[0] == events[1]
        summaries = [
            History(rides._readers, rides.path).summary(number) for rides, number in ((store, ride_id), (other, came))
        ]
        assert summaries[0] is not None and summaries[0] == summaries[1]
        assert other.rides.envelope(came, ["loaded_v"], 50).low.shape == (1, 50)


def test_the_boards_own_time_comes_back_over_a_reboot(
    store: Store, start, readings, tmp_path: Path, target: Path
) -> None:
    """A trace has no column for it: the side file tells where each boot began."""
    ride_id = store.recorder.begin_ride(start())
    for number in range(60):
        store.recorder.append(
            ride_id, replace(readings(number, boot_id=7 if number < 25 else 9), uptime_us=UPTIME[number])
        )
    store.recorder.end_ride(ride_id, "standstill")
    store.recorder.flush()
    file, _ = export.export_ride(store, ride_id, tmp_path)
    assert run(file, "--store", target) == 0
    with Store.open(target) as other:
        samples = [rides.rides.samples(ride.ride_id) for rides in (store, other) for ride in rides.rides.rides()]
        for table in samples:
            uptime_us = table.block(CLOCK).values[0] + table.time_us
            assert uptime_us.tolist() == UPTIME
        same(*samples)


def test_an_export_of_the_import_is_the_export(out_and_in, tmp_path: Path) -> None:
    _, ride_id, other, came = out_and_in()
    with other:
        again, side = export.export_ride(other, came, tmp_path / "again.csv")
    assert again.read_bytes() == (tmp_path / f"ride-{ride_id}.csv").read_bytes()
    documents = [json.loads(path.read_text()) for path in (side, tmp_path / f"ride-{ride_id}.json")]
    for told in documents:
        del told["ride"]["ride_id"]
        for event in told["events"]:
            del event["event_id"]
    assert documents[0] == documents[1]


def test_given_again_it_goes_on_where_it_was(out_and_in, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, ride_id, other, came = out_and_in()
    with other:
        assert run(tmp_path / f"ride-{ride_id}.csv", "--store", other.path) == 0
        assert f"imported before as ride {came}" in capsys.readouterr().out
        assert len(other.rides.rides()) == 1
        assert run(tmp_path / f"ride-{ride_id}.csv", "--store", other.path, "--again") == 0
        assert len(other.rides.rides()) == 2


def test_a_trace_that_was_changed_since_is_reckoned_anew(out_and_in, tmp_path: Path) -> None:
    store, ride_id, other, _ = out_and_in()
    file = tmp_path / f"ride-{ride_id}.csv"
    file.write_text("".join(file.read_text().splitlines(keepends=True)[:1001]))
    with other:
        assert run(file, "--store", other.path) == 0
        cut = max(other.rides.rides(), key=lambda ride: ride.ride_id)
        assert cut.samples == 1000 and cut.duration_s < store.rides.ride(ride_id).duration_s
        assert History(other._readers, other.path).summary(cut.ride_id)["samples"] == 1000  # type: ignore[index]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda told: told["pack"].pop("cell"), "pack is not as an export writes it (KeyError: 'cell')"),
        (lambda told: told["events"][0].update(to="sleeping"), "events is not as an export writes it"),
        (lambda told: told["ride"].update(kind="walk"), "allowed are ride, charge, standing"),
        (lambda told: told["estimates"].update(soc=[[1.0]]), "estimates is not as an export writes it"),
        (lambda told: told.update(format=77), "no side file of format 1 or 2"),
        (lambda told: told["boots"][0].update(unix_s="noon"), "boots is not as an export writes it"),
    ],
)
@pytest.mark.slow
def test_a_side_file_that_is_not_whole_is_refused_and_nothing_is_stored(out_and_in, tmp_path, change, words) -> None:
    _, ride_id, other, _ = out_and_in()
    side = tmp_path / f"ride-{ride_id}.json"
    told = json.loads(side.read_text())
    change(told)
    side.write_text(json.dumps(told))
    with other:
        with pytest.raises(InputError) as caught:
            run(tmp_path / f"ride-{ride_id}.csv", "--store", other.path, "--again")
        assert words in str(caught.value) and "\n" not in str(caught.value)
        assert len(other.rides.rides()) == 1


def simple_trace(rows: int = 1200, series: int = 16) -> Trace:
    """Two minutes at 10 Hz: rest, 40 A, rest."""
    time_s = 500.0 + np.arange(rows) / 10
    current = np.where((time_s > 520) & (time_s < 580), 40.0, 0.0)
    volts = np.round(3.9 - current[:, None] * 0.003 + np.zeros(series), 4)
    return Trace(time_s, volts, current, np.full((rows, 1), 25.0), None)


def test_a_bare_trace_is_judged_by_the_estimator_of_today(tmp_path: Path, target: Path) -> None:
    file = tmp_path / "bare.csv"
    write_trace(file, simple_trace())
    with pytest.raises(InputError, match="name one with --pack"):
        run(file, "--store", target)
    started = "2026-05-01T10:00:00Z"
    assert run(file, "--store", target, "--pack", OTTER_FILE, "--started", started) == 0
    with Store.open(target) as store:
        (ride,) = store.rides.rides()
        assert (ride.kind, ride.samples, ride.started_trusted) == ("ride", 1200, True)
        assert ride.started_unix_s == 1777629600.0
        estimates = store.rides.estimates(ride.ride_id)
        assert estimates is not None and estimates.rows == 120
        assert ride.rest_min_v is not None and 3.8 < ride.rest_min_v < 3.9


MAPPING = """
[file]
separator = ";"
decimal = ","
skip_lines = 1
[time]
column = "Zeit"
unit = "ms"
[groups]
columns = ["Z1", "Z2", "Z3"]
first = "positive"
unit = "mV"
[current]
column = "Strom"
unit = "mA"
positive = "charge"
[temperatures]
columns = ["T"]
unit = "degF"
[distance]
column = "Weg"
unit = "km"
"""
LINES = [
    "logger 7;;;;;;;",
    "Zeit;Weg;Z1;Z2;Z3;Strom;T;Rest",
    "0;0,0;3901,5;3902;3903;-40000;77;x",
    "100;0,001;3801,5;;3803;-41000,5;77,9;y",
]


@pytest.fixture
def mapping(tmp_path: Path) -> Path:
    path = tmp_path / "logger.toml"
    path.write_text(MAPPING)
    return path


def test_units_signs_and_group_order_of_a_mapping(tmp_path: Path, mapping: Path) -> None:
    """77 degF is 25 degC; 40 A out of the pack is -40000 mA where charging is positive; Z3 is the negative end."""
    file = tmp_path / "log.csv"
    file.write_text("\n".join(LINES) + "\n")
    trace = read_foreign(file, load_mapping(mapping), 3)
    assert trace.time_s.tolist() == [0.0, 0.1]
    np.testing.assert_allclose(trace.group_v, [[3.903, 3.902, 3.9015], [3.803, np.nan, 3.8015]])
    assert trace.current_a is not None and trace.current_a.tolist() == [40.0, 41.0005]
    np.testing.assert_allclose(trace.temperature_c[:, 0], [25.0, 25.5])
    assert trace.distance_m is not None and trace.distance_m.tolist() == [0.0, 1.0]


def test_every_bad_row_is_named_by_its_line_and_nothing_is_stored(tmp_path: Path, mapping: Path, target: Path) -> None:
    file, pack = tmp_path / "log.csv", tmp_path / "three.toml"
    pack.write_text(OTTER_FILE.read_text().replace("series = 16", "series = 3"))
    bad = [
        "200;0;3901;3902;39O3;0;77;",
        "300;0;3901",
        "150;0;1;2;3;0;77;",
        "100;0;1;2;3;0;77;",
        "400;0;3,9;nan;1;0;77;",
    ]
    file.write_text("\n".join([*LINES, *bad, "500;0;3901;3902;99999;0;77;", "600;0;3901;3902;3903;0;77;"]) + "\n")
    with pytest.raises(TraceError) as caught:
        run(file, "--store", target, "--pack", pack, "--mapping", mapping)
    told = str(caught.value)
    assert "\n" not in told and "5 bad rows, nothing is stored" in told
    for words in (
        "line 5: Z3 is '39O3', no number",
        "line 6: has 3 fields, the header 8",
        "line 8: its time, 0.1 s, does not come after 0.15 s",
        "line 9: Z2 is 'nan', no number",
        "line 10: Z3 is 99.999 V; allowed is -16.384 to 16.3835, so its unit is wrong",
    ):
        assert words in told
    with Store.open(target) as store:
        assert store.rides.rides() == []


@pytest.mark.slow
def test_a_store_is_made_with_the_first_ride_that_can_be_used(tmp_path: Path) -> None:
    """A wrong file or a wrong word leaves nothing behind, where before it left an empty store."""
    good, bad, store = tmp_path / "good.csv", tmp_path / "bad.csv", tmp_path / "new.sqlite"
    time_s = np.arange(50) / 10
    write_trace(good, Trace(time_s, np.full((50, 16), 3.9), None, np.full((50, 0), np.nan), None))
    bad.write_text("time_s,group_01_v\n0,3.9\n", encoding="utf-8")
    for words in ((tmp_path / "none.csv",), (good,), (bad, "--pack", OTTER_FILE)):
        with pytest.raises(InputError):
            run(*words, "--store", store)
        assert not list(tmp_path.glob("new.sqlite*"))
    with pytest.raises(InputError, match="does not exist"):
        run(good, "--pack", OTTER_FILE, "--store", tmp_path / "none" / "new.sqlite")
    with pytest.raises(InputError):
        run(good, bad, "--pack", OTTER_FILE, "--store", store)
    with Store.open(store) as opened:
        assert [ride.samples for ride in opened.rides.rides()] == [50]


def test_json_says_what_became_of_every_file(tmp_path: Path, target: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Also where a later one fails: what was stored before it had been told to nobody."""
    good, bad, after = (tmp_path / name for name in ("good.csv", "bad.csv", "after.csv"))
    write_trace(good, simple_trace(50))
    bad.write_text("time_s,group_01_v\n0,3.9\n", encoding="utf-8")
    words = ["import", "--json", "--store", str(target), "--pack", str(OTTER_FILE), str(good)]
    assert main(words) == 0
    told = json.loads(capsys.readouterr().out)
    assert [ride["new"] for ride in told["rides"]] == [True] and (told["failed"], told["left"]) == (None, [])
    assert main([*words, str(bad), str(after)]) == 2
    out, err = capsys.readouterr()
    told = json.loads(out)
    assert [(ride["file"], ride["ride_id"], ride["new"]) for ride in told["rides"]] == [(str(good), 1, False)]
    assert told["failed"]["file"] == str(bad) and "group" in told["failed"]["why"]
    assert told["left"] == [str(after)] and told["failed"]["why"] in " ".join(err.split())


def test_only_twenty_bad_rows_are_told_and_the_rest_counted(tmp_path: Path, target: Path) -> None:
    """Also of a trace of our own, whose reader stops at the first."""
    file = tmp_path / "bare.csv"
    write_trace(file, simple_trace(100))
    lines = file.read_text().splitlines()
    file.write_text("\n".join([lines[0], *(line.replace("3.9", "x.9", 1) for line in lines[1:])]) + "\n")
    with pytest.raises(TraceError) as caught:
        run(file, "--store", target, "--pack", OTTER_FILE)
    told = str(caught.value)
    assert "bad rows" in told and "line 2:" in told and "line 21:" in told and "line 23:" not in told
    assert "more" in told


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (('column = "Zeit"', 'column = "Time"'), "column 'Time' is missing"),
        (('unit = "mV"', 'unit = "kV"'), "groups.unit"),
        (('"Z3"]', '"Z2"]'), "column 'Z2' is used twice"),
        (('separator = ";"', 'separator = ","'), "cannot part columns and decimals both"),
        (("[distance]", "[distances]"), "distances: unknown key"),
    ],
)
def test_a_mapping_that_cannot_be_used_says_why(tmp_path: Path, mapping: Path, change, words) -> None:
    file = tmp_path / "log.csv"
    file.write_text("\n".join(LINES) + "\n")
    mapping.write_text(MAPPING.replace(*change))
    with pytest.raises((ConfigError, TraceError)) as caught:
        read_foreign(file, load_mapping(mapping), 3)
    assert words in str(caught.value)


def test_iso_times_date_the_ride(tmp_path: Path, target: Path) -> None:
    file, mapping = tmp_path / "log.csv", tmp_path / "map.toml"
    mapping.write_text('[time]\ncolumn = "when"\nunit = "iso"\n[groups]\ncolumns = ["a", "b", "c"]\n')
    pack = tmp_path / "three.toml"
    pack.write_text(OTTER_FILE.read_text().replace("series = 16", "series = 3"))
    rows = [f"2026-05-01T10:00:{second:02d}Z,3.9,3.9,3.9" for second in range(40)]
    file.write_text("\n".join(["when,a,b,c", *rows]) + "\n")
    assert run(file, "--store", target, "--pack", pack, "--mapping", mapping) == 0
    with Store.open(target) as store:
        (ride,) = store.rides.rides()
        assert (ride.started_unix_s, ride.started_trusted, ride.duration_s) == (1777629600.0, True, 39.0)
        assert ride.kind == "standing" and ride.current_max_a is None


@pytest.mark.slow
def test_npz_and_parquet_carry_the_same_columns(store: Store, ridden, tmp_path: Path) -> None:
    ride_id = ridden(store, 300, ended_by="standstill")
    plain = export.trace_of(store.rides.readings(ride_id))  # type: ignore[arg-type]
    wanted = export.columns_of(plain)
    file, _ = export.export_ride(store, ride_id, tmp_path, "npz")
    with np.load(file) as arrays:
        assert set(arrays.files) == set(wanted)
        for name, column in wanted.items():
            np.testing.assert_array_equal(arrays[name], column)
    from pyarrow import parquet

    file, side = export.export_ride(store, ride_id, tmp_path / "evening.parquet")
    table = parquet.read_table(file)
    assert side.name == "evening.json" and set(table.column_names) == set(wanted)
    blank = np.isnan(wanted["group_02_v"])
    assert blank.any() and table["group_02_v"].null_count == blank.sum()
    np.testing.assert_array_equal(table["current_a"].to_numpy(), wanted["current_a"])


@pytest.mark.slow
def test_this_process_never_imports_pyarrow() -> None:
    code = "import sys\nfrom sagwise_daemon import run\nfrom sagwise_daemon.io import export, parquet\n"
    code += "assert 'pyarrow' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_a_broken_gz_is_one_clear_line(tmp_path: Path, target: Path) -> None:
    file = tmp_path / "ride.csv.gz"
    file.write_bytes(gzip.compress(b"time_s\n" * 1000)[:40])
    with pytest.raises(InputError) as caught:
        run(file, "--store", target, "--pack", OTTER_FILE)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("columns", "told"),
    [
        ({"time_s": [0.0, 1.0], "group_01_v": [3.9]}, "not of one length"),
        ({"time_s": [[0.0, 1.0]], "group_01_v": [[3.9, 3.9]]}, "time_s holds no column"),
        ({"time_s": ["a", "b"]}, "no columns of numbers"),
        ({"time_s": [0.0, 1.0], "volts": [3.9, 3.9]}, "'volts'"),
        ({"time_s": [0.0, 1.0, 2.0], "group_01_v": [3.9, 3900.0, 3.9]}, "line 3: group_01_v is 3900 V"),
        ({}, "holds no column"),
        (None, "no columns of numbers"),
    ],
)
def test_columns_that_cannot_be_used_are_one_clear_line(columns, told: str, tmp_path: Path, target: Path) -> None:
    file = tmp_path / "ride.npz"
    if columns is None:
        file.write_bytes(b"no zip at all")
    else:
        np.savez(file, **columns)
    with pytest.raises(InputError) as caught:
        run(file, "--store", target, "--pack", OTTER_FILE)
    assert told in str(caught.value) and str(caught.value).startswith(f"{file}: ") and "\n" not in str(caught.value)


def test_the_mapping_that_help_shows_is_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "map.toml"
    file.write_text(EXAMPLE)
    assert load_mapping(file).groups.columns == ["C1", "C2", "C3"]
    with pytest.raises(SystemExit):
        run("--help")
    shown = capsys.readouterr().out
    assert all(f"  {line}\n" in shown for line in EXAMPLE.splitlines())

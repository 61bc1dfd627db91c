"""A ride leaves the store as files and comes back the same. Law: integers of the wire are compared, not floats."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.domain.model import Reading
from sagwise_daemon.errors import InputError
from sagwise_daemon.io import export
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.trace import read_trace


def _wire(values, step: int) -> list[list[int | None]]:
    rows = np.atleast_2d(values)
    return [[None if np.isnan(v) else round(v * step) for v in row] for row in rows]


def test_trace_comes_back_identical_to_the_wire(store: Store, ridden, readings, tmp_path: Path) -> None:
    ride_id = ridden(store, 1500, ended_by="standstill")
    file, side = export.export_ride(store, ride_id, tmp_path)
    assert (file.name, side.name) == (f"ride-{ride_id}.csv", f"ride-{ride_id}.json")
    trace = read_trace(file, 4)
    sent = [readings(number) for number in range(1500)]
    assert _wire(trace.group_v, 2000) == _wire(np.stack([r.group_v for r in sent]), 2000)
    assert _wire(trace.current_a, 1000) == _wire(np.array([r.current_a for r in sent]), 1000)
    assert _wire(trace.temperature_c, 100) == _wire(np.stack([r.temperature_c for r in sent]), 100)
    assert _wire(trace.distance_m, 100) == _wire(np.array([r.distance_m for r in sent]), 100)
    assert np.rint(trace.time_s * 1e6).tolist() == [round((r.time_s - 100.0) * 1e6) for r in sent]


def test_side_file_carries_what_the_trace_cannot(store: Store, ridden, event, tmp_path: Path) -> None:
    ride_id = ridden(store, 50)
    event_id, done = store.recorder.event(event(time_s=101.25), ride_id, 1_760_000_001.5)
    done.result(5)
    store.recorder.end_ride(ride_id, "stopped")
    store.recorder.flush()
    _, side = export.export_ride(store, ride_id, tmp_path / "evening.csv")
    document = json.loads(side.read_text(), parse_constant=lambda name: pytest.fail(f"{name} in JSON"))
    assert side.name == "evening.json"
    assert document["pack"]["name"] == "Otter 16s5p" and document["pack"]["rules"]["rest_low"]["limit"] == 3.3
    assert document["boots"] == [
        {"boot_id": 7, "first_time_s": 0.0, "uptime_us": 1_000_000, "unix_s": 1.76e9, "trusted": True}
    ]
    assert document["ride"]["started"] == "2025-10-09T08:53:20+00:00"
    assert document["ride"]["started_trusted"] is True and document["ride"]["ended_by"] == "stopped"
    (only,) = document["events"]
    assert (only["event_id"], only["time_s"], only["rule"], only["to"]) == (
        event_id,
        1.25,
        "rest_low",
        "unacknowledged",
    )
    assert document["notes"] == [] and document["gaps"] == []


def test_columns_that_the_pack_has_no_sensor_for_are_left_out(store: Store, start, tmp_path: Path) -> None:
    ride_id = store.recorder.begin_ride(start(2))
    for number in range(5):
        store.recorder.append(ride_id, Reading(100.0 + number, np.array([3.7, np.nan])))
    store.recorder.flush()
    file, _ = export.export_ride(store, ride_id, tmp_path)
    assert file.read_text().splitlines()[0] == "time_s,group_01_v,group_02_v"
    assert np.isnan(read_trace(file, 2).group_v[:, 1]).all()


def test_unusable_input_is_one_clear_line(fresh: Path, tmp_path: Path) -> None:
    def run(*words: str) -> str:
        parser = ArgumentParser()
        export.add_arguments(parser)
        with pytest.raises(InputError) as caught:
            export.run(parser.parse_args(words))
        assert "\n" not in str(caught.value)
        return str(caught.value)

    assert "there is no ride 7; it has no rides at all" in run("7", "--store", str(fresh))
    assert "no such file" in run("1", "--store", str(tmp_path / "none.sqlite"))
    assert not (tmp_path / "none.sqlite").exists()
    text = tmp_path / "notes.txt"
    text.write_text("this is no database, it is a text of more than a hundred bytes " * 4)
    assert "not a ride store" in run("1", "--store", str(text))


def test_a_folder_that_is_not_there_is_named(store: Store, ridden, tmp_path: Path) -> None:
    ride_id = ridden(store, 5)
    with pytest.raises(InputError, match=r"no such folder; .* would end in \.csv, \.csv\.gz, "):
        export.export_ride(store, ride_id, tmp_path / "nowhere.txt")


def test_verb_prints_the_files(fresh: Path, ridden, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Store.open(fresh) as store:
        ride_id = ridden(store, 5, ended_by="stopped")
    parser = ArgumentParser()
    export.add_arguments(parser)
    assert export.run(parser.parse_args([str(ride_id), "--store", str(fresh), "--out", str(tmp_path)])) == 0
    assert [Path(line).exists() for line in capsys.readouterr().out.split()] == [True, True]

"""The replay verb: the contract's document, the same answers as live, and what each exit status means.

The rides are made in conftest by a cell of the test's own, with rest voltages known in closed form.
"""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sagwise_daemon
from sagwise_daemon.__main__ import main
from sagwise_daemon.config import load_pack
from sagwise_daemon.domain.core import new_state, step
from sagwise_daemon.domain.model import AlarmState, Silence
from sagwise_daemon.garage import Garage
from sagwise_daemon.io.trace import Trace, write_trace
from sagwise_daemon.replay import document, replay, report

NAN = float("nan")
Ride = Callable[[float, float], Trace]


def refuse(constant: str) -> Any:
    raise AssertionError(f"{constant} in JSON")


@pytest.fixture
def written(tmp_path: Path) -> Callable[[Trace], Path]:
    def write(trace: Trace) -> Path:
        write_trace(tmp_path / "ride.csv", trace)
        return tmp_path / "ride.csv"

    return write


@pytest.fixture
def replayed(pack_file: Path, written: Callable[[Trace], Path], capsys: Any) -> Callable[..., dict[str, Any]]:
    def run(trace: Trace, *more: str) -> dict[str, Any]:
        assert main(["replay", str(written(trace)), "--pack", str(pack_file), "--json", *more]) == 0
        said: dict[str, Any] = json.loads(capsys.readouterr().out, parse_constant=refuse)
        return said

    return run


def rests(events: Sequence[dict[str, Any]]) -> list[tuple[Any, ...]]:
    return [(event["group"], event["to"], event["basis"]) for event in events if event["rule"] == "rest_low"]


@pytest.mark.slow
def test_every_hard_pull_sags_and_nothing_sounds_until_a_group_is_low(tmp_path: Path, capsys: Any) -> None:
    """The main job, on the simulator's demo ride: its cells are its own, its seventh group is the weak one."""
    trace, otter = str(tmp_path / "demo.csv"), str(Path(sagwise_daemon.__file__).parent / "packs" / "otter.toml")
    assert main(["board", "--scenario", "demo", "--to-trace", trace]) == 0
    capsys.readouterr()
    assert main(["replay", trace, "--pack", otter, "--json"]) == 0
    said = json.loads(capsys.readouterr().out, parse_constant=refuse)
    raised = [event for event in said["events"] if event["to"] == "unacknowledged"]
    assert [(event["rule"], event["group"], event["basis"]) for event in raised] == [("rest_low", 7, "rest")]
    (event,) = raised
    assert 3.25 < event["value"] < event["limit"] == 3.30
    assert (event["unit"], event["priority"]) == ("V", "high")
    sounded = [plain["time_s"] for plain in said["plain_threshold"]["events"]]
    assert len(sounded) >= 3
    assert sounded[2] < event["time_s"] - 30, "the plain buzzer cries wolf long before"


def test_the_document_is_the_contracts(replayed: Any, ride: Ride, tmp_path: Path) -> None:
    said = replayed(ride(0.30, 0.28))
    assert list(said) == ["trace", "events", "plain_threshold", "groups", "energy_wh", "charge_ah", "current_max_a"]
    rows = len(ride(0.30, 0.28).time_s)
    duration = pytest.approx((rows - 1) * 0.1)
    assert said["trace"] == {"file": str(tmp_path / "ride.csv"), "samples": rows, "duration_s": duration, "groups": 4}
    assert list(said["plain_threshold"]) == ["limit_v", "on_delay_s", "events"]
    assert said["plain_threshold"]["limit_v"] == 3.30
    assert said["plain_threshold"]["on_delay_s"] == 1.0
    assert [list(group) for group in said["groups"]] == [
        [
            "group",
            "rest_min_v",
            "loaded_min_v",
            "resistance_mohm",
            "resistance_25c_mohm",
            "state_of_charge_end",
            "rest_end_v",
        ]
    ] * 4
    assert [group["group"] for group in said["groups"]] == [1, 2, 3, 4]
    assert said["charge_ah"] == pytest.approx(0.02 * 5.0, rel=0.05)
    assert said["current_max_a"] == 30.0
    for group in said["groups"]:
        assert group["rest_min_v"] > group["loaded_min_v"] + 0.3


def test_events_carry_every_field_and_clear_and_come_back(replayed: Any) -> None:
    """Group 2 dips under the floor twice: unacknowledged, return_unacknowledged, unacknowledged."""
    time_s = np.arange(400) * 0.1
    volts = np.full((400, 4), 3.7)
    volts[100:110, 1] = volts[300:310, 1] = 2.7
    said = replayed(Trace(time_s, volts, np.zeros(400), np.full((400, 1), 25.0), None))
    floor = [event for event in said["events"] if event["rule"] == "loaded_floor"]
    assert floor[0] == {
        "time_s": 10.5,
        "rule": "loaded_floor",
        "group": 2,
        "to": "unacknowledged",
        "priority": "high",
        "value": 2.7,
        "limit": 2.8,
        "unit": "V",
        "basis": "loaded",
    }
    assert [(event["time_s"], event["to"]) for event in floor] == [
        (10.5, "unacknowledged"),
        (16.0, "return_unacknowledged"),
        (30.5, "unacknowledged"),
        (36.0, "return_unacknowledged"),
    ]


def test_a_gap_is_a_lost_link_from_one_second_after_its_last_row(replayed: Any) -> None:
    time_s = np.concatenate([np.arange(50) * 0.1, 4.9 + 1.0 + np.arange(50), 100.0 + np.arange(50) * 0.1])
    said = replayed(Trace(time_s, np.full((150, 4), 3.9), np.zeros(150), np.empty((150, 0)), None))
    last = time_s[99]
    assert [(event["rule"], event["time_s"], event["to"]) for event in said["events"]] == [
        ("link_lost", pytest.approx(last + 1.0), "unacknowledged"),
        ("link_lost", 100.0, "return_unacknowledged"),
    ], "rows a second apart are no lost link, a longer gap is one"
    assert said["events"][0]["group"] is None
    assert said["events"][0]["basis"] is None


def test_without_a_current_sensor_the_loaded_voltage_speaks_after_five_seconds(replayed: Any) -> None:
    volts = np.full((400, 4), 3.7)
    volts[100:140, 0] = 3.1  # 4 s: a sag
    volts[200:260, 2] = 3.1  # 6 s: not a sag any more
    said = replayed(Trace(np.arange(400) * 0.1, volts, None, np.empty((400, 0)), None))
    assert rests(said["events"])[:1] == [(3, "unacknowledged", "loaded")]
    # A group that falls by 0.6 V while its peers stand still is no sag: within half a second nothing is known of it.
    assert said["events"][0]["time_s"] == pytest.approx(25.25, abs=0.25)
    assert said["energy_wh"] is said["charge_ah"] is said["current_max_a"] is None
    assert len(said["plain_threshold"]["events"]) == 2


def test_unknown_numbers_are_null(replayed: Any) -> None:
    said = replayed(Trace(np.array([5.0]), np.full((1, 4), NAN), np.array([NAN]), np.empty((1, 0)), None))
    assert said["trace"]["duration_s"] == 0.0
    assert [set(list(group.values())[1:]) for group in said["groups"]] == [{None}] * 4


@pytest.mark.slow
def test_one_row_of_estimates_for_each_row(replayed: Any, ride: Ride, tmp_path: Path) -> None:
    trace = ride(0.30, 0.28)
    out = tmp_path / "estimates.csv"
    said = replayed(trace, "--estimates", str(out))
    rows = list(csv.reader(out.open(newline="")))
    columns = ["rest_v", "rest_sigma_v", "ocv_v", "resistance_mohm", "soc"]
    assert rows[0] == ["time_s", *(f"group_{n:02d}_{column}" for n in range(1, 5) for column in columns)]
    assert len(rows) == len(trace.time_s) + 1
    assert [float(row[0]) for row in rows[1:]] == pytest.approx(trace.time_s.tolist())
    assert rows[1][1:] == [""] * 20, "unknown is blank"
    last = [float(value) for value in rows[-1][1:]]
    assert last[0] == pytest.approx(said["groups"][0]["rest_end_v"], abs=1e-5)
    assert last[19] == pytest.approx(said["groups"][3]["state_of_charge_end"], abs=1e-5)


@pytest.mark.slow
def test_replay_is_what_the_core_says_live(pack_file: Path, ride: Ride) -> None:
    """The same rows and silences by hand, told in the small pieces that a live daemon tells them in."""
    pack, trace = load_pack(pack_file), ride(0.16, 0.10)
    keep = np.ones(len(trace.time_s), bool)
    keep[400:460] = False
    cut = replace(
        trace,
        time_s=trace.time_s[keep],
        group_v=trace.group_v[keep],
        current_a=trace.current_a[keep] if trace.current_a is not None else None,
        temperature_c=trace.temperature_c[keep],
    )
    state, events, last_s = new_state(pack), [], None
    for reading in cut.readings():
        gap_s = reading.time_s - last_s if last_s is not None else 0.0
        for age_s in np.arange(0.2, gap_s, 0.1):
            events += step(state, Silence(float(age_s)))[1].events
        events += step(state, reading)[1].events
        last_s = reading.time_s
    replayed = replay(cut, pack).events
    assert {event.rule for event in replayed} >= {"link_lost", "rest_low"}
    assert [(e.rule, e.group, e.to, round(e.time_s, 6)) for e in replayed] == [
        (e.rule, e.group, e.to, round(e.time_s, 6)) for e in events
    ]


def test_the_summary_for_people(pack_file: Path, ride: Ride) -> None:
    result = replay(ride(0.16, 0.10), load_pack(pack_file))
    text = report(result, "ride.csv")
    raised = sum(event.to is AlarmState.UNACKNOWLEDGED for event in result.events)
    assert f"{raised} alarms\n" in text
    first = next(event for event in result.events if event.rule == "rest_low")
    line = next(line for line in text.splitlines() if " rest_low " in line)
    told = f"{first.time_s:.2f} rest_low 3 unacknowledged {first.value:.3f} {first.limit:.3f} V rest"
    assert line.split() == told.split()
    assert all(len(line) <= 80 for line in text.splitlines() if line.startswith(" "))
    assert "nan" not in text
    assert json.dumps(document(result, "ride.csv"), allow_nan=False)


@pytest.mark.slow
def replay_process(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "sagwise_daemon", "replay", *arguments]
    return subprocess.run(command, check=False, capture_output=True, text=True, timeout=120)


@pytest.mark.slow
def test_the_command_prints_one_document_and_ends_with_0(pack_file: Path, written: Any, ride: Ride) -> None:
    done = replay_process(str(written(ride(0.30, 0.28))), "--pack", str(pack_file), "--json")
    assert done.returncode == 0
    assert done.stdout.count("\n") == 1
    json.loads(done.stdout, parse_constant=refuse)


def test_settings_of_the_page_count_where_they_are_given(
    pack_file: Path, ride: Ride, replayed: Any, written: Any, tmp_path: Path, capsys: Any
) -> None:
    trace, log = ride(0.30, 0.295), tmp_path / "settings.jsonl"
    name = load_pack(pack_file).name
    filed = replayed(trace)
    assert "changed_on_page" not in filed and filed["plain_threshold"]["limit_v"] == pytest.approx(3.30)
    Garage(pack_file, log, lambda: 1.8e9).change(name, "rest_low", {"volts": 3.1}, "phone")
    assert replayed(trace)["plain_threshold"] == filed["plain_threshold"], "the pack file alone"
    said = replayed(trace, "--settings", str(log))
    assert said["plain_threshold"]["limit_v"] == 3.1 and said["changed_on_page"] == ["rest_low"]
    assert main(["replay", str(written(trace)), "--pack", str(pack_file), "--settings", str(log)]) == 0
    assert capsys.readouterr().out.startswith("As changed on the page: rest_low\n")


def test_unusable_input_is_one_line_and_status_2(pack_file: Path, tmp_path: Path) -> None:
    (tmp_path / "bad.csv").write_text("time_s,group_01_v\n0,x\n")
    done = replay_process(str(tmp_path / "bad.csv"), "--pack", str(pack_file), "--json")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert "bad.csv: line 1, column group_02_v: the trace has 1 groups, the pack 4" in done.stderr


@pytest.mark.parametrize("case", ["no trace", "no pack", "no settings", "no folder", "over the trace", "over the pack"])
def test_what_cannot_be_used_is_refused_and_nothing_is_lost(
    pack_file: Path, written: Any, ride: Ride, tmp_path: Path, capsys: Any, case: str
) -> None:
    trace = written(ride(0.30, 0.295))
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    cases = {
        "no trace": [str(tmp_path / "none.csv"), "--pack", str(pack_file)],
        "no pack": [str(trace), "--pack", str(tmp_path / "none.toml")],
        "no settings": [str(trace), "--pack", str(pack_file), "--settings", str(tmp_path / "settings.jsonl")],
        "no folder": [str(trace), "--pack", str(pack_file), "--estimates", str(tmp_path / "none" / "out.csv")],
        "over the trace": [str(trace), "--pack", str(pack_file), "--estimates", str(trace)],
        "over the pack": [str(trace), "--pack", str(pack_file), "--estimates", str(pack_file)],
    }
    assert main(["replay", *cases[case], "--json"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before

"""Traces in and out, and the verb `board` as a process. Law: what goes in comes out, digit for digit."""

from __future__ import annotations

import contextlib
import csv
import json
import math
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import serial

from sagwise_protocol import (
    AlarmPattern,
    BoardHello,
    BoardHelloFeatures,
    BoardRefusal,
    Decoder,
    Frame,
    Heartbeat,
    HostHello,
    Pattern,
    Sample,
    SetRate,
    Stamp,
    Status,
    encode,
)
from sagwise_sim.board import Board
from sagwise_sim.checks import ScenarioError
from sagwise_sim.scenario import BoardSpec, Scenario, load
from sagwise_sim.simulation import simulate
from sagwise_sim.trace import LEAD_US, TracePlayer, read_rows, write_trace, write_truth

PROGRAM = """
import argparse, logging, sys
from sagwise_sim import add_arguments, run
logging.basicConfig(stream=sys.stderr, level=logging.INFO)
parser = argparse.ArgumentParser()
add_arguments(parser)
sys.exit(run(parser.parse_args()))
"""

SMALL = """temperature_1_c,time_s,group_02_v,group_01_v,current_a,distance_m
21.37,1000.000000,3.6995,3.7005,-2.125,0.00
,1000.100001,,-3.7010,,0.01
21.40,1007.500000,8.2000,3.7000,150.001,12.34
"""


def written(path: Path, text: str) -> Path:
    path.write_text(text)
    return path


# --- reading ----------------------------------------------------------------------------------------------------


def test_rows_are_read_in_any_column_order(tmp_path: Path) -> None:
    rows = read_rows(written(tmp_path / "t.csv", SMALL))
    assert rows.time_us == [0, 100_001, 7_500_000]
    assert rows.group_v[0].tolist() == [3.7005, 3.6995]
    assert math.isnan(rows.group_v[1, 1])
    assert rows.current_a is not None
    assert math.isnan(rows.current_a[1])


HEAD = "time_s,group_01_v\n"
BROKEN = [
    ("", ":1: header: the file is empty"),
    (HEAD, ":2: time_s: no rows below the header"),
    ("time_s,volts\n0,3\n", ":1: volts: unknown column"),
    ("time_s,group_1_v\n0,3\n", ":1: group_1_v: unknown column"),
    ("time_s,group_02_v\n0,3\n", ":1: group: numbered [2]; allowed: 1 to 48 without gaps"),
    ("time_s,group_01_v,group_03_v\n0,3,3\n", ":1: group: numbered [1, 3]"),
    ("time_s,group_01_v,group_01_v\n0,3,3\n", ":1: group_01_v: this column is there twice"),
    ("time_s,current_a\n0,3\n", ":1: group_01_v: this column is missing"),
    ("group_01_v\n3\n", ":1: time_s: this column is missing"),
    (HEAD + "0,3.7\n1,3.7,1\n", ":3: row: has 3 fields, the header 2"),
    (HEAD + "0,3.7\n\n", ":3: row: has 0 fields, the header 2"),
    (HEAD + "0,x\n", ":2: group_01_v: 'x' is no number the wire carries; allowed: -16.38 to 16.38"),
    (HEAD + "0,nan\n", ":2: group_01_v: 'nan' is no number"),
    (HEAD + "0,3_7\n", ":2: group_01_v: '3_7' is no number"),
    (HEAD + "0,17\n", ":2: group_01_v: '17' is no number the wire carries"),
    (HEAD + ",3.7\n", ":2: time_s: '' is no number"),
    (HEAD + "inf,3.7\n", ":2: time_s: 'inf' is no number"),
    (HEAD + "1,3.7\n1,3.7\n", ":3: time_s: 1.0 does not rise"),
    (HEAD + "1,3.7\n1.0000001,3.7\n", ":3: time_s: 1.0000001 does not rise by at least 1 µs"),
    (HEAD + '0,"3.7\n', ":2: row: is no UTF-8 CSV"),
]


@pytest.mark.parametrize(("text", "message"), BROKEN, ids=[message for _, message in BROKEN])
def test_malformed_trace_names_line_column_and_fault(tmp_path: Path, text: str, message: str) -> None:
    path = written(tmp_path / "t.csv", text)
    with pytest.raises(ScenarioError, match="^" + re.escape(f"{path}{message}")) as caught:
        read_rows(path)
    assert "\n" not in str(caught.value)


def test_unreadable_traces(tmp_path: Path) -> None:
    binary = tmp_path / "b.csv"
    binary.write_bytes(b"time_s,group_01_v\n0,\xff\n")
    with pytest.raises(ScenarioError, match="is no UTF-8 CSV"):
        read_rows(binary)
    with pytest.raises(ScenarioError, match=r"none\.csv:1: file: cannot be read: No such file"):
        read_rows(tmp_path / "none.csv")


# --- playing ----------------------------------------------------------------------------------------------------


def test_player_waits_for_a_host_and_keeps_every_digit(tmp_path: Path, host_of: Callable[[Board], Any]) -> None:
    player = TracePlayer(read_rows(written(tmp_path / "t.csv", SMALL)))
    host = host_of(Board(player, BoardSpec(name="trace")))
    host.listen(5.0)
    hello = host.of(BoardHello)[0]
    assert (hello.group_count, hello.temperature_count) == (2, 1)
    assert not BoardHelloFeatures(hello.features) & BoardHelloFeatures.FALLBACK_ALARM
    assert not host.of(Sample)
    host.hello()
    host.listen(10.0)
    start = 5_000_000 + LEAD_US
    assert [f.stamp.uptime_us - start for f in host.frames(Sample)] == [0, 100_001, 7_500_000]
    first, second, third = host.of(Sample)
    assert (first.group_500uv, first.temperature_centi_c, first.current_ma) == ((7401, 7399), (2137,), -2125)
    assert (second.group_500uv, second.group_valid) == ((-7402, 0), 0b01)
    assert (second.temperature_valid, second.other_valid, second.distance_cm) == (0, 2, 1)
    assert (third.group_500uv, third.current_ma, third.distance_cm) == ((7400, 16400), 150_001, 1234)
    assert player.finished
    assert len(host.of(Status)) == 15  # the heartbeat goes on
    host.say(SetRate(100_000))
    host.listen(0.1)
    assert len(host.of(BoardRefusal)) == 1


def test_a_ride_goes_out_and_comes_back_identical(
    make_scenario: Callable[..., Scenario], tmp_path: Path, host_of: Callable[[Board], Any]
) -> None:
    scenario = make_scenario(fault=[{"kind": "no_current_sensor", "at_s": 3.0, "for_s": 2.0}])
    ride = simulate(scenario)
    write_trace(tmp_path / "ride.csv", ride)
    host = host_of(Board(TracePlayer(read_rows(tmp_path / "ride.csv")), BoardSpec()))
    host.hello()
    host.listen(scenario.duration_s + 1.0)
    frames = host.frames(Sample)
    assert [f.stamp.uptime_us - LEAD_US for f in frames] == [round(t * 1e6) - 50_000 for t in ride.time_s.tolist()]
    volts = np.array([f.message.group_500uv for f in frames]) * 0.0005
    assert volts == pytest.approx(ride.group_v, abs=1e-9)
    assert ride.current_a is not None
    assert 35 < np.isnan(ride.current_a).sum() < 45
    amps = [f.message.current_ma * 1e-3 if f.message.other_valid & 1 else math.nan for f in frames]
    assert amps == pytest.approx(ride.current_a.tolist(), abs=1e-9, nan_ok=True)


def test_live_board_and_simulate_say_the_same(
    make_simulation: Callable[..., Any], host_of: Callable[[Board], Any]
) -> None:
    simulation = make_simulation()
    host = host_of(simulation.board)
    host.listen(20.0)
    ride = simulate(simulation.scenario)
    volts = np.array([f.message.group_500uv for f in host.frames(Sample)]) * 0.0005
    assert volts == pytest.approx(ride.group_v[:400], abs=1e-9)


# --- the verb ---------------------------------------------------------------------------------------------------


def board(*options: str | Path, **kwargs: Any) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", PROGRAM, *map(str, options)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **kwargs)


@contextlib.contextmanager
def running(*options: str | Path, **kwargs: Any) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A board in a process, and the device it printed."""
    process = board(*options, **kwargs)
    try:
        assert process.stdout
        yield process, process.stdout.readline().strip()
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def finished(*options: str | Path) -> tuple[int, str, str]:
    process = board(*options)
    out, err = process.communicate(timeout=60)
    return process.returncode, out, err


@pytest.mark.slow
def test_to_trace_writes_at_wire_resolution_with_the_truth_beside(tmp_path: Path) -> None:
    trace, truth = tmp_path / "t.csv", tmp_path / "truth.csv"
    assert finished("--scenario", "fault_stuck_reading", "--to-trace", trace, "--truth", truth)[:2] == (0, "")
    rows = list(csv.reader(trace.open()))
    assert rows[0][:3] == ["time_s", "group_01_v", "group_02_v"]
    forms = {"group": r"\d\.\d{4}", "current": r"-?\d+\.\d{3}", "temperature": r"\d+\.\d\d", "distance": r"\d+\.\d\d"}
    for name, text in zip(rows[0][1:], rows[-1][1:], strict=True):
        assert re.fullmatch(forms[name.split("_")[0]], text), name
    ride = simulate(load("fault_stuck_reading"))
    assert len(rows) - 1 == len(ride.time_s) == 1200
    told = list(csv.DictReader(truth.open()))
    assert float(told[700]["group_05_rest_v"]) == pytest.approx(ride.rest_v[700, 4], abs=1e-6)
    assert float(told[700]["group_05_soc"]) == pytest.approx(ride.soc[700, 4], abs=1e-6)


@pytest.mark.slow
def test_truth_is_written_for_every_figure(make_scenario: Callable[..., Scenario], tmp_path: Path) -> None:
    write_truth(tmp_path / "t.csv", simulate(make_scenario()))
    header = (tmp_path / "t.csv").read_text().splitlines()[0].split(",")
    assert {"group_04_loaded_v", "group_04_rest_v", "group_04_ocv_v", "group_04_soc", "current_a"} <= set(header)


def test_sigterm_ends_it_with_status_0_and_no_link(tmp_path: Path) -> None:
    link = tmp_path / "otter"
    for number in (signal.SIGTERM, signal.SIGINT):
        with running("--scenario", "demo", "--pty-link", link) as (process, device):
            assert device == str(link)
            assert link.exists()
            process.send_signal(number)
            assert process.wait(10) == 0
            assert process.stdout
            assert process.stdout.read() == ""
        assert not link.is_symlink()


@pytest.mark.slow
@pytest.mark.slow
def test_it_ends_when_standard_input_closes() -> None:
    with running("--scenario", "demo", "--until-stdin-closes", stdin=subprocess.PIPE) as (process, device):
        assert device.startswith("/dev/pts/")
        assert process.stdin
        process.stdin.write("hello\n")
        process.stdin.flush()
        time.sleep(0.2)
        assert process.poll() is None
        process.stdin.close()
        assert process.wait(10) == 0
        process.stdin = None


@pytest.mark.slow
def test_trace_is_played_through_a_port_and_the_program_ends(tmp_path: Path) -> None:
    path = written(tmp_path / "t.csv", SMALL)
    with running("--trace", path, "--speed", "5") as (process, device), serial.Serial(device, timeout=0.05) as line:
        decoder, samples = Decoder(), []
        line.write(encode(HostHello(1, 1, "t"), Stamp(0, 1, 0, 0)))
        with contextlib.suppress(serial.SerialException, OSError):
            while process.poll() is None:
                line.write(encode(Heartbeat(0), Stamp(0, 1, 0, 0)))
                samples += [
                    e for e in decoder.feed(line.read(500)) if isinstance(e, Frame) and isinstance(e.message, Sample)
                ]
        assert process.wait(10) == 0
        assert process.stderr
        assert "played to its end" in process.stderr.read()
    began = samples[0].stamp.uptime_us
    assert [frame.stamp.uptime_us - began for frame in samples] == [0, 100_001, 7_500_000]
    assert samples[2].message.current_ma == 150_001


@pytest.mark.slow
def test_log_tells_what_the_board_was_told_and_its_faults(tmp_path: Path) -> None:
    log = tmp_path / "log.jsonl"
    options = ("--scenario", "fault_stuck_reading", "--log", log, "--speed", "20")
    with running(*options) as (process, device), serial.Serial(device, timeout=0.05) as line:
        line.write(encode(AlarmPattern(Pattern.HIGH, 5000, 12), Stamp(0, 1, 0, 0)))
        end = time.monotonic() + 20.0
        while time.monotonic() < end and log.read_text().count("\n") < 2:
            line.read(5000)
        process.terminate()
        assert process.wait(10) == 0
    entries = [json.loads(entry) for entry in log.read_text().splitlines()]
    told = next(entry for entry in entries if entry["what"] == "told")
    assert (told["pattern"], told["event_id"], type(told["uptime_us"])) == ("high", 12, int)
    begun = next(entry for entry in entries if entry["what"] == "fault_begin")
    assert begun == {"what": "fault_begin", "at_s": 10.0, "kind": "stuck_reading", "group": 3}


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--scenario", "otters"), "board: no scenario 'otters'; shipped: demo"),
        (("--trace", "/none.csv"), "board: /none.csv:1: file: cannot be read"),
        (("--trace", "/none.csv", "--to-trace", "/tmp/x.csv"), "board: --to-trace and --truth write a simulated ride"),
        (
            ("--scenario", "demo", "--pty-link", "/none/there/x"),
            "board: /none/there/x: cannot be made (No such file or directory)",
        ),
        (("--scenario", "demo", "--speed", "0"), "'0' is out of range; allowed: 0.01 to 1000"),
    ],
)
def test_unusable_input_gives_status_2_and_one_line(options: tuple[str, ...], message: str) -> None:
    status, out, err = finished(*options)
    assert (status, out) == (2, "")
    assert message in err
    assert "Traceback" not in err

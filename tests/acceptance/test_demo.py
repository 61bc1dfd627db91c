"""The demo as a new user sees it. Law: sags without an alarm first, then one true `rest_low`, and a clean end."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from daemon_process import SAGWISE, free_port, wait_for

from sagwise_daemon.config import built_in_pack

WATCH_S = 180.0
DEEP_V = 0.25
EARLIER = 3


def get(port: int, path: str) -> Any:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/v1{path}", timeout=5) as answer:
        return json.load(answer)


def page_answers(port: int) -> bool:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=2) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def sag_v(live: dict[str, Any]) -> float:
    """The deepest sag of any group that has a rest voltage now."""
    pairs = zip(live["rest_v"], live["loaded_v"], strict=True)
    return max((rest - loaded for rest, loaded in pairs if rest is not None and loaded is not None), default=0.0)


def whole_rides(port: int) -> list[dict[str, Any]]:
    return [ride for ride in get(port, "/rides")["rides"] if ride["ended_by"] == "standstill"]


def going_on(port: int) -> tuple[int, ...]:
    return tuple(ride["ride_id"] for ride in get(port, "/rides")["rides"] if ride["now"])


def watch(port: int) -> Iterator[tuple[float, dict[str, Any]]]:
    began = time.monotonic()
    while (now := time.monotonic() - began) < WATCH_S:
        yield now, get(port, "/live")
        time.sleep(0.1)


def processes_of(session: int | str) -> list[int]:
    """Processes whose environment carries the mark of this demo, in whatever process group."""
    mark = f"SAGWISE_TEST_MARK={session}".encode()
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                if mark in (entry / "environ").read_bytes():
                    found.append(int(entry.name))
            except OSError:
                continue
    return found


@pytest.mark.slow
@pytest.mark.parametrize("asked", ["input closes", "SIGTERM"])
def test_the_maker_of_earlier_rides_leaves_nothing_behind(tmp_path: Path, asked: str) -> None:
    """Ended while the simulator is at work: neither that nor its trace stays."""
    mark = f"{os.getpid()}-{tmp_path.name}"
    environment = {**os.environ, "TMPDIR": str(tmp_path), "SAGWISE_TEST_MARK": mark}
    command = [*SAGWISE, "earlier", "--pack", str(built_in_pack("otter")[0])]
    maker = subprocess.Popen(command, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert maker.stdin is not None and maker.stdout is not None
    try:
        wait_for(lambda: len(processes_of(mark)) == 2, 20, "the simulator")
        if asked == "SIGTERM":
            maker.terminate()
        else:
            maker.stdin.close()
        maker.wait(5)
        wait_for(lambda: processes_of(mark) == [], 1, "the simulator's end")
    finally:
        for left in processes_of(mark):
            os.kill(left, signal.SIGKILL)
        maker.stdout.close()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
@pytest.mark.calm
@pytest.mark.timeout(540)
def test_the_demo_from_start_to_end(tmp_path: Path) -> None:
    port, mark = free_port(), os.getpid()
    environment = {**os.environ, "HOME": str(tmp_path), "SAGWISE_TEST_MARK": str(mark)}
    environment.pop("XDG_STATE_HOME", None)
    with (tmp_path / "log").open("wb") as log:
        demo = subprocess.Popen([*SAGWISE, "demo", "--port", str(port)], env=environment, stdout=log, stderr=log)
    try:
        wait_for(lambda: page_answers(port), 20, "the page")
        sags, deep, alarm, states = 0, False, None, set()
        for seconds, live in watch(port):
            raised = [a for a in live["alarms"] if a["state"] == "unacknowledged"]
            states |= {(a["rule"], a["group"]) for a in raised}
            if raised:
                alarm = (seconds, raised, live)
                break
            depth = sag_v(live)
            sags += depth > DEEP_V and not deep
            deep = depth > DEEP_V if depth > DEEP_V or depth < 0.1 else deep
        assert sags >= 3, f"{sags} sags before the alarm {alarm}"
        assert alarm is not None, "no alarm within three minutes"
        assert states == {("rest_low", 7)}
        assert get(port, "/me")["clock"]["set_by"] in ("computer", "network"), "nobody has paired a phone"
        going: set[tuple[int, ...]] = set()
        wait_for(lambda: going.add(going_on(port)) or len(whole_rides(port)) >= EARLIER, 240, "three earlier rides")
        assert going == {(get(port, "/live")["ride_id"],)}, "a ride that is made meanwhile does not go on now"
        assert len(whole_rides(port)) == EARLIER
    finally:
        demo.send_signal(signal.SIGTERM)
        asked = time.monotonic()
        status = demo.wait(10)
    assert status == 0, (tmp_path / "log").read_text()
    assert time.monotonic() - asked < 5
    assert processes_of(mark) == []
    assert (tmp_path / ".local/state/sagwise/demo/rides.sqlite").exists()

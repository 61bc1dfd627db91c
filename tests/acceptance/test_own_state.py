"""What the daemon says of its own computer. Law: a disk that is nearly full and a clock that nobody set are alarms,
also before any board is heard, and each ends when it is put right. A store that cannot be opened ends no watch.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from daemon_process import SAGWISE, Daemon, wait_for
from ride_scenario import pull_and_coast

from sagwise_daemon.io.clock import wall_time
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.standin import MEMORY as STAND_INS
from sagwise_sim import PtyPort, build, load

SOON = "".join(f"[alarm.{rule}]\non_delay_s = 0.5\noff_delay_s = 0.5\n" for rule in ("storage", "clock_unset"))


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Of 60 MB, of which the last 50 are spared; needs a user who may mount."""
    place = tmp_path / "disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=60m", "tmpfs", str(place)]
    mounted = subprocess.run(command, capture_output=True, text=True, check=False)
    if mounted.returncode:
        pytest.skip(f"this user may not mount a small disk: {mounted.stderr.strip()}")
    yield place
    subprocess.run(["umount", "--lazy", str(place)], check=True)


def standing(daemon: Daemon, cookie: str) -> dict[str, Any]:
    """Alarms of the daemon's own state that are not normal, by rule."""
    found = daemon.get("/live", cookie)["alarms"]
    return {alarm["rule"]: alarm for alarm in found if alarm["rule"] in ("storage", "clock_unset")}


def tell_time(daemon: Daemon, cookie: str) -> None:
    headers = {"Content-Type": "application/json", "Cookie": cookie, "Origin": f"http://127.0.0.1:{daemon.port}"}
    body = json.dumps({"unix_s": time.time()}).encode()
    url = f"http://127.0.0.1:{daemon.port}/api/v1/time"
    with urllib.request.urlopen(urllib.request.Request(url, data=body, headers=headers), timeout=5) as answer:
        assert json.load(answer)["trusted"]


@pytest.mark.slow
@pytest.mark.calm
def test_a_full_disk_and_an_unset_clock_are_alarms(
    tmp_path: Path, small_disk: Path, make_daemon: Callable[..., Daemon]
) -> None:
    daemon = make_daemon(tmp_path / "no board", extra=SOON)
    config = daemon.config.read_text()
    daemon.config.write_text(config.replace('path = "rides.sqlite"', f'path = "{small_disk / "rides.sqlite"}"'))
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(20_000_000))
    daemon.start()
    wait_for(daemon.answers, 20, "the page")
    cookie = daemon.pair()
    storage = wait_for(lambda: standing(daemon, cookie).get("storage"), 10, "the alarm of the disk")
    assert (storage["state"], storage["priority"]) == ("unacknowledged", "low")
    assert "The disk is nearly full" in daemon.get("/live", cookie)["notice"]
    if not wall_time().trusted:
        wait_for(lambda: "clock_unset" in standing(daemon, cookie), 5, "the alarm of the clock")
        tell_time(daemon, cookie)
        wait_for(lambda: standing(daemon, cookie)["clock_unset"]["state"] != "unacknowledged", 5, "its end")
    assert "clock_unset" not in standing(daemon, cookie) or not wall_time().trusted
    ballast.unlink()
    wait_for(lambda: standing(daemon, cookie)["storage"]["state"] == "return_unacknowledged", 5, "the disk's end")
    assert "The disk" not in daemon.get("/live", cookie)["notice"]  # but that there is no board is still said
    told = [(event["rule"], event["to"]) for event in daemon.get("/events", cookie)["events"]]
    assert ("storage", "unacknowledged") in told and ("storage", "return_unacknowledged") in told
    assert daemon.stop() == 0


def not_recorded(daemon: Daemon) -> None:
    """It is up, watches, and says that nothing is recorded."""
    daemon.start()
    wait_for(daemon.answers, 20, "the page")
    cookie = daemon.pair()
    wait_for(lambda: standing(daemon, cookie).get("storage"), 10, "the alarm of the disk")
    assert "Rides are not recorded: the ride store could not be opened" in daemon.get("/live", cookie)["notice"]
    assert daemon.stop() == 0
    assert "the bike is watched all the same" in daemon.log.read_text()


@pytest.mark.slow
@pytest.mark.parametrize("before", ["nothing", "a store"])
def test_a_disk_that_is_full_at_the_start_keeps_no_bike_from_being_watched(
    tmp_path: Path, small_disk: Path, make_daemon: Callable[..., Daemon], before: str
) -> None:
    store = small_disk / "rides.sqlite"
    if before == "a store":
        Store.open(store).close()
    with contextlib.suppress(OSError), (small_disk / "ballast").open("wb", buffering=0) as ballast:
        while ballast.write(bytes(100_000)):
            pass
    daemon = make_daemon(tmp_path / "no board", extra=SOON)
    daemon.config.write_text(daemon.config.read_text().replace('path = "rides.sqlite"', f'path = "{store}"'))
    not_recorded(daemon)


@pytest.mark.slow
def test_a_store_that_is_rubbish_keeps_no_bike_from_being_watched_and_stays_as_it_is(
    tmp_path: Path, make_daemon: Callable[..., Daemon]
) -> None:
    daemon = make_daemon(tmp_path / "no board", extra=SOON)
    daemon.store.write_bytes(b"rubbish" * 1000)
    left = set(STAND_INS.glob("sagwise-*"))
    not_recorded(daemon)
    assert daemon.store.read_bytes() == b"rubbish" * 1000
    assert set(STAND_INS.glob("sagwise-*")) <= left


@pytest.mark.slow
def test_a_second_daemon_on_one_store_leaves_the_firsts_ride_alone(
    tmp_path: Path, make_daemon: Callable[..., Daemon]
) -> None:
    port = PtyPort(build(load(pull_and_coast(tmp_path / "ride.toml"))).board, tmp_path / "board")
    port.start()
    try:
        daemon = make_daemon(tmp_path / "board")
        daemon.start()
        wait_for(daemon.answers, 20, "the page")
        cookie = daemon.pair()
        wait_for(lambda: daemon.get("/rides", cookie)["rides"], 20, "the ride in the store")
        command = [*SAGWISE, "run", "--config", str(daemon.config)]
        second = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)
        assert (second.returncode, second.stdout) == (1, "")
        assert f"another sagwise (process {daemon.pid}) records into this store" in second.stderr
        assert daemon.get("/rides", cookie)["rides"][0]["ended_by"] is None
        assert daemon.stop() == 0
    finally:
        port.stop()

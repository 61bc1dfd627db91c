"""Pulling the plug again and again. Law: the link comes back every time, holds no dead descriptor and never spins."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pytest
from daemon_process import Daemon, cpu_s, descriptors, wait_for
from ride_scenario import pull_and_coast

from sagwise_sim import PtyPort, build, load

WARM = 15  # by then the readers of the store have their connections: a leak would go on
CYCLES = 50
AWAY_S = 0.3
QUIET_S = 5.0
SPINNING = 0.25  # of a core, while nothing is plugged in; a loop that spins takes all of one


@pytest.mark.slow
@pytest.mark.calm
@pytest.mark.timeout(600)
def test_fifty_reconnections(tmp_path: Path, make_daemon: Callable[..., Daemon]) -> None:
    simulation = build(load(pull_and_coast(tmp_path / "ride.toml")))
    port = PtyPort(simulation.board, tmp_path / "board")
    daemon = make_daemon(tmp_path / "board")
    port.start()
    try:
        daemon.start()
        wait_for(daemon.answers, 20, "the page")
        cookie = daemon.pair()

        def link() -> str:
            return str(daemon.get("/live", cookie)["link"])

        def fresh() -> bool:
            live = daemon.get("/live", cookie)
            return live["link"] == "up" and live["age_s"] is not None and live["age_s"] < 0.3

        wait_for(fresh, 10, "the first samples")
        before = 0
        for cycle in range(CYCLES):
            if cycle == WARM:
                before = descriptors(daemon.pid)
            port.unplug()
            wait_for(lambda: link() == "lost", 5, f"link lost, cycle {cycle}")
            time.sleep(AWAY_S)
            port.replug()
            wait_for(fresh, 5, f"link back, cycle {cycle}")
        assert abs(descriptors(daemon.pid) - before) <= 2
        port.unplug()
        wait_for(lambda: link() == "lost", 5, "link lost at the end")
        used_s = cpu_s(daemon.pid)
        time.sleep(QUIET_S)
        assert (cpu_s(daemon.pid) - used_s) / QUIET_S < SPINNING
        assert daemon.stop() == 0
    finally:
        port.stop()

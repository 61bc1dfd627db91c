"""The live view kept open for an hour. Law: real board, daemon and browser, and neither page nor daemon grows.

The page's heap is weighed after a forced collection, so that what is left is what something still holds. The first ten
minutes are not counted: engine and caches fill in them. `SAGWISE_SOAK_S` shortens the hour for a try.
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable
from dataclasses import astuple, dataclass
from pathlib import Path

import numpy as np
import pytest
from daemon_process import Daemon, cpu_s, wait_for
from playwright.sync_api import CDPSession, Page, expect, sync_playwright
from ride_scenario import HEAD

from sagwise_sim import PtyPort, build, load

SOAK_S = float(os.environ.get("SAGWISE_SOAK_S", "3600"))
EVERY_S = 30.0
SETTLED = 1 / 6  # of the time
FLAGS = ("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update")
# A minute of a gentle ride: 11 A on average, so that the pack lasts longer than the watch.
MINUTE = "".join(
    f'[[segment]]\nkind = "{kind}"\nduration_s = {seconds}\nintensity = {intensity}\n'
    for kind, seconds, intensity in [("cruise", 4, 0.9), ("coast", 16, 0.0), ("cruise", 20, 0.1), ("coast", 20, 0.0)]
)
# Every hard pull breaks this floor, so that alarms come and go for the whole hour.
FLOOR = "[alarm.loaded_floor]\nvolts = 3.9\non_delay_s = 0.2\noff_delay_s = 2\n"


@dataclass(frozen=True)
class Weight:
    """heap_kb, nodes, listeners: of the page. resident_kb: of the daemon with its children."""

    at_s: float
    heap_kb: float
    nodes: int
    listeners: int
    resident_kb: float


def resident_kb(pid: int) -> float:
    """Of a process and its children, which the daemon has for charts."""
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    total = 0
    for one in (pid, *map(int, children)):
        lines = Path(f"/proc/{one}/status").read_text().splitlines()
        total += next(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))
    return float(total)


def weigh(at_s: float, devtools: CDPSession, pid: int) -> Weight:
    devtools.send("HeapProfiler.collectGarbage")
    counters = devtools.send("Memory.getDOMCounters")
    heap = devtools.send("Runtime.getHeapUsage")["usedSize"] / 1024
    return Weight(at_s, heap, counters["nodes"], counters["jsEventListeners"], resident_kb(pid))


def growth(weights: list[Weight]) -> Weight:
    """Of each figure over the time after settling, by a straight line: one late collection is no growth."""
    kept = np.array([astuple(one) for one in weights if one.at_s >= SETTLED * weights[-1].at_s])
    span = kept[-1, 0] - kept[0, 0]
    slopes = [np.polyfit(kept[:, 0], column, 1)[0] * span for column in kept.T[1:]]
    return Weight(span, *slopes)


def watch(page: Page, daemon: Daemon) -> list[Weight]:
    devtools = page.context.new_cdp_session(page)
    devtools.send("HeapProfiler.enable")
    began, weights = time.monotonic(), []
    while (now := time.monotonic() - began) < SOAK_S:
        weights.append(weigh(now, devtools, daemon.pid))
        page.wait_for_timeout(EVERY_S * 1e3 * min(1.0, SOAK_S / 600))
        expect(page.locator("#figure")).to_have_attribute("data-age", "now", timeout=10_000)
    return weights


def told(weights: list[Weight], grown: Weight, daemon: Daemon) -> str:
    rows = [weights[0], *weights[10::10], weights[-1]]
    lines = ["    time s   page kB    nodes  listeners  daemon kB"]
    lines += [f"{w.at_s:10.0f}{w.heap_kb:10.0f}{w.nodes:9}{w.listeners:11}{w.resident_kb:11.0f}" for w in rows]
    lines.append(
        f"grown in {grown.at_s:.0f} s: page {grown.heap_kb:+.0f} kB, nodes {grown.nodes:+.0f}, "
        f"listeners {grown.listeners:+.0f}, daemon {grown.resident_kb:+.0f} kB"
    )
    return "\n".join([*lines, f"daemon: {cpu_s(daemon.pid) / weights[-1].at_s:.3f} of a core"])


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_an_hour_of_the_live_view_grows_nothing(tmp_path: Path, make_daemon: Callable[..., Daemon]) -> None:
    scenario = tmp_path / "ride.toml"
    scenario.write_text(HEAD.format(seed=11) + MINUTE * (round(SOAK_S / 60) + 3))
    port = PtyPort(build(load(scenario)).board, tmp_path / "board")
    daemon = make_daemon(tmp_path / "board", extra=FLOOR)
    port.start()
    daemon.start()
    wait_for(daemon.answers, 20, "the page")
    name, value = daemon.pair().split("=", 1)
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=list(FLAGS))
            context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
            context.add_cookies([{"name": name, "value": value, "url": f"http://127.0.0.1:{daemon.port}"}])
            page = context.new_page()
            page.goto(f"http://127.0.0.1:{daemon.port}/")
            page.wait_for_selector('#figure[data-age="now"]')
            weights = watch(page, daemon)
            browser.close()
    finally:
        port.stop()
    grown = growth(weights)
    table = told(weights, grown, daemon)
    print(table)
    assert grown.heap_kb < 256, table
    assert grown.nodes < 50 and grown.listeners < 5, table
    assert grown.resident_kb < 4096, table
    assert daemon.stop() == 0

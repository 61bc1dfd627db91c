"""Makes the pictures of the page in `docs`, by day and by night. Law: what the demo can show is of the demo.

`PYTHONPATH=tests/support python tests/tools/pictures.py`, some minutes: the alarm of the demo is waited for, then it is
started again, so that its ride is over, and a ride of the spare pack is brought in to compare. The demo has neither
months of rides nor a board that falls silent: a pack over months, stale data and shelved alarms are of the made-up bike
of the browser tests.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import Any

from daemon_process import free_port, wait_for
from playwright.sync_api import Browser, Page, sync_playwright

ROOT = Path(__file__).parents[2]
SAGWISE = [sys.executable, "-m", "sagwise_daemon"]
PHONE, SIDEWAYS, WIDE = (390, 844), (844, 390), (1280, 800)
THEMES = {"light": "", "dark": "-night"}
PULL_V, ALARM_S, EARLIER_S = 0.35, 400.0, 900.0
HERON = ROOT / "daemon" / "sagwise_daemon" / "packs" / "heron.toml"
FULL_LENGTH = ("ride", "what-if")

Act = Callable[[Page], object]


def click(selector: str) -> Act:
    return lambda page: page.locator(selector).first.click()


def try_limits(page: Page) -> None:
    page.locator("text=Try other limits").click()
    page.wait_for_selector(".verdicts b")
    page.evaluate("const d = document.getElementById('dial-limit'); d.value = 31; d.dispatchEvent(new Event('input'))")


@contextmanager
def demo(folder: Path, port: int) -> Iterator[str]:
    command = [*SAGWISE, "demo", "--port", str(port), "--data", str(folder)]
    with (folder / "demo.log").open("ab") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log)
    url = f"http://127.0.0.1:{port}"
    try:
        wait_for(lambda: answers(url), 60, "the demo's page")
        yield url
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(20)


def answers(url: str) -> bool:
    try:
        return bool(asked(url, "/live"))
    except OSError:
        return False


def asked(url: str, path: str) -> Any:
    with urllib.request.urlopen(f"{url}/api/v1{path}", timeout=10) as answer:
        return json.load(answer)


class Camera:
    """Opens pages and keeps their pictures in a folder."""

    def __init__(self, browser: Browser, out: Path) -> None:
        self._browser, self._out = browser, out

    def open(self, url: str, size: tuple[int, int], theme: str) -> Page:
        touch = size != WIDE
        viewport = {"width": size[0], "height": size[1]}
        context = self._browser.new_context(viewport=viewport, has_touch=touch, is_mobile=touch, color_scheme=theme)
        page = context.new_page()
        page.on("console", lambda told: print("console:", told.text))
        page.set_default_timeout(120_000)
        page.goto(url)
        return page

    def keep(self, page: Page, name: str, whole: bool = False) -> None:
        page.screenshot(path=self._out / f"{name}.png", full_page=whole, animations="disabled")  # the flash's red half
        print(name)

    def view(self, url: str, name: str, path: str, sign: str, *acts: Act) -> None:
        """One view at phone size by day and by night."""
        for theme, tag in THEMES.items():
            page = self.open(url + path, PHONE, theme)
            page.wait_for_selector(sign)
            for act in acts:
                act(page)
            page.wait_for_timeout(900)
            if name in FULL_LENGTH:
                page.evaluate("window.scrollTo(0, 0)")
            self.keep(page, f"{name}-phone{tag}", name in FULL_LENGTH)
            page.context.close()


def glance(camera: Camera, url: str) -> None:
    """The live view in a hard pull, then the alarm that comes after some minutes."""
    sizes = {"phone": PHONE, "landscape": SIDEWAYS, "wide": WIDE}
    pages = {
        f"{name}{tag}": camera.open(url, size, theme) for name, size in sizes.items() for theme, tag in THEMES.items()
    }
    line, home = pages["phone"].locator("#figure .line"), pages["phone"].locator("#reach")
    told = lambda: pulls(line.inner_text()) and home.get_attribute("data-home") != "unknown"  # noqa: E731
    wait_for(told, 120, "a hard pull", 0.1)
    for name, page in pages.items():
        camera.keep(page, f"live-{name}")
    state = pages["phone"].locator("#state")
    wait_for(lambda: state.get_attribute("data-level") == "high", ALARM_S, "the alarm", 0.2)
    for name, page in pages.items():
        camera.keep(page, f"alarm-{name}")
        page.context.close()


def pulls(line: str) -> bool:
    return line.startswith("fine, sags") and float(line.split()[2]) > PULL_V


def bring_heron(folder: Path) -> None:
    """A ride of the spare pack, so that two packs can be compared."""
    trace = folder / "heron.csv"
    subprocess.run([*SAGWISE, "board", "--scenario", "heron_ride", "--to-trace", str(trace)], check=True)
    store = ["--store", str(folder / "rides.sqlite"), "--pack", str(HERON), "--started", "2026-05-01T10:00:00Z"]
    subprocess.run([*SAGWISE, "import", str(trace), *store], check=True)


def bench(camera: Camera, url: str) -> None:
    """The views of the bench, of the demo's own rides."""
    packs = "/".join(urllib.request.quote(pack["name"]) for pack in asked(url, "/packs/known")["packs"])
    first, second = dated(url)[:2]
    warned = next(ride["ride_id"] for ride in asked(url, "/rides")["rides"] if ride["alarms"] and ride["ended_by"])
    camera.view(url, "rides", "/#/rides", ".ride")
    camera.view(url, "ride", f"/#/rides/{warned}", "#plot-temperature canvas")
    camera.view(url, "what-if", f"/#/rides/{warned}", "#plot-temperature canvas", try_limits)
    camera.view(url, "compare", f"/#/compare/{second}/{first}", "#plot-compare canvas")
    camera.view(url, "packs", f"/#/packs/{packs}", "#plot-compare canvas")
    camera.view(url, "pack", "/#/pack", ".setting", click("details[data-rule=rest_low] summary"), scrolled(330))
    camera.view(url, "access", "/#/access", ".prose")
    camera.view(url, "pair", "/page/pair.html", "#pair")
    request = urllib.request.Request(f"{url}/api/v1/rides/{first}", method="DELETE", headers={"Origin": url})
    urllib.request.urlopen(request, timeout=10).close()
    camera.view(url, "deleted", "/#/rides", ".ride", click("button:has-text('Deleted')"))


def dated(url: str) -> list[int]:
    rides = asked(url, "/rides?pack=Otter%2016s5p&kind=ride")["rides"]
    return [ride["ride_id"] for ride in rides if ride["ended_by"] == "standstill"]


def scrolled(pixels: int) -> Act:
    return lambda page: page.evaluate(f"window.scrollTo(0, {pixels})")


def made_up(camera: Camera) -> None:
    """What the demo cannot show, of the browser tests' bike."""
    made = browser_tests()
    bike = made.FakeBike(made.PageSettings(paired_on_loopback=True), Path(tempfile.mkdtemp())).start()
    try:
        camera.view(bike.url, "health", "/#/health", ".plot canvas")
        states, low = made.AlarmState, made.Priority.LOW
        ends = time.monotonic() + 1500
        bike.scene.alarms = (
            made.alarm("loaded_floor", value=2.74, limit=2.8, basis=made.Basis.LOADED),
            made.alarm("spread_high", None, states.ACKNOWLEDGED, low, 0.11, 0.1, basis=None),
            made.AlarmView("turn_back", None, states.SHELVED, made.Priority.MEDIUM, None, None, "1", None, 9.0, ends),
        )
        camera.view(bike.url, "alarms", "/#/alarms", ".alarm-card .buttons")
        bike.scene.alarms = ()
        bike.scene.hold()
        camera.view(bike.url, "stale", "/", "#figure[data-age=stale]")
    finally:
        bike.stop()


def browser_tests() -> ModuleType:
    spec = importlib.util.spec_from_file_location("browser_tests", ROOT / "tests" / "browser" / "conftest.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["browser_tests"] = module
    spec.loader.exec_module(module)
    return module


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=ROOT / "docs")
    parser.add_argument("--only-made-up", action="store_true", help="leave the demo out")
    arguments = parser.parse_args()
    chromium = shutil.which("chromium")
    folder = Path(tempfile.mkdtemp())
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        camera = Camera(browser, arguments.out)
        made_up(camera)
        if not arguments.only_made_up:
            port = free_port()
            with demo(folder, port) as url:
                glance(camera, url)
                wait_for(lambda: len(dated(url)) >= 3, EARLIER_S, "the earlier rides", 5)  # whole ones
            with demo(folder, port) as url:
                bring_heron(folder)
                bench(camera, url)
        browser.close()
    shutil.rmtree(folder)


if __name__ == "__main__":
    os.chdir(ROOT)
    main()

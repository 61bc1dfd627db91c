"""The report in a real browser, offline, without scripts, on a phone and a desk. Law: nothing asked for, none cut."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.io.export import export_report
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.trace import Trace, write_trace
from sagwise_daemon.take_in import take_in

pytestmark = [pytest.mark.browser, pytest.mark.slow]
_, OTTER = built_in_pack("otter")


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten minutes down to the limit: group 7 is low at rest first, the others near the end."""
    folder = tmp_path_factory.mktemp("report")
    time_s = np.arange(6000) / 10
    current = np.where((time_s > 20) & (time_s < 520) & (time_s % 20 < 13), 60.0, 0.0)
    rest = 3.62 - 0.35 * np.clip(time_s - 20, 0, 500) / 500
    group_v = rest[:, None] - current[:, None] * 0.003 + np.zeros(16)
    group_v[:, 6] -= 0.05 * np.clip(time_s - 20, 0, 500) / 500 + current * 0.001
    trace = Trace(time_s, np.round(group_v, 4), current, np.full((6000, 2), 24.0) + time_s[:, None] / 100, time_s * 5)
    write_trace(folder / "ride.csv", trace)
    store = folder / "rides.sqlite"
    Store.open(store).close()
    told = take_in(store, folder / "ride.csv", OTTER, started_unix_s=1_777_629_600.0)
    with Store.open(store) as opened:
        return export_report(opened, told["ride_id"], folder / "ride.html")


@pytest.fixture(params=[(390, 844, True), (1200, 900, False)], ids=["phone", "desk"])
def page(request: pytest.FixtureRequest, chromium: Browser, file: Path, shots: Path) -> Iterator[Page]:
    width, height, phone = request.param
    context = chromium.new_context(
        viewport={"width": width, "height": height},
        is_mobile=phone,
        has_touch=phone,
        offline=True,
        java_script_enabled=False,
    )
    opened = context.new_page()
    asked: list[str] = []
    complaints: list[str] = []
    opened.on("request", lambda one: asked.append(one.url))
    opened.on("console", lambda one: complaints.append(one.text))
    opened.goto(file.as_uri())
    yield opened
    opened.screenshot(path=shots / f"report-{width}.png", full_page=True)
    context.close()
    assert asked == [file.as_uri()] and complaints == []


def test_nothing_is_cut_off_and_marks_stand_over_their_moments(page: Page) -> None:
    size = page.viewport_size
    assert size is not None
    body = page.locator("main").bounding_box()
    assert body is not None and body["x"] >= 0 and body["x"] + body["width"] <= size["width"]
    for place in ("h1", "dl", ".plots", ".frame", "ol", "footer"):
        box = page.locator(place).first.bounding_box()
        assert box is not None and box["x"] >= 0 and box["x"] + box["width"] <= size["width"] + 1, place
    marks = page.locator(".mark")
    assert marks.count() == page.locator("ol li").count() == 2
    frame = page.locator(".frame").first.bounding_box()
    mark = marks.first.bounding_box()
    assert frame is not None and mark is not None
    minutes, seconds = page.locator("ol .at").first.inner_text().split(":")
    share = (int(minutes) * 60 + int(seconds)) / 599.9
    assert abs((mark["x"] + mark["width"] / 2 - frame["x"]) / frame["width"] - share) < 0.01


def test_it_says_what_matters(page: Page) -> None:
    text = page.locator("main").inner_text()
    assert "Weakest is group 7" in text and "Group 7 low at rest" in text
    assert "1 May 2026, 10:00 UTC" in text and "A plain buzzer at" in text
    assert page.locator("tbody tr:not(.under)").count() == 16 and page.locator("tbody tr.odd th").all_inner_texts() == [
        "7"
    ]
    assert page.get_by_text("resists 33 % more than the median").filter(visible=True).count() == 1


def test_the_rest_line_is_the_strongest_line(page: Page) -> None:
    widths = (
        page.locator(".frame")
        .first.locator("path")
        .evaluate_all("paths => paths.map(p => [p.getAttribute('class'), parseFloat(getComputedStyle(p).strokeWidth)])")
    )
    rest = max(width for name, width in widths if name == "rest")
    assert all(width < rest for name, width in widths if name != "rest")

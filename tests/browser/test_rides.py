"""Rides on the bench, in a real browser. Law: the chart is checked by what it draws and reads, not by being there."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.slow]

INK_COLUMNS = """([place, night]) => {
  const canvas = document.querySelector(`${place} canvas`);
  const data = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
  const dark = new Set();
  for (let i = 0; i < data.length; i += 4) {
    if (data[i + 3] > 200 && (night ? data[i] > 220 : data[i] < 40)) dark.add((i / 4) % canvas.width);
  }
  return dark.size / canvas.width;
}"""


def open_ride(page: Page) -> None:
    page.locator("#to-rides").tap()
    page.locator("#ride-list .ride > a").first.tap()
    expect(page.locator("#plot-voltage canvas")).to_be_visible()


def test_rides_are_listed_by_day_with_the_figures_that_matter(bike, phones, shots: Path) -> None:
    page, _ = phones.open(bike.url)
    page.locator("#to-rides").tap()
    expect(page.locator("#ride-list h2")).to_have_count(2)
    rows = page.locator("#ride-list .ride > a")
    expect(rows).to_have_count(3)
    for words in ("38 min", "3.27 V", "612 Wh", "2"):
        expect(rows.first).to_contain_text(words)
    expect(rows.nth(2)).not_to_contain_text("V")  # unknown is a dash
    assert min(row.bounding_box()["height"] for row in rows.all()) >= 44
    assert min(tap.bounding_box()["height"] for tap in page.locator("#bench .tap:visible").all()) >= 44
    page.screenshot(path=shots / "rides-day.png")


def test_a_ride_that_put_energy_in_has_used_none(bike, phones) -> None:
    bike.rides.replace(2, energy_wh=-45.0)
    page, _ = phones.open(bike.url, "/#/rides")
    row = page.locator("#ride-list .ride > a[href='#/rides/2']")
    expect(row).to_contain_text("45 Wh")
    expect(row).to_contain_text("put in")
    page.goto(bike.url + "/#/rides/2")
    expect(page.locator(".facts-row")).to_contain_text("put in")


def test_only_the_ride_of_the_connected_board_goes_on_now(bike, phones) -> None:
    """A ride that is being brought in has no end either, and one that lost its power had none for a while."""
    bike.rides.replace(3, ended_by=None)
    bike.rides.replace(2, ended_by=None)
    bike.scene.ride_id = 2
    page, _ = phones.open(bike.url, "/#/rides")
    lengths = page.locator("#ride-list .ride .when small")
    expect(lengths).to_have_text(["38 min · no end yet", "25 min · now", "11 min"])
    page.goto(bike.url + "/#/rides/3")
    expect(page.locator("#bench-body")).to_contain_text("Otter 16s5p · has no end yet")
    page.goto(bike.url + "/#/rides/2")
    expect(page.locator("#bench-body")).to_contain_text("Otter 16s5p · goes on now")


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_one_ride_is_charted(bike, phones, shots: Path, theme: str) -> None:
    page, _ = phones.open(bike.url, theme=theme)
    open_ride(page)
    expect(page.locator("#plot-current canvas")).to_be_visible()
    night = theme == "dark"
    assert page.evaluate(INK_COLUMNS, ["#plot-voltage", night]) > 0.7, "the rest line runs through the plot"
    assert page.evaluate(INK_COLUMNS, ["#plot-current", night]) > 0.5
    marks = page.locator("#plot-voltage .mark")
    expect(marks).to_have_text(["1", "2"])
    left = [mark.bounding_box()["x"] for mark in marks.all()]
    plot = page.locator("#plot-voltage .u-over").bounding_box()
    assert (left[1] - plot["x"]) / plot["width"] == pytest.approx(2105 / 2280, abs=0.02)
    expect(page.locator("#mark-2")).to_contain_text("Group 7 low at rest at 35:05")
    expect(page.locator("#mark-2")).to_contain_text("3.29 V at rest, limit 3.30 V; seen by the button at 35:21")
    page.screenshot(path=shots / f"ride-{theme}.png", full_page=True)


def test_readings_are_held_a_moment_and_gaps_stay(bike, phones) -> None:
    page, _ = phones.open(bike.url)
    held = page.evaluate(
        "import('/page/envelope.js').then(m => m.held([0, 1, 2, 3, 9, 10], [null, 5, null, 6, null, 7], 1.5))"
    )
    assert held == [None, 5, 5, 6, None, 7]


def test_a_finger_reads_both_plots_at_one_time(bike, phones) -> None:
    page, _ = phones.open(bike.url)
    open_ride(page)
    plot = page.locator("#plot-voltage .u-over").bounding_box()
    page.touchscreen.tap(plot["x"] + plot["width"] * 0.5, plot["y"] + 60)
    reads = page.locator("#readout")
    expect(reads).to_contain_text("rest 3.7")
    minutes, seconds = reads.locator(".at").inner_text().split(":")
    assert int(minutes) * 60 + int(seconds) == pytest.approx(1140, abs=15)
    voltage = page.locator("#plot-voltage .u-cursor-x").bounding_box()["x"]
    current = page.locator("#plot-current .u-cursor-x").bounding_box()["x"]
    assert voltage == pytest.approx(current, abs=1)


def test_a_time_that_would_be_cut_off_is_left_out(bike, phones) -> None:
    page, _ = phones.open(bike.url)
    told = page.evaluate("""async () => {
      const { axes } = await import("/page/paint.js");
      const [along] = axes({}, String, [1], (s) => `${s / 60}:00`);
      return [240, 260].map((max) => along.values({ width: 370, scales: { x: { min: 0, max } } }, [0, 120, 240]));
    }""")
    assert told == [["0:00", "2:00", ""], ["0:00", "2:00", "4:00"]]


def test_theme_change_redraws_the_plots(bike, phones) -> None:
    page, _ = phones.open(bike.url)
    open_ride(page)
    assert page.evaluate(INK_COLUMNS, ["#plot-voltage", True]) < 0.5
    page.locator("#bench").get_by_role("button", name="Night").tap()
    expect(page.locator("#plot-voltage canvas")).to_have_count(1)
    assert page.evaluate(INK_COLUMNS, ["#plot-voltage", True]) > 0.7


@pytest.mark.parametrize(("width", "height"), [(844, 390), (1280, 800)])
def test_the_ride_fits_other_shapes(bike, phones, shots: Path, width: int, height: int) -> None:
    page, _ = phones.open(bike.url, "/#/rides/3", width=width, height=height, touch=width < 1000)
    expect(page.locator("#plot-voltage canvas")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.screenshot(path=shots / f"ride-{width}x{height}.png")


def test_a_ride_that_is_not_there_says_so(bike, phones) -> None:
    page, watch = phones.open(bike.url, "/#/rides/99")
    watch.allowed.append("404")
    expect(page.locator("#bench-body")).to_contain_text("there is no ride 99")


def test_the_whole_page_is_light(bike, phones) -> None:
    page, _ = phones.open(bike.url)
    sizes: list[int] = []
    page.on("requestfinished", lambda r: None if "stream" in r.url else sizes.append(r.sizes()["responseBodySize"]))
    page.reload()
    open_ride(page)
    page.wait_for_timeout(300)
    assert len(sizes) > 15
    assert sum(sizes) < 150 * 1024

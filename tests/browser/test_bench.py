"""What if, packs, phones, health and comparison in a real browser. Law: what is changed is read back from the bike."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.slow]

OTTER = "Otter 16s5p"


def try_other_limits(page: Page) -> None:
    page.get_by_role("button", name="Try other limits").tap()
    expect(page.locator(".verdicts div")).to_have_count(2)


def set_dial(page: Page, name: str, place: int) -> None:
    page.locator(f"#dial-{name}").fill(str(place))


def test_other_limits_are_told_at_once_beside_a_plain_buzzer(bike, phones, shots: Path) -> None:
    page, _ = phones.open(bike.url, "/#/rides/3")
    try_other_limits(page)
    ours, plain = page.locator(".verdicts div").all()
    expect(ours).to_contain_text("1 warning")
    expect(plain).to_contain_text("15 warnings")
    expect(page.locator(".tick.ours")).to_have_count(1)
    expect(page.locator(".tick.plain")).to_have_count(15)
    page.screenshot(path=shots / "what-if.png", full_page=True)
    set_dial(page, "limit", 0)  # 2.80 V is never reached
    expect(ours).to_contain_text("0 warnings")
    expect(page.locator(".tick.ours")).to_have_count(0)
    set_dial(page, "limit", 40)
    expect(ours).to_contain_text("first 16 min before the floor")
    assert bike.judge.asked == [3], "the ride is judged once, whatever is dragged"


def test_the_limit_is_dragged_on_the_plot_itself(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/rides/3", width=1280, height=800, touch=False)
    page.get_by_role("button", name="Try other limits").click()
    grip = page.locator(".grip.rest-limit")
    grip.scroll_into_view_if_needed()
    box = grip.bounding_box()
    assert box["height"] >= 44
    tick = page.locator(".tick.ours")
    before = tick.bounding_box()["x"]
    page.mouse.move(box["x"] + 50, box["y"] + 22)
    page.mouse.down()
    page.mouse.move(box["x"] + 50, box["y"] - 20, steps=5)
    page.mouse.up()
    dialled = float(page.locator("output[for=dial-limit]").inner_text().split()[0])
    assert 3.34 <= dialled <= 3.6
    assert tick.bounding_box()["x"] < before - 10, "a higher limit warns earlier"
    expect(page.locator(".zoom span")).to_have_text("")  # and the plot was not zoomed by it


def test_all_rides_of_the_pack_are_judged_together(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/rides/3")
    try_other_limits(page)
    page.get_by_role("button", name="Judge all rides").tap()
    expect(page.get_by_role("button", name="All 3 rides are judged")).to_be_visible()
    expect(page.locator(".verdicts div").first).to_contain_text("3 warningson 3 of 3 rides")
    assert sorted(bike.judge.asked) == [1, 2, 3]


def test_a_setting_is_taken_over_with_one_tap_and_given_back(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/rides/3")
    try_other_limits(page)
    take = page.get_by_role("button", name="Take this over")
    expect(take).to_be_disabled()
    set_dial(page, "limit", 20)
    set_dial(page, "delay", 2)
    take.tap()
    expect(page.locator(".told")).to_contain_text("now warns below 3.20 V at rest for 2 s")
    rule = bike.garage.fitted().rules["rest_low"]
    assert (rule.limit, rule.on_delay_s) == (3.2, 2.0)
    page.get_by_role("button", name="Undo").tap()
    expect(page.locator(".told")).to_contain_text("Undone: 3.30 V for 1 s again")
    rule = bike.garage.fitted().rules["rest_low"]
    assert (rule.limit, rule.on_delay_s) == (3.3, 1.0)


def test_pinch_and_buttons_zoom_and_finer_levels_are_fetched(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/rides/3")
    expect(page.locator("#plot-voltage canvas")).to_be_visible()
    bike.rides.spans.clear()
    page.get_by_role("button", name="Closer").tap()
    page.get_by_role("button", name="Closer").tap()
    expect(page.locator(".zoom span")).to_have_text("14:15 to 23:45")
    page.wait_for_timeout(600)
    first, last, points = bike.rides.spans[-1]
    assert (last - first) == pytest.approx(2 * 570, rel=0.01) and points >= 780
    page.evaluate("window.scrollTo(0, 120)")
    session = page.context.new_cdp_session(page)
    plot = page.locator("#plot-voltage .u-over").bounding_box()
    middle, height = plot["x"] + plot["width"] / 2, plot["y"] + 60
    for kind, apart in (("touchStart", 20), ("touchMove", 40), ("touchMove", 60), ("touchMove", 80), ("touchEnd", 0)):
        fingers = [{"x": middle - apart, "y": height}, {"x": middle + apart, "y": height}]
        points = [] if kind == "touchEnd" else fingers
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    words = page.locator(".zoom span").inner_text()
    start, end = (sum(int(part) * 60**n for n, part in enumerate(one.split(":")[::-1])) for one in words.split(" to "))
    assert 110 < end - start < 180, "spread four times as far, a quarter is seen"
    page.wait_for_timeout(600)
    assert bike.rides.spans[-1][1] - bike.rides.spans[-1][0] < 400
    for kind, at in (("touchStart", 0), ("touchMove", 30), ("touchMove", 60), ("touchMove", 90), ("touchEnd", 0)):
        points = [] if kind == "touchEnd" else [{"x": middle - at, "y": height}]
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    later = page.locator(".zoom span").inner_text()
    assert later != words, "one finger moves what was zoomed"
    page.get_by_role("button", name="Whole ride").click()
    expect(page.locator(".zoom span")).to_have_text("")


def test_the_odd_group_is_told_in_words(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/rides/3")
    rows = page.locator(".groups tbody tr.odd")
    expect(rows.first).to_contain_text("7")
    expect(page.locator(".groups")).to_contain_text("It resists 46 % more than the others.")
    widths = page.eval_on_selector_all(".groups .track i", "bars => bars.map(b => b.getBoundingClientRect().width)")
    assert widths.index(max(widths)) == 6
    expect(page.locator("#ride-alarms")).to_contain_text("would have shrieked 23 times, first at 5:10")


def test_nothing_is_changed_without_a_confirmed_save(bike, phones, shots: Path) -> None:
    page, watch = phones.open(bike.url, "/#/pack")
    page.locator("details[data-rule=rest_low] summary").tap()
    limit = page.locator("#rest_low-volts")
    expect(limit).to_have_value("3.3")
    expect(page.locator("#rest_low-volts-why")).to_contain_text("Allowed: 1 to 5.")
    save = page.locator("details[data-rule=rest_low] button[type=submit]")
    expect(save).to_be_disabled()
    limit.fill("3.25")
    save.tap()
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text("Limit, V: 3.3 becomes 3.25.")
    page.screenshot(path=shots / "save.png")
    dialog.get_by_role("button", name="Leave it").tap()
    assert bike.garage.changes(10) == ()
    save.tap()
    page.get_by_role("dialog").get_by_role("button", name="Save").tap()
    expect(page.locator(".changes li").first).to_contain_text("3.3 → 3.25")
    expect(page.locator(".changes li").first).to_contain_text("by this computer")
    assert bike.garage.fitted().rules["rest_low"].limit == 3.25
    page.locator(".told").get_by_role("button", name="Undo").tap()
    expect(page.locator(".told")).to_contain_text("Undone.")
    assert bike.garage.fitted().rules["rest_low"].limit == 3.3
    watch.allowed.append("422")
    page.locator("#rest_low-volts").fill("9")
    page.locator("details[data-rule=rest_low] button[type=submit]").tap()
    page.get_by_role("dialog").get_by_role("button", name="Save").tap()
    expect(page.locator(".told")).to_contain_text("a number from 1 to 5 V")


def test_another_pack_is_fitted_when_it_is_confirmed(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/pack")
    card = page.locator(".pack-card", has_text="Heron 14s")
    card.get_by_role("button", name="Fit this").tap()
    page.get_by_role("dialog").get_by_role("button", name="Fit it").tap()
    expect(page.locator(".pack-card.fitted")).to_contain_text("Heron 14s is fitted")
    assert bike.garage.fitted().name == "Heron 14s"


def test_phones_are_listed_and_sent_away(locked_bike, phones) -> None:
    page, watch = phones.open(locked_bike.url)
    page.get_by_label("Code of the bike").fill("47110815")
    page.get_by_label("Name for this phone").fill("old phone")
    page.get_by_role("button", name="Pair").tap()
    expect(page.locator("#figure .digits")).to_have_text("3.68")
    page.goto(locked_bike.url + "/#/access")
    expect(page.locator(".changes li")).to_contain_text("old phone (this one)")
    watch.allowed.append("401")
    page.get_by_role("button", name="Unpair").tap()
    page.get_by_role("dialog").get_by_role("button", name="Unpair").tap()
    expect(page.get_by_label("Code of the bike")).to_be_visible(timeout=15000)


def test_two_rides_are_compared_on_one_axis(bike, phones) -> None:
    page, watch = phones.open(bike.url, "/#/rides")
    watch.allowed.append("422")
    boxes = page.locator(".pick input")
    expect(boxes).to_have_count(3)
    boxes.nth(0).check()
    boxes.nth(1).check()
    page.get_by_role("link", name="Compare").tap()
    expect(page.locator("#plot-compare canvas")).to_be_visible()
    plot = page.locator("#plot-compare .u-over").bounding_box()
    page.touchscreen.tap(plot["x"] + plot["width"] * 0.25, plot["y"] + 60)
    expect(page.locator(".readout")).to_contain_text("rest 3.8")
    page.get_by_role("button", name="By distance").tap()
    expect(page.get_by_role("status")).to_contain_text("no distance")


def test_health_shows_which_group_ages(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/health", theme="dark")
    expect(page.locator("#bench-body")).to_contain_text("Group 7 ages faster than the others.")
    expect(page.locator(".plot canvas")).to_have_count(3)
    expect(page.locator(".groups tr.odd")).to_contain_text("+0.90 ± 0.05")


def test_a_record_gets_a_name_and_a_note_and_can_be_taken_away_and_back(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/rides/3")
    page.get_by_label("Name").fill("Quarry, wet")
    page.get_by_label("Note").fill("new tyre")
    page.get_by_role("button", name="Save").tap()
    expect(page.locator("#bench-title")).to_have_text("Quarry, wet")
    assert (bike.rides.ride(3).name, bike.rides.ride(3).note) == ("Quarry, wet", "new tyre")
    page.locator(".told").get_by_role("button", name="Undo").tap()
    expect(page.locator(".told")).to_contain_text("Undone.")
    assert (bike.rides.ride(3).name, bike.rides.ride(3).note) == (None, "")
    page.get_by_role("button", name="Delete").tap()
    page.get_by_role("dialog").get_by_role("button", name="Delete").tap()
    expect(page.locator(".told")).to_contain_text("The record is deleted.")
    assert bike.rides.ride(3).deleted
    page.locator(".told").get_by_role("button", name="Undo").tap()
    expect(page.locator(".told")).to_contain_text("The record is back.")
    assert not bike.rides.ride(3).deleted

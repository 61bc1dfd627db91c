"""What if, packs, phones, health and comparison in a real browser. Law: what is changed is read back from the bike."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, Route, expect

from sagwise_daemon.domain.model import Basis, Priority

pytestmark = [pytest.mark.browser, pytest.mark.slow]

OTTER = "Otter 16s5p"


def try_other_limits(page: Page) -> None:
    page.get_by_role("button", name="Try other limits").tap()
    expect(page.locator(".verdicts div")).to_have_count(2)


def set_dial(page: Page, name: str, place: int) -> None:
    page.locator(f"#dial-{name}").fill(str(place))


def eventually(page: Page, holds_now: Callable[[], bool], most_ms: int = 5000) -> None:
    """Waits until something holds outside of the page, where `expect` cannot look."""
    for _ in range(most_ms // 50):
        if holds_now():
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"it does not hold after {most_ms} ms")


def test_other_limits_are_told_at_once_beside_a_plain_buzzer(bike, phones, shots: Path) -> None:
    page, _ = phones.open(bike.url, "/#/rides/3")
    try_other_limits(page)
    ours, plain = page.locator(".verdicts div").all()
    expect(ours).to_contain_text("1 warning")
    expect(plain).to_contain_text("15 warnings")
    expect(page.locator(".tick.ours")).to_have_count(1)
    expect(page.locator(".tick.plain")).to_have_count(15)
    page.screenshot(path=shots / "what-if.png", full_page=True)
    expect(page.locator(".second-look")).to_be_hidden()
    set_dial(page, "limit", 0)  # 2.80 V is never reached
    expect(ours).to_contain_text("0 warnings")
    expect(page.locator(".second-look")).to_have_text(re.compile("^This warns later than now."))
    expect(page.locator(".tick.ours")).to_have_count(0)
    set_dial(page, "limit", 40)
    expect(ours).to_contain_text("first 16 min before the floor")
    expect(page.locator(".second-look")).to_be_hidden()
    assert bike.judge.asked == [3], "the ride is judged once, whatever is dragged"


def test_ticks_and_names_of_limits_keep_clear_of_each_other(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/rides/3")
    try_other_limits(page)
    set_dial(page, "limit", 0)  # 2.80 V, where the floor is
    floor_y = page.locator(".grip-line.rest-limit").bounding_box()["y"]
    ticks = [tick.bounding_box() for tick in page.locator(".tick.plain").all()]
    assert len(ticks) == 15 and min(tick["y"] for tick in ticks) > floor_y
    name = page.locator(".rule-label", has_text="floor 2.80 V").bounding_box()
    assert name["y"] + name["height"] < floor_y + 2
    over = page.evaluate(
        "([x, y]) => document.querySelector('.rule-label').parentElement.lastElementChild.className", [0, 0]
    )
    assert over == "rule-label", "marks pass beneath the names"


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
    page.get_by_role("button", name="Closer").tap()
    with page.expect_response(lambda answer: "&start_s=570" in answer.url):  # the span and half of it on either side
        page.get_by_role("button", name="Closer").tap()
    expect(page.locator(".zoom span")).to_have_text("14:15 to 23:45")
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
    eventually(page, lambda: bike.rides.spans[-1][1] - bike.rides.spans[-1][0] < 400)
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


def test_whoever_weakens_a_last_guard_is_told_that_it_is_one(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/pack")
    for rule, box, told in (("loaded_floor", "#loaded_floor-enabled", 1), ("spread_high", "#spread_high-enabled", 0)):
        page.locator(f"details[data-rule={rule}] summary").tap()
        page.locator(box).uncheck()
        page.locator(f"details[data-rule={rule}] button[type=submit]").tap()
        expect(page.get_by_role("dialog").locator("p", has_text="behind it nothing else warns you")).to_have_count(told)
        page.get_by_role("dialog").get_by_role("button", name="Leave it").tap()
    assert bike.garage.changes(10) == ()


def test_a_limit_says_what_it_is_a_share_of_and_a_pack_what_deserves_a_second_look(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/pack")
    expect(page.locator(".second-look")).to_have_count(1)
    expect(page.locator(".second-look")).to_contain_text("Caution. 16 groups of 4.20 V are 67.2 V: above 60 V d.c.")
    page.locator("details[data-rule=loaded_floor] summary").tap()
    page.locator("#loaded_floor-volts").fill("1.5")
    page.locator("details[data-rule=loaded_floor] button[type=submit]").tap()
    page.get_by_role("dialog").get_by_role("button", name="Save").tap()
    expect(page.locator(".second-look").nth(1)).to_contain_text(
        "“Floor under load”, 1.5 V, is below cell.empty_v, 2.8 V"
    )
    expect(page.locator(".told")).to_contain_text("Floor under load is saved. “Floor under load”, 1.5 V, is below")
    page.locator(".told").get_by_role("button", name="Undo").tap()
    expect(page.locator(".second-look")).to_have_count(1)
    page.get_by_role("button", name="Wren 16s").tap()
    expect(page.locator("details[data-rule=turn_back] .now")).to_have_text("0.15 of the way home")
    expect(page.locator("details[data-rule=overcurrent] .now")).to_have_text("1.1 times the maker’s")
    expect(page.locator(".second-look")).to_have_count(0)


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


def test_the_clock_says_who_set_it(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/access")
    clock = page.locator("#bench-body .prose").nth(1)
    expect(clock).to_contain_text("Nobody has told the bike what time it is. It differs from this computer by")
    page.get_by_role("button", name="Set it by this computer").tap()
    expect(clock).to_have_text("The bike’s own computer says what time it is. It agrees with this computer.")
    bike.clock.teller = "phone"
    page.reload()
    expect(clock).to_contain_text("A paired phone has set the time.")


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
    expect(page.locator("#plot-compare canvas")).to_have_count(0)  # no plot by time under the name of distance
    page.get_by_role("button", name="By time").tap()
    expect(page.locator("#plot-compare canvas")).to_be_visible()


def test_health_shows_which_group_ages(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/health", theme="dark")
    expect(page.locator("#bench-body")).to_contain_text("Group 7 ages faster than the others:")
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


def test_an_alarm_is_shelved_with_an_end_and_speaks_again(bike, phones, alarm_of, shots: Path) -> None:
    bike.scene.alarms = (
        alarm_of("spread_high", None, priority=Priority.LOW, value=0.11, limit=0.1, basis=None),
        alarm_of("loaded_floor", 7, value=2.74, limit=2.8, basis=Basis.LOADED),
    )
    page, _ = phones.open(bike.url, "/#/alarms")
    expect(page.locator(".alarm-card")).to_have_count(2)
    floor, spread = page.locator(".alarm-card").all()
    expect(floor).to_contain_text("Group 7 under the floor")
    expect(floor).to_contain_text("A last guard: it cannot be shelved.")
    expect(floor.get_by_role("button")).to_have_count(0)
    spread.get_by_role("button", name="10 min").tap()
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text("Groups far apart: shelve it for 10 min?")
    expect(dialog).to_contain_text("Groups that rest far apart want balancing.")
    dialog.get_by_role("button", name="Leave it").tap()
    assert bike.scene.shelved == []
    spread.get_by_role("button", name="10 min").tap()
    page.get_by_role("dialog").get_by_role("button", name="Shelve it").tap()
    shelved = page.locator(".alarm-card[data-rule=spread_high]")
    expect(shelved).to_contain_text("shelved, speaks again in 10 min")
    expect(page.locator(".told")).to_contain_text("Shelved until")
    page.screenshot(path=shots / "shelved.png")
    shelved.get_by_role("button", name="End it").tap()
    expect(shelved).to_contain_text("not seen yet")
    assert bike.scene.shelved == [("spread_high", 600.0, None), ("spread_high", 0.0, None)]


def test_alarms_of_a_silent_bike_are_said_to_be_old(bike, phones, alarm_of) -> None:
    bike.scene.alarms = (alarm_of(),)
    page, _ = phones.open(bike.url, "/#/alarms")
    expect(page.locator(".alarm-card")).to_have_count(1)
    expect(page.get_by_role("status")).to_be_hidden()
    bike.scene.mute = True
    expect(page.get_by_role("status")).to_contain_text("No data comes from the bike", timeout=6000)


def test_what_sounded_leads_to_its_ride(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/alarms")
    expect(page.locator("#alarms-now")).to_contain_text("No alarm stands.")
    entries = page.locator(".changes li")
    expect(entries).to_have_count(2)
    expect(entries.first).to_contain_text("3.29 V at rest, limit 3.30 V")
    entries.first.get_by_role("link", name="Group 7 low at rest").tap()
    expect(page.locator("#plot-voltage canvas")).to_be_visible()


def test_who_may_only_look_shelves_nothing_and_sees_no_deleted_list(watched_bike, phones, alarm_of) -> None:
    watched_bike.scene.alarms = (alarm_of("spread_high", None, priority=Priority.LOW, basis=None),)
    page, _ = phones.open(watched_bike.url, "/#/alarms")
    expect(page.locator(".alarm-card")).to_contain_text("Groups far apart")
    expect(page.locator(".alarm-card button")).to_have_count(0)
    page.goto(watched_bike.url + "/#/rides")
    expect(page.locator(".ride")).to_have_count(3)
    expect(page.get_by_role("button", name="Deleted")).to_have_count(0)
    page.goto(watched_bike.url + "/#/rides/3")
    expect(page.locator("#record h2")).to_be_visible()
    expect(page.locator("#record-pack")).to_have_count(0)


def test_a_ride_is_given_to_the_pack_that_it_was_ridden_with(bike, phones, shots: Path) -> None:
    page, _ = phones.open(bike.url, "/#/rides/3")
    choice = page.get_by_label("Pack")
    expect(choice).to_have_value(OTTER)
    expect(choice.locator("option")).to_have_text([OTTER, "Wren 16s"])  # and none of 14 groups
    choice.select_option("Wren 16s")
    page.screenshot(path=shots / "record.png", full_page=True)
    page.locator("#record").get_by_role("button", name="Save").tap()
    expect(page.locator(".told")).to_contain_text("the ride now counts for Wren 16s")
    assert bike.rides.ride(3).pack == "Wren 16s"
    page.locator(".told").get_by_role("button", name="Undo").tap()
    expect(page.locator(".told")).to_contain_text("Undone.")
    assert bike.rides.ride(3).pack == OTTER
    expect(choice).to_have_value(OTTER)


def test_deleted_rides_are_listed_and_brought_back(bike, phones, shots: Path) -> None:
    bike.rides.replace(2, deleted=True)
    page, _ = phones.open(bike.url, "/#/rides")
    expect(page.locator(".ride")).to_have_count(2)
    page.get_by_role("button", name="Deleted").tap()
    expect(page.locator(".ride")).to_have_count(1)
    expect(page.locator(".pick")).to_have_count(0)
    page.screenshot(path=shots / "deleted.png")
    page.get_by_role("button", name="Bring back").tap()
    expect(page.locator(".told")).to_contain_text("The record is back in its list.")
    assert not bike.rides.ride(2).deleted
    page.locator(".told").get_by_role("button", name="Undo").tap()
    expect(page.locator(".told")).to_contain_text("deleted again")
    assert bike.rides.ride(2).deleted
    page.get_by_role("button", name="Bring back").tap()
    page.get_by_role("button", name="Rides", exact=True).tap()
    expect(page.locator(".ride")).to_have_count(3)


def answers_late(page: Page, part: str, wait_ms: int = 400) -> None:
    """The bike answers what has `part` in its path late, as over a weak Wi-Fi."""

    def late(route: Route) -> None:
        page.wait_for_timeout(wait_ms)
        route.continue_()

    page.route(f"**{part}", late)


def holds(page: Page, pattern: str) -> list[Route]:
    """What the page asks for by this pattern is held until the test lets it go."""
    held: list[Route] = []

    def hold(route: Route) -> None:
        held.append(route)

    page.route(pattern, hold)
    return held


def test_the_last_of_two_quick_taps_decides_which_list_is_shown(bike, phones) -> None:
    bike.rides.replace(2, deleted=True)
    page, _ = phones.open(bike.url, "/#/rides")
    expect(page.get_by_role("button", name="Deleted")).to_be_visible()
    answers_late(page, "/rides?*kind=ride*")
    page.evaluate(
        """() => {
          const [rides, , , deleted] = document.querySelectorAll("[aria-label='Kind of record'] button");
          rides.click(); deleted.click();
        }"""
    )
    expect(page.locator(".ride.deleted")).to_have_count(1)
    page.wait_for_timeout(900)
    expect(page.locator(".ride")).to_have_count(1)


def test_a_limit_is_saved_for_the_pack_whose_limits_were_read(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/pack")
    expect(page.get_by_role("heading", name=f"Limits of {OTTER}")).to_be_visible()
    held = holds(page, "**/packs/Wren*/settings")  # the other pack's never come
    page.get_by_role("button", name="Wren 16s").tap()
    row = page.locator("details[data-rule=rest_low]")
    row.locator("summary").tap()
    row.locator("#rest_low-volts").fill("3.25")
    row.locator("button[type=submit]").tap()
    with page.expect_request("**/changes") as sent:
        page.locator("dialog").get_by_role("button", name="Save").tap()
    assert "/packs/Otter%2016s5p/changes" in sent.value.url
    assert held


def test_two_packs_are_compared(bike, phones, shots: Path) -> None:
    page, _ = phones.open(bike.url, "/#/health")
    expect(page.get_by_role("button", name=OTTER)).to_have_attribute("aria-pressed", "true")  # the one that is fitted
    page.get_by_role("link", name="Wren 16s").tap()
    expect(page.locator("#plot-compare canvas")).to_be_visible()
    expect(page.locator(".key")).to_contain_text("Otter 16s5p")
    rows = page.locator(".figures tbody tr")
    expect(rows.filter(has_text="rides")).to_contain_text("419")  # 41 and 9
    expect(rows.filter(has_text="groups that age").locator("td")).to_have_text(["7", "7"])
    expect(page.get_by_role("status")).to_contain_text("the middle of the pack’s newest rides")
    page.screenshot(path=shots / "packs.png", full_page=True)
    page.get_by_role("link", name="Health", exact=True).tap()
    expect(page.locator(".facts-row")).to_be_visible()


TYPED = [
    ("#/packs", "Two packs are wanted here.", "Go to Health", ".facts-row"),
    ("#/packs/Otter%2016s5p/", "Two packs are wanted here.", "Go to Health", ".facts-row"),
    ("#/packs/%E0%A4/Wren%2016s", "No ride of %E0%A4 is kept.", "Health", ".facts-row"),
    ("#/compare", "Two rides are wanted here.", "Go to the rides", ".ride"),
    ("#/compare/2/3/1", "Two rides are wanted here.", "Go to the rides", ".ride"),
    ("#/ride", "Tuesday", "Live", "#figure"),
]


def test_an_address_typed_by_hand_says_what_to_do(bike, phones, shots: Path) -> None:
    page, _ = phones.open(bike.url)
    for address, words, way, sign in TYPED:
        page.evaluate("address => { location.hash = address; }", address)
        expect(page.locator("#bench-body")).to_contain_text(words)
        page.screenshot(path=shots / "typed.png")
        page.get_by_role("link", name=way, exact=True).tap()
        expect(page.locator(sign).first).to_be_visible()


def test_a_closer_look_that_cannot_be_had_leaves_the_whole_rides_chart_and_says_so(bike, phones) -> None:
    page, watch = phones.open(bike.url, "/#/rides/3")
    watch.allowed.append("ERR_FAILED")
    plot = page.locator("#plot-voltage")
    for _ in range(4):
        page.get_by_role("button", name="Closer").tap()
    expect(plot).to_have_attribute("data-points", "780")
    page.route("**/chart?*start_s*", lambda route: route.abort())
    for _ in range(6):
        page.get_by_role("button", name="Later").tap()
    expect(page.locator(".zoom span")).to_contain_text("not drawn closer: the bike does not answer")
    expect(plot).to_have_attribute("data-points", "1000")


def test_a_closer_look_of_another_span_is_not_used(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/rides/3")
    expect(page.locator("#plot-voltage canvas")).to_be_visible()
    held = holds(page, "**/chart?*start_s*")
    with page.expect_request("**/chart?*start_s*"):
        page.get_by_role("button", name="Closer").tap()
    page.evaluate(  # a finger that goes on dragging
        """() => {
          const later = () => document.querySelector("[aria-label=Later]").click();
          later();
          window.moving = setInterval(later, 40);
        }"""
    )
    with page.expect_response("**/chart?*start_s*"):
        held[0].continue_()
    page.wait_for_timeout(60)
    assert page.locator("#plot-voltage").get_attribute("data-points") is None
    page.evaluate("() => clearInterval(window.moving)")


def test_the_last_pack_that_was_tapped_is_drawn_alone(bike, phones) -> None:
    page, _ = phones.open(bike.url)
    held = holds(page, "**/page/lines.js")
    with page.expect_request("**/page/lines.js"):
        page.goto(bike.url + "/#/health")
    wren = page.get_by_role("button", name="Wren 16s")
    with page.expect_response("**/packs/Wren*/health"):
        wren.tap()
    held[0].continue_()
    expect(page.locator(".plot canvas")).to_have_count(3)
    expect(page.get_by_role("heading", name="Wren 16s against")).to_be_visible()
    page.wait_for_timeout(200)
    expect(page.locator(".plot canvas")).to_have_count(3)


def test_a_ride_that_cannot_be_judged_is_left_out_and_counted(bike, phones, monkeypatch: pytest.MonkeyPatch) -> None:
    judge = bike.judge.judge

    def thinned(ride_id: int) -> object:
        if ride_id == 2:
            raise ValueError("ride 2 has no samples at full rate any more, so it cannot be judged anew")
        return judge(ride_id)

    monkeypatch.setattr(bike.judge, "judge", thinned)
    page, watch = phones.open(bike.url, "/#/rides/3")
    watch.allowed.append("422")
    try_other_limits(page)
    page.get_by_role("button", name="Judge all rides").tap()
    expect(page.locator("#what-if")).to_contain_text("2 rides are judged; 1 cannot be: too little of it is kept")
    expect(page.locator(".verdicts div").first).to_contain_text("on 2 of 2 rides")


def test_two_quick_taps_take_a_setting_over_once_and_keep_the_way_back(bike, phones) -> None:
    page, watch = phones.open(bike.url, "/#/rides/3")
    watch.allowed.append("ERR_FAILED")
    try_other_limits(page)
    set_dial(page, "limit", 20)
    page.get_by_role("button", name="Take this over").evaluate("button => { button.click(); button.click(); }")
    expect(page.locator(".told")).to_contain_text("now warns below 3.20 V")
    page.wait_for_timeout(200)
    page.route("**/undo", lambda route: route.abort())
    undo = page.locator(".told").get_by_role("button", name="Undo")
    undo.tap()
    expect(page.locator(".told")).to_contain_text("the bike does not answer")
    page.unroute("**/undo")
    undo.tap()
    expect(page.locator(".told")).to_contain_text("Undone: 3.30 V")
    assert len(bike.garage.changes(10)) == 2


def test_a_question_goes_with_the_view_that_asked_it(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/rides")
    page.locator(".ride a").first.tap()
    page.get_by_role("button", name="Delete").tap()
    expect(page.get_by_role("dialog")).to_be_visible()
    page.evaluate("history.back()")
    expect(page.locator(".ride")).to_have_count(3)
    expect(page.get_by_role("dialog")).to_have_count(0)
    assert not bike.rides.ride(3).deleted


def test_what_was_deleted_is_offered_back_and_what_is_typed_meanwhile_stays(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/rides/3")
    name = page.get_by_label("Name")
    name.fill("Quarry")
    held = holds(page, "**/rides/3")
    with page.expect_request("**/rides/3"):
        page.get_by_role("button", name="Save").tap()
    name.fill("Quarry, wet")
    held[0].continue_()
    expect(page.locator("#bench-title")).to_have_text("Quarry")
    expect(name).to_have_value("Quarry, wet")
    expect(page.get_by_role("button", name="Save")).to_be_enabled()
    page.unroute("**/rides/3")
    page.get_by_role("button", name="Delete").tap()
    page.get_by_role("dialog").get_by_role("button", name="Delete").tap()
    page.locator(".buttons").get_by_role("button", name="Bring back").tap()
    expect(page.locator(".told")).to_have_text("The record is back.")
    expect(page.get_by_role("button", name="Delete")).to_be_visible()


def test_what_sounds_while_one_looks_is_listed_too(bike, phones, alarm_of) -> None:
    page, _ = phones.open(bike.url, "/#/alarms")
    expect(page.locator("#alarms-now")).to_contain_text("No alarm stands.")
    with page.expect_request("**/events?*"):
        bike.scene.alarms = (alarm_of(),)
    expect(page.locator(".alarm-card")).to_have_count(1)


@pytest.mark.parametrize(
    ("view", "asks", "sign"),
    [
        ("#/rides", "**/page/rides.js", ".ride"),
        ("#/health", "**/packs/known", ".plot canvas"),
        ("#/rides/3", "**/rides/3", "#plot-voltage canvas"),
        ("#/compare/2/3", "**/rides/2", "#plot-compare canvas"),
    ],
)
def test_a_view_that_the_bike_does_not_answer_says_so_and_can_be_asked_again(
    bike, phones, view: str, asks: str, sign: str
) -> None:
    page, watch = phones.open(bike.url)
    watch.allowed += ["ERR_FAILED", "Failed to fetch"]
    page.route(asks, lambda route: route.abort())
    page.evaluate(f"location.hash = '{view}'")
    expect(page.locator("#bench-body .empty")).to_have_text("the bike does not answer: is the phone on its Wi-Fi?")
    page.unroute(asks)
    page.get_by_role("button", name="Try again").tap()
    expect(page.locator(sign).first).to_be_visible()


def test_the_last_pack_that_was_tapped_has_its_limits_shown_whatever_answer_comes_last(bike, phones) -> None:
    page, _ = phones.open(bike.url, "/#/pack")
    expect(page.get_by_role("heading", name=f"Limits of {OTTER}")).to_be_visible()
    held = holds(page, "**/api/v1/packs")
    page.evaluate(
        """() => {
          const choices = [...document.querySelectorAll(".choice")];
          for (const name of ["Wren 16s", "Heron 14s"]) choices.find((one) => one.textContent === name).click();
        }"""
    )
    eventually(page, lambda: len(held) == 2)
    held[1].continue_()
    expect(page.get_by_role("heading", name="Limits of Heron 14s")).to_be_visible()
    held[0].continue_()
    page.wait_for_timeout(300)
    expect(page.get_by_role("heading", name="Limits of Heron 14s")).to_be_visible()
    expect(page.get_by_role("button", name="Heron 14s")).to_have_attribute("aria-pressed", "true")

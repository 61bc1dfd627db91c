"""Pairing in a real browser. Law: a stranger sees the pairing page, and a script never sees the session."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import expect

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def test_a_wrong_code_is_refused_and_the_right_one_opens_the_page(locked_bike, phones, shots: Path) -> None:
    page, watch = phones.open(locked_bike.url)
    watch.allowed.append("403")
    expect(page.get_by_role("heading")).to_have_text("Pair this phone")
    page.screenshot(path=shots / "pair-day.png")
    page.get_by_label("Code of the bike").fill("1234")
    page.get_by_role("button", name="Pair").tap()
    expect(page.get_by_role("alert")).to_have_text("this is not the bike's code")
    page.get_by_label("Code of the bike").fill("4711 0815")
    page.get_by_role("button", name="Pair").tap()
    expect(page.locator("#figure .digits")).to_have_text("3.68")
    assert page.evaluate("document.cookie") == ""
    assert "4711" not in "".join(watch.requests), "a secret in an address"
    page.reload()
    expect(page.locator("#figure .digits")).to_have_text("3.68")


def test_many_wrong_codes_lock_the_page(locked_bike, phones) -> None:
    page, watch = phones.open(locked_bike.url, theme="dark")
    watch.allowed += ["403", "429"]
    for number in range(6):
        page.get_by_label("Code of the bike").fill(f"00{number}")
        with page.expect_response("**/pair"):
            page.get_by_role("button", name="Pair").tap()
    expect(page.get_by_role("alert")).to_contain_text("too many wrong codes: wait")


def test_a_session_that_ended_leads_back_to_pairing(locked_bike, phones) -> None:
    page, watch = phones.open(locked_bike.url)
    watch.allowed.append("401")
    page.get_by_label("Code of the bike").fill("47110815")
    page.get_by_role("button", name="Pair").tap()
    expect(page.locator("#figure .digits")).to_have_text("3.68")
    page.context.clear_cookies()
    watch.allowed += ["Failed to fetch dynamically imported module", "Refused to apply style"]
    page.locator("#to-rides").tap()
    expect(page.get_by_role("heading")).to_have_text("Pair this phone")


def test_a_paired_phone_tells_a_bike_that_does_not_know_the_time(locked_bike, phones) -> None:
    page, _ = phones.open(locked_bike.url)
    page.get_by_label("Code of the bike").fill("47110815")
    page.get_by_role("button", name="Pair").tap()
    expect(page.locator("#figure .digits")).to_have_text("3.68")
    for _ in range(100):
        if locked_bike.clock.told:
            break
        page.wait_for_timeout(100)
    (told,) = locked_bike.clock.told
    assert told == pytest.approx(page.evaluate("Date.now() / 1000"), abs=10)


def test_a_stranger_who_may_look_sees_all_and_changes_nothing(watched_bike, phones, alarm_of) -> None:
    watched_bike.scene.alarms = (alarm_of(),)
    page, watch = phones.open(watched_bike.url)
    watch.allowed.append("401")
    expect(page.locator("#figure .digits")).to_have_text("3.68")
    page.get_by_role("button", name="Acknowledge").tap()
    expect(page.locator("#state .detail")).to_have_text("not sent: pair this phone")
    assert watched_bike.scene.acknowledged == []
    page.goto(watched_bike.url + "/#/pack")
    page.locator("details[data-rule=rest_low] summary").tap()
    expect(page.locator("#rest_low-volts")).to_be_disabled()
    expect(page.locator("#bench-body")).to_contain_text("Pair this phone to change anything.")
    assert page.get_by_role("button", name="Fit this").count() == 0
    page.goto(watched_bike.url + "/#/access")
    page.get_by_role("link", name="Pair this phone").tap()
    expect(page.get_by_label("Code of the bike")).to_be_visible()
    assert watched_bike.clock.told == []

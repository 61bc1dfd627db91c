"""The glance view in a real browser. Law: what a rider would see and press, read from the page itself."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import pytest
from playwright.sync_api import Page, Route, expect

from sagwise_daemon.domain.estimate import Kind
from sagwise_daemon.domain.model import AlarmState, Priority

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def drops(page: Page) -> list[float]:
    """The sag that each group's drop shows, by its height in pixels."""
    return page.eval_on_selector_all("#strip rect.drop", "all => all.map(one => Number(one.getAttribute('height')))")


def test_the_figure_is_the_lowest_groups_rest_voltage(bike, phones, shots: Path) -> None:
    page, _ = phones.open(bike.url)
    figure = page.locator("#figure")
    expect(figure.locator(".digits")).to_have_text("3.68")
    expect(figure.locator(".group")).to_have_text("group 7")
    expect(figure.locator(".basis")).to_have_text("lowest rest voltage")
    expect(figure.locator(".line")).to_have_text("fine, sags 0.52 V at 118 A")
    expect(figure.locator(".age")).to_have_text("now")
    expect(page.locator("#state .title")).to_have_text("No alarm")
    assert page.locator(".digits").bounding_box()["height"] > 100
    page.screenshot(path=shots / "live-day.png")


def test_every_group_is_a_level_with_its_sag_hanging_from_it(bike, phones) -> None:
    page, _ = phones.open(bike.url)
    expect(page.locator("#strip rect.drop")).to_have_count(16)
    assert page.locator("#strip .rest-line").get_attribute("d").count("H") == 16
    tall = drops(page)
    assert tall.index(max(tall)) == 6, "the weak group hangs longest"
    assert min(tall) > 40
    expect(page.locator("#strip .rule-name")).to_have_text(["4.20full", "3.30rest limit", "2.80floor"])
    bike.scene.current_a = 0.0
    expect(page.locator("#figure .line")).to_have_text("fine, at rest")
    assert max(drops(page)) < 1
    expect(page.locator("#figure .digits")).to_have_text("3.68")  # throttle moves the drops, not the level


def test_a_weak_group_is_told_in_one_line_with_the_reason(bike, phones, weak_of, shots: Path) -> None:
    page, _ = phones.open(bike.url)
    line = page.locator("#why .weak")
    expect(page.locator("#figure .age")).to_have_text("now")
    expect(line).to_be_hidden()
    bike.scene.weak = (weak_of(3, Kind.RESISTANCE, math.nan, 35.4), weak_of())
    expect(line).to_have_text("group 7: 20 % less charge than the others; 1 more")
    page.screenshot(path=shots / "weak.png")
    bike.scene.weak = bike.scene.weak[:1]
    expect(line).to_have_text("group 3: resists 35 % more than the others")
    bike.scene.weak = (weak_of(7, Kind.BOTH, 80.0, 35.4),)
    expect(line).to_have_text("group 7: 20 % less charge, resists 35 % more")


NOTE_AGES = """() => {
  window.seen = {};
  const figure = document.getElementById("figure");
  new MutationObserver(() => { window.seen[figure.dataset.age] ??= performance.now(); })
    .observe(figure, { attributes: true, attributeFilter: ["data-age"] });
}"""


@pytest.mark.parametrize("silenced", ["board", "stream"])
def test_silence_greys_the_figure_within_three_seconds(bike, phones, shots: Path, silenced: str) -> None:
    page, _ = phones.open(bike.url)
    figure = page.locator("#figure")
    expect(figure).to_have_attribute("data-age", "now")
    page.evaluate(NOTE_AGES)
    if silenced == "board":
        bike.scene.hold()
    else:
        bike.scene.mute = True
    expect(figure).to_have_attribute("data-age", "stale", timeout=6000)
    at = page.evaluate("window.seen")
    assert at["stale"] - at["late"] < 2000, "late is past 1 s, so that grey came before 3 s"
    assert figure.locator(".line").inner_text().startswith("no data for 3 s")
    fill = figure.locator(".digits").evaluate("digits => getComputedStyle(digits).color")
    assert fill == "rgba(0, 0, 0, 0)", "stale digits are hollow"
    words = {"board": "No data from the board", "stream": "This page has no data"}[silenced]
    expect(page.locator("#state .title")).to_have_text(words)
    page.screenshot(path=shots / f"stale-{silenced}.png")


def test_the_figure_lives_again_after_silence(bike, phones) -> None:
    page, _ = phones.open(bike.url)
    bike.scene.mute = True
    expect(page.locator("#figure")).to_have_attribute("data-age", "stale", timeout=6000)
    bike.scene.mute = False
    expect(page.locator("#figure")).to_have_attribute("data-age", "now", timeout=6000)


def test_an_alarm_flashes_until_it_is_acknowledged(bike, phones, alarm_of, shots: Path) -> None:
    page, _ = phones.open(bike.url)
    button = page.get_by_role("button", name="Acknowledge")
    expect(button).to_be_disabled()
    bike.scene.alarms = (alarm_of(),)
    bike.scene.rest_v = 3.34
    state = page.locator("#state")
    expect(state).to_have_attribute("data-level", "high")
    expect(state.locator(".title")).to_have_text("Group 7 low at rest")
    expect(state.locator(".detail")).to_have_text("3.28 V at rest, limit 3.30 V")
    expect(page.locator("#figure .line")).to_have_text("low at rest: head home")
    assert state.evaluate("s => getComputedStyle(s).animationName") == "flash"
    expect(page.locator("#strip .box[data-level=high]")).to_have_count(1)
    page.screenshot(path=shots / "alarm-day.png")
    button.tap()
    expect(state).to_have_attribute("data-flash", "no")
    expect(state).to_have_attribute("data-level", "high")  # seen is not over
    expect(state.locator(".detail")).to_contain_text("seen")
    expect(button).to_be_disabled()
    assert bike.scene.acknowledged == [(None, None)]


def test_an_acknowledgement_that_is_lost_on_the_way_can_soon_be_pressed_again(bike, phones, alarm_of) -> None:
    """A phone that has lost the Wi-Fi may wait for minutes; the rider does not."""
    bike.scene.alarms = (alarm_of(),)
    page, watch = phones.open(bike.url)
    watch.allowed.append("ERR_")
    lost = []

    def lose(route: Route) -> None:
        lost.append(route)

    page.route("**/alarms/acknowledge", lose)
    button = page.get_by_role("button", name="Acknowledge")
    button.tap()
    expect(button).to_be_disabled()
    expect(page.locator("#state .detail")).to_have_text("not sent: press again", timeout=8000)
    expect(button).to_be_enabled()
    page.unroute("**/alarms/acknowledge")
    button.tap()
    expect(page.locator("#state .detail")).to_contain_text("seen")
    assert len(lost) == 1


def test_an_alarm_that_is_judged_lower_than_the_figure_says_so(bike, phones, alarm_of) -> None:
    """The figure is the estimate; what is held against the limit is the estimate less its doubt."""
    bike.scene.alarms = (alarm_of(value=3.26),)
    bike.scene.rest_v = 3.37
    page, _ = phones.open(bike.url)
    expect(page.locator("#figure .digits")).to_have_text("3.31")
    expect(page.locator("#state .detail")).to_have_text("may be 3.26 V, limit 3.30 V")


def test_an_alarm_of_stale_data_says_that_it_is_old(bike, phones, alarm_of) -> None:
    bike.scene.alarms = (alarm_of(),)
    bike.scene.rest_v = 3.34
    page, _ = phones.open(bike.url)
    bike.scene.hold()
    detail = page.locator("#state .detail")
    expect(detail).to_have_text("last heard: 3.28 V at rest", timeout=6000)
    expect(page.get_by_role("button", name="Acknowledge")).to_be_enabled()
    bike.scene.alarms = (
        alarm_of("link_lost", None, priority=Priority.MEDIUM, value=4.0, limit=1.0, unit="s", basis=None),
    )
    bike.scene.held_at += 0.2
    expect(detail).to_have_text("silent for 4.0 s, limit 1.0 s")


def test_without_a_current_sensor_no_current_is_made_up(bike, phones) -> None:
    bike.scene.current_a, bike.scene.energy = None, (None, None, None)
    page, _ = phones.open(bike.url)
    expect(page.locator(".facts .current")).to_have_text("no current reading")
    expect(page.locator("#figure .line")).to_have_text("fine, no sag")
    expect(page.locator("#reach")).to_contain_text("no current is measured")
    bike.scene.known = False
    expect(page.locator("#figure .basis")).to_have_text("lowest loaded voltage")
    bike.scene.current_a = 118.0
    expect(page.locator("#reach")).to_contain_text("no rest voltage yet")


def test_reduced_motion_gets_a_border_instead_of_flashing(bike, phones, alarm_of) -> None:
    bike.scene.alarms = (alarm_of(),)
    page, _ = phones.open(bike.url)
    page.emulate_media(reduced_motion="reduce")
    expect(page.locator("#state")).to_have_attribute("data-flash", "yes")
    assert page.locator("#state").evaluate("s => getComputedStyle(s).animationName") == "none"
    assert page.locator("#state").evaluate("s => parseFloat(getComputedStyle(s).outlineWidth)") >= 8


def test_each_level_has_a_shape_and_words_of_its_own(bike, phones, alarm_of) -> None:
    page, _ = phones.open(bike.url)
    expect(page.locator("#state")).to_have_attribute("data-level", "normal")
    shapes = {"normal": page.locator("#state path").first.get_attribute("d")}
    for level in Priority:
        bike.scene.alarms = (alarm_of("spread_high", None, priority=level, value=0.11, limit=0.1, basis=None),)
        expect(page.locator("#state")).to_have_attribute("data-level", level.value)
        shapes[level.value] = page.locator("#state path").first.get_attribute("d")
        expect(page.locator("#state .title")).to_have_text("Groups far apart")
    assert len(set(shapes.values())) == 4


def test_several_alarms_show_the_worst_and_count_the_rest(bike, phones, alarm_of) -> None:
    bike.scene.alarms = (
        alarm_of("spread_high", None, priority=Priority.LOW, basis=None),
        alarm_of("rest_low", 7, AlarmState.ACKNOWLEDGED),
        alarm_of("temperature_high", None, priority=Priority.HIGH, value=61.2, limit=60.0, unit="degC", basis=None),
    )
    page, _ = phones.open(bike.url)
    expect(page.locator("#state .title")).to_have_text("Pack too hot")
    expect(page.locator("#state .detail")).to_have_text("61.2 °C, limit 60.0 °C, and 2 more")


def test_unknown_rest_shows_the_loaded_voltage_and_says_so(bike, phones, shots: Path) -> None:
    bike.scene.known = False
    page, _ = phones.open(bike.url)
    expect(page.locator("#figure .basis")).to_have_text("lowest loaded voltage")
    expect(page.locator("#figure .digits")).to_have_text("3.16")
    expect(page.locator("#figure .line")).to_have_text("settling: 10 s of rest needed")
    assert page.locator("#strip .rest-line").get_attribute("d") == ""
    expect(page.locator("#strip .end.loaded-only")).to_have_count(16)
    page.screenshot(path=shots / "loaded-day.png")


def test_before_the_first_sample_nothing_is_called_fine(bike, phones) -> None:
    bike.scene.link, bike.scene.known = "waiting", False
    page, _ = phones.open(bike.url)
    expect(page.locator("#state .title")).to_have_text("Waiting for the board")
    expect(page.locator("#figure .line")).to_have_text("waiting for the board")
    expect(page.locator("#figure")).to_have_attribute("data-age", "stale")


def test_a_notice_is_shown_as_text(bike, phones) -> None:
    bike.scene.notice = "The board <b>has</b> 14 groups, the pack file 16."
    page, _ = phones.open(bike.url)
    expect(page.locator("#notice")).to_have_text("The board <b>has</b> 14 groups, the pack file 16.")


@pytest.mark.parametrize(("width", "height"), [(390, 844), (360, 600), (844, 390), (740, 330), (1280, 800)])
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_nothing_scrolls_and_all_is_seen(
    bike, phones, alarm_of, weak_of, shots: Path, width: int, height: int, theme: str
) -> None:
    bike.scene.alarms = (alarm_of(),)
    bike.scene.weak = (weak_of(7, Kind.BOTH, 80.0, 35.0), weak_of(9))
    page, _ = phones.open(bike.url, width=width, height=height, theme=theme, touch=width != 1280)
    expect(page.locator("#state")).to_have_attribute("data-level", "high")
    page.screenshot(path=shots / f"alarm-{width}x{height}-{theme}.png")
    size = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.scrollHeight]")
    assert size[0] <= width and size[1] <= height
    for part in (
        "#state",
        ".digits",
        ".line",
        ".facts",
        "#why .weak",
        ".age",
        "#strip svg",
        "#acknowledge",
        "#to-rides",
        "#live .caution",
    ):
        box = page.locator(part).first.bounding_box()
        assert box["x"] >= -1 and box["y"] >= -1, part
        assert box["x"] + box["width"] <= width + 1 and box["y"] + box["height"] <= height + 1, part
    bar, facts = page.locator(".bar").bounding_box(), page.locator(".facts").bounding_box()
    assert facts["y"] + facts["height"] <= bar["y"] + 1, "the figures lie under the thumb bar"
    digits, side = page.locator(".digits").bounding_box(), page.locator(".side").bounding_box()
    assert digits["x"] + digits["width"] <= side["x"] + 8


def test_a_gloved_thumb_finds_its_buttons(bike, phones) -> None:
    page, _ = phones.open(bike.url)
    for button in page.locator(".bar .press").all():
        box = button.bounding_box()
        assert min(box["width"], box["height"]) >= 76


def test_day_and_night_follow_the_phone_until_chosen(bike, phones, shots: Path) -> None:
    page, _ = phones.open(bike.url, theme="dark")
    root = page.locator("html")
    expect(root).to_have_attribute("data-theme", "night")
    expect(page.locator("#figure .age")).to_have_text("now")
    page.screenshot(path=shots / "live-night.png")
    page.emulate_media(color_scheme="light")
    expect(root).to_have_attribute("data-theme", "day")
    page.locator("#live").get_by_role("button", name="Night").tap()
    expect(root).to_have_attribute("data-theme", "night")
    page.reload()
    expect(root).to_have_attribute("data-theme", "night")


def test_the_buzzer_is_called_the_first_alarm(bike, locked_bike, phones) -> None:
    live, _ = phones.open(bike.url)
    expect(live.locator("#live .caution")).to_contain_text("First alarm: the wired buzzer")
    pairing, _ = phones.open(locked_bike.url)
    expect(pairing.locator(".caution")).to_contain_text("The wired buzzer is the first alarm")


@pytest.mark.parametrize(
    ("energy", "words", "verdict"),
    [
        ((412.0, 20.0, 180.0), ["412 Wh", "enough for home", "home takes 180 Wh"], "enough"),
        ((240.0, 30.0, 180.0), ["240 Wh", "likely enough for home", "home takes 180 Wh, not sure"], "likely"),
        ((190.0, 5.0, 180.0), ["190 Wh", "just enough for home", "home takes 180 Wh"], "close"),
        ((150.0, 5.0, 180.0), ["150 Wh", "not enough for home", "home takes 180 Wh"], "short"),
        ((412.0, 20.0, None), ["412 Wh", "way home not known"], "unknown"),
        ((None, None, None), ["– Wh", "not known"], "unknown"),
    ],
)
def test_energy_left_and_the_way_home_are_told_in_words(bike, phones, energy, words: list[str], verdict: str) -> None:
    bike.scene.energy = energy
    page, _ = phones.open(bike.url)
    reach = page.locator("#reach")
    expect(reach).to_have_attribute("data-home", verdict)
    for part in words:
        expect(reach).to_contain_text(part)


def test_enough_for_home_is_by_the_margin_that_the_owner_has_set(bike, phones) -> None:
    """A third more than home takes is not enough where turn_back wants half as much again."""
    bike.scene.energy, bike.scene.home_margin = (240.0, 5.0, 180.0), 0.5
    page, _ = phones.open(bike.url)
    expect(page.locator("#reach")).to_have_attribute("data-home", "close")
    bike.scene.home_margin = 0.15
    expect(page.locator("#reach")).to_have_attribute("data-home", "enough")


@pytest.mark.parametrize(
    ("width", "height", "percent"),
    [(320, 568, 100), (568, 320, 100), (390, 844, 200), (320, 568, 200), (844, 390, 200)],
)
def test_with_large_text_and_an_alarm_the_thumb_bar_stays_in_sight_whole(
    bike, phones, alarm_of, shots: Path, width: int, height: int, percent: int
) -> None:
    """Text at twice its size loses nothing: WCAG 2.2, success criterion 1.4.4 (from memory)."""
    bike.scene.alarms = (alarm_of(),)
    page, _ = phones.open(bike.url, width=width, height=height)
    expect(page.locator("#state")).to_have_attribute("data-level", "high")
    page.evaluate(f"document.documentElement.style.fontSize = '{percent}%'")
    page.screenshot(path=shots / f"large-{width}x{height}-{percent}.png")
    right = 0.0
    for name in ("Acknowledge", "Sound", "Rides"):
        control = page.get_by_role("button" if name != "Rides" else "link", name=name)
        box = control.bounding_box()
        assert box["y"] >= 0 and box["y"] + box["height"] <= height, name
        assert control.evaluate("e => e.scrollWidth <= e.clientWidth + 1"), f"{name} is cut off"
        assert box["x"] >= right and box["width"] >= 44, f"{name} lies under its neighbour"
        right = box["x"] + box["width"]
    overflow = page.evaluate("document.documentElement.scrollWidth - innerWidth")
    assert overflow <= 0
    page.get_by_role("button", name="Acknowledge").tap()
    expect(page.locator("#state")).to_have_attribute("data-flash", "no")
    assert page.locator("#strip").bounding_box()["height"] >= 66
    page.evaluate("window.scrollTo(0, 99999)")
    box = page.locator(".caution").bounding_box()
    assert box["y"] + box["height"] <= height + 1, "what has no room can be scrolled to"


def test_while_the_bike_moves_one_touch_opens_nothing(bike, phones, alarm_of) -> None:
    bike.scene.alarms = (alarm_of(),)
    page, _ = phones.open(bike.url)
    expect(page.locator("#state")).to_have_attribute("data-level", "high")
    for way, words in ((4130.0, "4.1 km"), (4260.0, "4.3 km")):
        bike.scene.distance_m = way
        expect(page.locator(".facts .way")).to_have_text(words)  # the page has heard it, so it knows of the movement
    rides = page.locator("#to-rides")
    rides.tap()
    expect(rides).to_have_text("Riding: again?")
    assert "#/rides" not in page.url
    page.get_by_role("button", name="Acknowledge").tap()  # this one needs no second touch
    expect(page.locator("#state")).to_have_attribute("data-flash", "no")
    rides.tap()
    expect(page.locator("#bench-title")).to_have_text("Rides")


HEAR = """
window.heard = [];
window.shaken = [];
const made = AudioContext.prototype.createOscillator;
AudioContext.prototype.createOscillator = function () {
  const voice = made.call(this);
  const start = voice.start;
  voice.start = (at) => { window.heard.push([voice.frequency.value, at]); start.call(voice, at); };
  return voice;
};
navigator.vibrate = (pattern) => { window.shaken.push(pattern); return true; };
"""


def wait_for_pulses(page: Page, count: int) -> None:
    """The page's policy forbids what Playwright's own waiting needs."""
    for _ in range(80):
        if page.evaluate("window.heard.length") >= count:
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"fewer than {count} pulses in 8 s")


def pitches(page: Page) -> list[float]:
    return [pitch for pitch, _ in page.evaluate("window.heard")]


def test_sound_comes_after_one_tap_and_its_rhythm_tells_the_priority(bike, phones) -> None:
    page, _ = phones.open(bike.url, script=HEAR)
    bike.scene.sound = "high"
    page.wait_for_timeout(500)
    assert pitches(page) == [], "a page may not sound before it was touched"
    sound = page.locator("#sound")
    expect(sound).to_have_attribute("aria-pressed", "false")
    sound.tap()
    expect(sound).to_have_text("Sound on")
    wait_for_pulses(page, 10)  # three and two, again and again
    times = [at for _, at in page.evaluate("window.heard")][:5]
    gaps = [round(b - a, 2) for a, b in itertools.pairwise(times)]
    assert gaps == [0.25, 0.25, 0.5, 0.25]
    assert page.evaluate("window.shaken.at(-1)") == [150, 100, 150, 100, 150, 350, 150, 100, 150]
    rhythms = {}
    for kind, pulses in (("medium", 3), ("low", 1)):
        page.evaluate("window.heard = []; window.shaken = []")
        bike.scene.sound = kind
        wait_for_pulses(page, pulses)
        rhythms[kind] = page.evaluate("[window.heard.length, window.heard[0][0]]")
        assert rhythms[kind][0] == pulses
    assert all(500 <= pitch <= 2500 for _, pitch in rhythms.values())
    bike.scene.sound = None
    page.wait_for_timeout(600)
    page.evaluate("window.heard = []")
    page.wait_for_timeout(2500)
    assert pitches(page) == [], "no alarm, no sound"


def test_the_page_warns_when_it_hears_nothing_and_can_be_told_to_stop(bike, phones) -> None:
    page, watch = phones.open(bike.url, script=HEAR)
    watch.allowed.append("ERR_FAILED")
    expect(page.locator("#figure")).to_have_attribute("data-age", "now")
    page.locator("#sound").tap()
    page.route("**/api/v1/live**", lambda route: route.abort())
    bike.scene.mute = True
    page.wait_for_timeout(300)
    page.evaluate("window.heard = []")
    wait_for_pulses(page, 2)
    assert pitches(page)[:2] == [1175, 587], "two falling tones are no alarm's rhythm"
    button = page.get_by_role("button", name="Acknowledge")
    button.tap()
    expect(button).to_be_disabled()
    page.evaluate("window.heard = []")
    page.wait_for_timeout(6500)
    assert pitches(page) == []


FILM_ONLY = "delete Navigator.prototype.wakeLock;"
NOTHING = FILM_ONLY + "HTMLMediaElement.prototype.play = () => Promise.reject(new Error('not here'));"


@pytest.mark.parametrize(
    ("script", "words"),
    [("", "The screen stays on."), (FILM_ONLY, "was asked to stay on"), (NOTHING, "may go dark")],
)
def test_the_page_says_what_it_can_do_about_the_screen(bike, phones, script: str, words: str) -> None:
    page, _ = phones.open(bike.url, script=script)
    expect(page.locator(".caution")).to_contain_text("First alarm: the wired buzzer. A phone can sleep")
    page.locator("#sound").tap()
    expect(page.locator(".awake")).to_contain_text(words)
    if script == FILM_ONLY:
        film = "f => [f.paused, f.srcObject.getTracks().map(t => t.kind).sort(), f.muted, f.currentTime > 0]"
        for _ in range(80):
            if (plays := page.locator("video.film").evaluate(film))[3]:
                break
            page.wait_for_timeout(100)
        assert plays == [False, ["audio", "video"], False, True]


CONTRAST = """() => {
  const channel = (v) => (v / 255 <= 0.03928 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4);
  const light = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
  const parse = (text) => text.match(/[\\d.]+/g).map(Number);
  const behind = (node) => {
    for (let one = node; one; one = one.parentElement) {
      const colour = parse(getComputedStyle(one).backgroundColor);
      if (colour.length < 4 || colour[3] > 0) return colour;
    }
  };
  const out = [];
  for (const node of document.querySelectorAll("#live *")) {
    const text = [...node.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (!text || !node.getClientRects().length || node.closest(".unseen")) continue;
    const style = getComputedStyle(node);
    const ink = parse(node instanceof SVGElement ? style.fill : style.color);
    const boxed = node.matches(".number.strong") ? parse(getComputedStyle(node.previousElementSibling).fill) : null;
    if (ink.length === 4 && ink[3] === 0) continue; // hollow: the outline is looked at by eye
    const [a, b] = [light(ink), light(boxed ?? behind(node))].sort((x, y) => y - x);
    out.push([node.className.baseVal ?? node.className, node.textContent.trim().slice(0, 20), (a + 0.05) / (b + 0.05)]);
  }
  return out;
}"""


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("scene", ["fine", "low", "high", "medium", "stale"])
def test_all_words_of_the_glance_stand_out_seven_to_one(bike, phones, alarm_of, theme: str, scene: str) -> None:
    """The ratio of WCAG 2.2, success criterion 1.4.6 (relative luminance formula from memory)."""
    if scene in ("low", "high", "medium"):
        bike.scene.alarms = (alarm_of(priority=Priority(scene)),)
    page, _ = phones.open(bike.url, theme=theme)
    expect(page.locator("#figure")).to_have_attribute("data-age", "now")
    page.emulate_media(reduced_motion="reduce")
    if scene == "stale":
        bike.scene.hold()
        expect(page.locator("#figure")).to_have_attribute("data-age", "stale", timeout=6000)
    ratios = page.evaluate(CONTRAST)
    assert len(ratios) > 25
    assert [one for one in ratios if one[2] < 7] == []

"""The report as a file. Law: it needs nothing but itself; an alarm has its number in the plot and in a sentence."""

from __future__ import annotations

import re
import sqlite3
from argparse import ArgumentParser
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.domain.model import AlarmState, Basis
from sagwise_daemon.errors import InputError
from sagwise_daemon.io import export
from sagwise_daemon.io.report import plots, report, sentences
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.changes import Changes
from sagwise_daemon.io.store.columns import SAMPLES
from sagwise_daemon.io.store.history import History

VOID = {"meta", "br", "path", "rect", "li", "dt", "dd", "tr", "th", "td"}  # HTML lets these end by themselves


class Outline(HTMLParser):
    """Tags, attributes and text, and that what was opened was closed."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str | None]] = []
        self.text: list[str] = []
        self._open: list[str] = []
        self.feed(page)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


@pytest.fixture
def ridden_page(store: Store, ridden, event) -> str:
    """Two minutes with three alarms, named with what HTML must not take for its own."""
    ride_id = ridden(store, 2400)
    steps = [
        (10.0, "rest_low", 3, AlarmState.UNACKNOWLEDGED, None),
        (26.0, "rest_low", 3, AlarmState.ACKNOWLEDGED, "button"),
        (60.0, "rest_low", 3, AlarmState.NORMAL, None),
        (61.0, "spread_high", None, AlarmState.UNACKNOWLEDGED, None),
        (100.0, "loaded_floor", 2, AlarmState.UNACKNOWLEDGED, None),
    ]
    for at_s, rule, group, to, by in steps:
        one = replace(event(100.0 + at_s, to, group), rule=rule, by=by, basis=Basis.REST if group == 3 else None)
        store.recorder.event(one, ride_id, 1_760_000_000.0 + at_s)[1].result(5)
    store.recorder.end_ride(ride_id, "standstill")
    store.recorder.flush()
    changes = Changes(store._readers, store.path)
    changes.change(ride_id, {"name": "<b>Quarry</b> & back", "note": "</style><script>alert(1)</script>"})
    changes.close()
    history = History(store._readers, store.path)
    page = report(history, ride_id)
    history.close()
    return page


def test_it_needs_nothing_but_itself(ridden_page: str) -> None:
    outline = Outline(ridden_page)
    assert not {"script", "link", "img", "iframe", "object", "embed", "base"} & set(outline.tags)
    assert not [a for a in outline.attributes if a[1] in ("src", "href", "srcset", "action") or a[1].startswith("on")]
    assert "http" not in ridden_page and "url(" not in ridden_page and "@import" not in ridden_page
    assert "nan" not in re.sub(r"[a-z]*nan[a-z]+|[a-z]+nan[a-z]*", "", ridden_page.lower())
    assert len(ridden_page) < 300_000


def test_names_and_notes_are_words_never_markup(ridden_page: str) -> None:
    assert "<b>Quarry" not in ridden_page and "&lt;b&gt;Quarry&lt;/b&gt; &amp; back" in ridden_page
    assert "<script" not in ridden_page.lower()


def test_every_alarm_has_its_number_in_the_plot_and_its_sentence(ridden_page: str) -> None:
    marks = re.findall(r'class="mark (\w+)"[^>]*>(\d+)<', ridden_page)
    numbers = re.findall(r'class="number (\w+)">(\d+)<', ridden_page)
    assert marks == numbers == [("high", "1"), ("high", "2"), ("high", "3")]
    text = " ".join(Outline(ridden_page).text)
    assert "Group 3 low at rest: 3.29 V, limit 3.30 V. Acknowledged by the button after 0:16. Over after 0:50." in text
    assert "Groups far apart" in text and "Group 2 under the floor" in text


def test_a_row_for_each_group_with_its_bar(ridden_page: str) -> None:
    assert ridden_page.count('<svg class="bar"') == 4
    assert "the pack's median, 2.87 mΩ" in ridden_page


def test_moments_too_close_for_a_mark_keep_their_sentences() -> None:
    found = plots.lanes([0.0, 1.0, 2.0, 3.0, 50.0, 99.0], 100.0)
    assert found == [0, 1, 2, None, 0, 0]


@pytest.mark.parametrize(
    ("low", "high", "ticks"),
    [
        (2.77, 3.53, (2.8, 3.0, 3.2, 3.4)),
        (0.0, 32.4, (0, 10, 20, 30)),
        (-20.0, 150.0, (0, 50, 100, 150)),
        (3.7, 3.7, None),
        (float("nan"), 1.0, None),
    ],
)
def test_ticks_are_round_and_inside(low: float, high: float, ticks) -> None:
    axis = plots.axis(low, high)
    assert all(axis.low - 1e-9 <= tick <= axis.high + 1e-9 for tick in axis.ticks)
    assert 0.0 <= axis.share(axis.low) <= axis.share(axis.high) == 1.0
    if ticks is not None:
        assert axis.ticks == pytest.approx(ticks)


def test_what_was_not_measured_is_not_drawn() -> None:
    across, up = plots.axis(0, 4), plots.axis(0, 1)
    y = np.array([0.0, 0.5, np.nan, 1.0, np.nan])
    assert plots.line(across, up, np.arange(5.0), y).count("M") == 2
    assert plots.band(across, up, np.arange(5.0), y, y + 0.1).count("Z") == 2
    assert plots.line(across, up, np.arange(5.0), np.full(5, np.nan)) == ""


def test_groups_raised_together_are_one_thing_to_read(event) -> None:
    events = [(10.0 + 0.1 * group, event(0.0, group=group)) for group in (3, 1, 2, 7)]
    events += [(15.0, event(0.0, group=4)), (16.0, event(0.0, group=4))]
    assert [(at_s, words.split(":")[0]) for at_s, _, words in sentences.raised(events)] == [
        (10.3, "Groups 1 to 3, 7 low at rest"),
        (15.0, "Group 4 low at rest"),
        (16.0, "Group 4 low at rest"),
    ]


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0.09, "Time to turn back: 9 % more than home takes, 15 % wanted."),
        (-0.16, "Time to turn back: 16 % too little for home."),
    ],
)
def test_the_way_home_is_told_in_shares_of_it(event, value: float, words: str) -> None:
    turn_back = replace(event(0.0, group=None), rule="turn_back", value=value, limit=0.15, unit="1", basis=None)
    assert [said for _, _, said in sentences.raised([(10.0, turn_back)])] == [words]


def test_the_words_of_a_plain_buzzer() -> None:
    buzzer = {"limit_v": 3.3, "on_delay_s": 1.0, "sounded": 23, "first_s": 310.0, "before_low": 19}
    told = {
        "weakest": None,
        "plain_buzzer": buzzer,
        "alarms": [],
        "standing": None,
        "since_before": None,
        "charge": None,
    }
    (words,) = sentences.found(told)
    assert words == (
        "Warnings of a low group: none. A plain buzzer at 3.30 V would have sounded 23 times, the first at 5:10; 19 of "
        "them while no group was low at rest yet."
    )
    (words,) = sentences.found({**told, "plain_buzzer": {**buzzer, "sounded": 0}})
    assert words.endswith("would never have sounded.")


def test_the_verb_writes_it_and_refuses_what_goes_on(fresh: Path, ridden, tmp_path: Path, capsys) -> None:
    parser = ArgumentParser()
    export.add_arguments(parser)

    def run(*words: object) -> int:
        return export.run(parser.parse_args([str(word) for word in words]))

    with Store.open(fresh) as store:
        over = ridden(store, 300, ended_by="standstill")
        going = ridden(store, 100)
        out = tmp_path / "out.html"
        assert run(over, "--store", fresh, "--report", out) == 0
        assert capsys.readouterr().out.split() == [str(out)] and out.read_text().startswith("<!doctype html>")
        for number, words in ((going, "goes on"), (99, "there is no ride 99")):
            with pytest.raises(InputError, match=words):
                run(number, "--store", fresh, "--report", tmp_path / "none.html")
        assert not (tmp_path / "none.html").exists()


def test_a_thinned_ride_keeps_its_summary_and_its_report(store: Store, ridden) -> None:
    """A year later its samples at full rate are gone; what was worth knowing is not."""
    ride_id = ridden(store, 2400, ended_by="standstill")
    history = History(store._readers, store.path)
    told, page = history.summary(ride_id), report(history, ride_id)
    raw = sqlite3.connect(store.path)
    raw.execute("DELETE FROM chunks WHERE kind = ?", (SAMPLES,))
    raw.execute("UPDATE rides SET thinned = 1")
    raw.commit()
    raw.close()
    assert history.recorded(ride_id) is None
    assert history.summary(ride_id) == history.summary(ride_id, again=True) == told
    thinned = report(history, ride_id)
    assert Outline(thinned).tags == Outline(page).tags
    history.close()

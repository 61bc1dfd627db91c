"""Readings taken many at once are the same, to the last bit, as one by one: estimates, events, totals, what follows.

The live daemon takes them one by one, a replay hundreds at once; both through `core.take`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import fields

import numpy as np
import pytest
from hard_ride import GROUPS, ROWS, a_cell, hard_ride

from sagwise_daemon.domain.core import State, new_state, step, take, views
from sagwise_daemon.domain.model import Acknowledge, AlarmEvent, Estimates, Pack, Reading, Readings, Shelve
from sagwise_daemon.domain.pack.profile import build_pack
from sagwise_daemon.domain.ride.summary import Summary

pytestmark = pytest.mark.slow


def make_pack(series: int = GROUPS) -> Pack:
    # A re-alarm after 7 s, so that acknowledged alarms speak again in the middle of what is taken at once.
    rules = {"rest_low": {"re_alarm_s": 7.0, "volts": 3.4}, "loaded_floor": {"re_alarm_s": 3.0}}
    return build_pack("Otter", series, 5, a_cell(), rules)


def pieces(readings: Readings, cuts: Sequence[int]) -> Iterator[Readings]:
    for first, after in zip([0, *cuts], [*cuts, len(readings)], strict=True):
        if after > first:
            yield readings.rows(slice(first, after))


class Course:
    """Takes pieces and keeps what they bring; a person acts before row 900 in every course alike."""

    def __init__(self) -> None:
        self.state: State = new_state(make_pack())
        self.totals = Summary(GROUPS)
        self.events: list[AlarmEvent] = []
        self.made: list[Estimates] = []

    def run(self, readings: Readings, cuts: Sequence[int]) -> Course:
        for piece in pieces(readings, sorted({*cuts, 900})):
            if piece.time_s[0] == readings.time_s[900]:
                self.events += step(self.state, Acknowledge("page"))[1].events
                self.events += step(self.state, Shelve("page", "rest_low", 5.0, 2))[1].events
            taken = take(self.state, piece)
            self.events += taken.events
            self.made.append(taken.estimates)
            self.totals.readings(piece)
            self.totals.estimates(taken.estimates)
        return self

    def figures(self) -> dict[str, bytes]:
        made = {f.name: np.concatenate([getattr(e, f.name) for e in self.made]) for f in fields(Estimates)}
        totals = {name: np.asarray(getattr(self.totals, name)) for name in TOTALS}
        return {name: values.tobytes() for name, values in (made | totals).items()}


TOTALS = (
    "samples",
    "duration_s",
    "charge_ah",
    "energy_wh",
    "distance_m",
    "current_max_a",
    "loaded_min_v",
    "rest_min_v",
)


@pytest.mark.parametrize("seed", range(2))
def test_many_at_once_are_bit_for_bit_the_same_as_one_by_one(seed: int) -> None:
    readings = hard_ride(seed)
    single = Course().run(readings, range(1, ROWS))
    rules = {event.rule for event in single.events}
    assert rules >= {"rest_low", "loaded_floor"}, "a ride without alarms proves nothing"
    assert any(event.by == "system" for event in single.events), "nor one without an alarm that speaks again"
    rng = np.random.default_rng(seed)
    for cuts in ([], range(256, ROWS, 256), sorted(rng.integers(1, ROWS, 40).tolist())):
        many = Course().run(readings, list(cuts))
        assert many.events == single.events
        assert many.figures() == single.figures()
        assert views(many.state) == views(single.state)


def test_what_step_says_of_a_reading_is_what_take_says() -> None:
    readings = hard_ride(9).rows(slice(0, 300))
    one, other = new_state(make_pack()), new_state(make_pack())
    taken = take(other, readings)
    answers = [step(one, reading)[1] for reading in readings]
    assert tuple(event for answer in answers for event in answer.events) == taken.events
    for number, answer in enumerate(answers):
        assert answer.estimate is not None
        np.testing.assert_array_equal(answer.estimate.rest_v, taken.estimates.row(number).rest_v)
    assert views(one) == views(other)


def test_readings_as_columns_are_the_readings() -> None:
    readings = [Reading(t / 10, np.full(3, 3.7 + t), 2.0 * t, np.array([20.0 + t]), 5.0 * t) for t in range(1, 4)]
    ones = [Readings.one(reading) for reading in readings]
    names = [f.name for f in fields(Readings)]
    columns = Readings(*(np.concatenate([getattr(one, name) for one in ones]) for name in names))
    assert len(columns) == 3
    for before, after in zip(readings, columns, strict=True):
        assert (before.time_s, before.current_a, before.distance_m) == (after.time_s, after.current_a, after.distance_m)
        np.testing.assert_array_equal(before.group_v, after.group_v)
        np.testing.assert_array_equal(before.temperature_c, after.temperature_c)
    assert [reading.time_s for reading in columns.rows(slice(1, 3))] == [0.2, 0.3]

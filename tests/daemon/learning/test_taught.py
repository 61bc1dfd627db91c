"""What was learnt as a value: weighed, widened and forgotten. Every figure can be worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sagwise_daemon.domain.estimate.taught import (
    RATIO_PER_MONTH,
    RATIO_PER_RIDE,
    STEPS_KEPT_SHARE,
    STEPS_MOST,
    UNKNOWN_AGE_DAYS,
    Learnt,
    aged,
    merged,
    sure_mohm,
)


def lesson(ratio: float = 0.1, sigma: float = 0.02, mohm: float = 3.0, steps: float = 10.0) -> Learnt:
    return replace(
        Learnt.nothing(2),
        rides=1,
        ratio=ratio,
        ratio_sigma=sigma,
        resistance_25c_mohm=np.array([mohm, np.nan]),
        steps=np.array([steps, 0.0]),
        group_ratio=np.array([0.0, 0.2]),
        group_ratio_sigma=np.array([0.02, 0.03]),
    )


def test_nothing_is_empty_and_stays_so() -> None:
    nothing = Learnt.nothing(2)
    assert nothing.empty and aged(nothing).empty and merged(nothing, nothing).empty
    assert not lesson().empty


def test_two_rides_equally_sure_meet_in_the_middle() -> None:
    both = merged(lesson(0.10), lesson(0.06))
    assert both.ratio == pytest.approx(0.08)
    assert both.ratio_sigma == pytest.approx(0.02), "the same error twice is no smaller"
    assert both.rides == 2


def test_the_surer_ride_weighs_more_by_the_square() -> None:
    both = merged(lesson(0.1, 0.01), lesson(0.0, 0.02))
    assert both.ratio == pytest.approx(0.08)
    assert both.ratio_sigma == pytest.approx(0.012)


def test_resistances_are_weighed_by_their_steps() -> None:
    both = merged(lesson(mohm=3.0, steps=10.0), lesson(mohm=4.0, steps=30.0))
    assert both.resistance_25c_mohm[0] == pytest.approx(3.75)
    assert np.isnan(both.resistance_25c_mohm[1])
    assert both.steps.tolist() == [40.0, 0.0]
    assert merged(lesson(steps=90.0), lesson(steps=90.0)).steps[0] == STEPS_MOST


def test_what_one_ride_did_not_tell_comes_from_the_other() -> None:
    nothing = Learnt.nothing(2)
    for both in (merged(lesson(), nothing), merged(nothing, lesson())):
        assert both.ratio == pytest.approx(0.1)
        assert both.group_ratio.tolist() == pytest.approx([0.0, 0.2])
        assert both.resistance_25c_mohm[0] == pytest.approx(3.0)


@pytest.mark.parametrize(("days", "counted"), [(0.0, 0.0), (30.0, 30.0), (np.nan, UNKNOWN_AGE_DAYS), (-5.0, 0.0)])
def test_it_is_less_sure_after_every_ride_and_with_time(days: float, counted: float) -> None:
    older = aged(replace(lesson(), age_days=days))
    expected = np.sqrt(0.02**2 + RATIO_PER_RIDE**2 + (RATIO_PER_MONTH * counted / 30) ** 2)
    assert older.ratio_sigma == pytest.approx(expected)
    assert older.ratio == lesson().ratio
    assert older.steps[0] == pytest.approx(10.0 * STEPS_KEPT_SHARE)


def test_only_resistances_of_many_steps_are_held_against_a_later_ride() -> None:
    known = replace(lesson(), resistance_25c_mohm=np.array([3.0, 3.1]), steps=np.array([20.0, 3.0]))
    assert sure_mohm(known)[0] == 3.0
    assert np.isnan(sure_mohm(known)[1])


def test_the_lines_ratios_are_the_later_rides_where_it_has_one() -> None:
    """It began from the earlier one's, so that nothing is weighed twice."""
    before = replace(lesson(), behind_ratio=np.array([0.30, 0.10]), behind_ratio_sigma=np.array([0.03, 0.04]))
    later = replace(lesson(), behind_ratio=np.array([0.33, np.nan]), behind_ratio_sigma=np.array([0.05, np.inf]))
    both = merged(before, later)
    np.testing.assert_array_equal(both.behind_ratio, [0.33, 0.10])
    np.testing.assert_array_equal(both.behind_ratio_sigma, [0.05, 0.04])
    assert (aged(both).behind_ratio_sigma > both.behind_ratio_sigma).all()

"""What the energy bench judges by, worked by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from energy_rides import Course, line, parts, reserve_row
from truth_rides import RIDES, load

COURSE = Course(
    name="by hand",
    kind="weak",
    second=False,
    said_wh=np.array([109.0, 62.0, 3.0, np.nan]),
    sigma_wh=np.array([10.0, 5.0, 1.0, np.nan]),
    true_wh=np.array([100.0, 50.0, 1.0, 0.5]),
    full_wh=200.0,
)


def test_within_ten_per_cent_and_with_the_allowance() -> None:
    """9 of 100 is within 10 %, 12 of 50 is not; 2 Wh off are within 2 % of 200, and what is not said is not within."""
    assert COURSE.within.tolist() == [True, False, False, False]
    assert COURSE.allowed.tolist() == [True, False, True, False]
    assert COURSE.much.tolist() == [True, True, False, False]


def test_lean_is_of_what_is_said_where_much_is_left() -> None:
    assert COURSE.lean == pytest.approx((0.09 + 0.24) / 2)
    assert math.isnan(replace(COURSE, true_wh=COURSE.true_wh / 100.0).lean)


def test_a_line_weighs_every_ride_alike() -> None:
    assert line([COURSE]).split() == ["1", "25.0%", "50.0%", "50.0%", "+16.5%", "0.0%", "50.0%"]


def test_the_reserve_is_where_the_first_group_of_the_part_is_at_the_limit() -> None:
    truth = load(RIDES / "mohtat2020_9000.npz")
    whole, healthy = parts(truth)
    end = reserve_row(whole)
    lowest = min(np.interp(end, truth.rest_row, rest) for rest in truth.rest)
    assert lowest == pytest.approx(truth.limit_v, abs=1e-3)
    later = reserve_row(healthy)
    assert math.isnan(later) or later > end
    assert set(healthy.kinds) == {"healthy"}

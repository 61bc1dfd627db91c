"""Least squares against NIST's certified values, and health over made-up rides whose ageing is known.

NIST Statistical Reference Datasets, linear regression, "Norris" (calibration of ozone monitors; lower difficulty): data
and certified values from memory. That 36 pairs remembered give ten certified digits leaves no room for a wrong one.
"""

from __future__ import annotations

import statistics
from dataclasses import replace

import numpy as np
import pytest

from sagwise_daemon.domain.ride.health import HealthPoint, health
from sagwise_daemon.domain.ride.trend import fit, trend

NORRIS = """
0.1 0.2,338.8 337.4,118.1 118.2,888.0 884.6,9.2 10.1,228.1 226.5,668.5 666.3,998.5 996.3,449.1 448.6,
778.9 777.0,559.2 558.2,0.3 0.4,0.1 0.6,778.1 775.5,668.8 666.9,
339.3 338.0,448.9 447.5,10.8 11.6,557.7 556.0,228.3 228.1,
998.0 995.8,888.8 887.6,119.6 120.2,0.3 0.3,0.6 0.3,557.6 556.8,339.3 339.1,888.0 887.2,998.5 999.0,778.9 779.0,
10.2 11.1,117.6 118.3,228.9 229.2,668.4 669.1,449.2 448.9,0.2 0.5"""
DAY_S = 86_400.0
NAN = float("nan")


def test_nists_certified_line() -> None:
    y, x = np.array([pair.split() for pair in NORRIS.replace("\n", "").split(",")], float).T
    line = fit(x, y)
    assert line is not None and line.points == 36
    intercept, _ = line.at(0.0)
    assert intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.slope_sigma == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert line.at(0.0)[1] == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.scatter == pytest.approx(0.884796396144373, rel=1e-9)


def test_agrees_with_the_standard_library_and_numpy() -> None:
    rng = np.random.default_rng(3)
    x, y = rng.uniform(0, 400, 60), rng.normal(3, 0.2, 60)
    line = fit(x, y)
    assert line is not None
    slope, intercept = statistics.linear_regression(x.tolist(), y.tolist())
    assert (line.slope, line.at(0.0)[0]) == (pytest.approx(slope), pytest.approx(intercept))
    # numpy scales the covariance by SSE/(n − 2): the square of the standard error
    _, covariance = np.polyfit(x, y, 1, cov=True)
    assert line.slope_sigma == pytest.approx(covariance[0, 0] ** 0.5)


def test_two_points_or_one_day_are_no_line() -> None:
    assert fit(np.array([1.0, 2.0]), np.array([1.0, 2.0])) is None
    assert fit(np.array([1.0, 1.0, 1.0]), np.array([1.0, 2.0, 3.0])) is None
    assert fit(np.array([1.0, 2.0, NAN]), np.array([1.0, 2.0, 3.0])) is None


def test_the_standard_error_is_what_repetition_scatters_by() -> None:
    """2000 seeded repetitions: the slopes' own standard deviation is the mean standard error told, within 5 %."""
    rng = np.random.default_rng(8)
    days = np.sort(rng.uniform(0, 365, 40))
    told = [trend(days, 3.0 + 0.001 * days + rng.normal(0, 0.05, 40)) for _ in range(2000)]
    slopes = np.array([one.per_year for one in told if one])
    sigmas = np.array([one.per_year_sigma for one in told if one])
    assert slopes.mean() == pytest.approx(0.36525, rel=0.01)
    assert slopes.std() == pytest.approx(float(np.sqrt((sigmas**2).mean())), rel=0.05)


def points(rides: int, days: float, ageing: dict[int, float], fading: dict[int, float] | None = None, seed: int = 1):
    """Rides of a 16-group pack: 3 % noise on each group's resistance, 4 % common to the ride, 2 % on capacity."""
    rng = np.random.default_rng(seed)
    base = 2.9 * (1 + rng.normal(0, 0.03, 16))
    made = []
    for number, day in enumerate(np.sort(rng.uniform(0, days, rides))):
        year = day / 365.25
        growth = np.array([1 + (0.04 + ageing.get(group, 0.0)) * year for group in range(1, 17)])
        shrink = np.array([1 - (0.02 + (fading or {}).get(group, 0.0)) * year for group in range(1, 17)])
        resistance = base * growth * (1 + rng.normal(0, 0.03, 16)) * (1 + rng.normal(0, 0.04))
        capacity = 22.5 * shrink * (1 + rng.normal(0, 0.02, 16))
        made.append(
            HealthPoint(number + 1, 1.7e9 + day * DAY_S, resistance, capacity, 0.01 + abs(rng.normal(0, 0.002)))
        )
    return made


def test_too_few_rides_or_days_are_no_health() -> None:
    for made, words in ((points(7, 200, {}), "7 of 8"), (points(40, 10, {7: 3.0}), "of 14 days")):
        found = health(made, 16)
        assert not found.enough and "Not enough rides yet" in found.words and words in found.words
        assert found.ageing == () and found.resistance.median is None and found.resistance.groups[0].trend is None
        assert found.resistance.groups[0].latest > 0, "what is measured is told all the same"
    assert health([], 16).words == "Not enough rides yet: 0 of 8, over 0 of 14 days."


def test_finds_the_one_group_that_ages_and_how_fast() -> None:
    """25 % a year against the others. The truth lies within three of the standard errors told."""
    found = health(points(120, 365, {7: 0.25}), 16)
    assert found.enough and found.ageing == (7,) and "Group 7 ages faster" in found.words
    line = found.resistance.groups[6].against_others
    assert line is not None and line.sure
    first_ratio = line.at_end - line.per_year
    assert abs(line.per_year / first_ratio - 0.25 / 1.02) < 3 * line.per_year_sigma / first_ratio + 0.03
    assert found.resistance.groups[6].ratio > 1.1


def test_finds_the_group_that_loses_capacity() -> None:
    found = health(points(120, 365, {}, {12: 0.10}), 16)
    assert found.fading == (12,) and found.ageing == () and "Group 12 loses capacity" in found.words


def test_an_even_pack_blames_nobody_over_forty_years_of_packs() -> None:
    blamed = [health(points(60, 365, {}, seed=seed), 16) for seed in range(40)]
    assert sum(bool(one.ageing or one.fading) for one in blamed) == 0


def test_a_pack_that_ages_evenly_is_told_by_its_median() -> None:
    found = health(points(120, 365, dict.fromkeys(range(1, 17), 0.3)), 16)
    assert found.ageing == ()
    line = found.resistance.median
    assert line is not None and line.sure and line.per_year == pytest.approx(2.9 * 0.34, rel=0.15)


def test_rides_nobody_knows_the_date_of_are_left_out_and_counted() -> None:
    made = points(30, 200, {})
    undated = [HealthPoint(99, None, np.full(16, 9.0), np.full(16, 9.0), 1.0)]
    found = health([*made, *undated], 16)
    assert (found.rides, found.undated) == (30, 1) and found.resistance.groups[0].ratio < 1.2


def test_rides_in_any_order_and_one_in_deep_frost_change_nothing_much() -> None:
    made = points(60, 365, {7: 0.3})
    frost = HealthPoint(777, 1.7e9 + 100 * DAY_S, np.full(16, 12.0), np.full(16, NAN), NAN)
    found = health([*made[::-1], frost], 16)
    assert found.ageing == (7,)
    assert found.resistance.median is not None
    assert found.resistance.median.per_year == pytest.approx(health(made, 16).resistance.median.per_year, rel=0.05)


def steadily(made, group: int, resists: float = 1.0, holds: float = 1.0):
    """The same rides with one group that is worse from the first of them on, and no worse at the last."""
    share = np.ones(16)
    share[group - 1] = resists
    held = np.ones(16)
    held[group - 1] = holds
    return [
        replace(one, resistance_mohm=one.resistance_mohm * share, capacity_ah=one.capacity_ah * held) for one in made
    ]


def test_a_group_that_was_bad_from_the_first_ride_on_is_named_too() -> None:
    found = health(steadily(points(120, 365, {}), 5, resists=1.8, holds=0.8), 16)
    assert found.ageing == found.fading == ()
    assert "Group 5 resists 1." in found.words and "look at its joints" in found.words
    less = 100 * (1 - found.capacity.groups[4].ratio)
    assert less == pytest.approx(20, abs=3)
    assert f"Group 5 holds {less:.0f} % less than the median: it is empty first." in found.words
    assert "Group 4" not in found.words


def test_that_none_gets_worse_is_said_with_what_would_not_show_yet() -> None:
    """The least that is told is four standard errors: 3 % of noise on 8 rides over 3 weeks tells no slow ageing."""
    few, many = health(points(8, 21, {}), 16), health(points(500, 1200, {}), 16)
    assert few.enough and few.ageing == ()
    least = 4.0 * max(one.against_others.per_year_sigma for one in few.resistance.groups if one.against_others)
    assert least > 0.5
    assert f"less than {100 * least:.0f} % a year more resistance would not show yet" in few.words
    assert many.words == "No group is seen to get worse faster than the others."


def test_without_capacities_that_is_said_and_how_to_have_them() -> None:
    made = [replace(one, capacity_ah=np.full(16, NAN)) for one in points(120, 365, {7: 0.25})]
    found = health(made, 16)
    assert found.ageing == (7,) and "Of capacity too little is known" in found.words


def test_rides_without_a_temperature_are_not_called_too_few() -> None:
    made = [replace(one, resistance_mohm=np.full(16, NAN)) for one in points(30, 365, {})]
    found = health(made, 16)
    assert not found.enough
    assert found.words.startswith("In none of 30 rides is the resistance at 25 °C known")

"""Lines through points whose errors wander, against generalised least squares with the whole covariance written out.

The reference is the textbook's (X' C^-1 X)^-1 X' C^-1 y with the covariance of an Ornstein-Uhlenbeck process,
exp(-|d - d'| / length), solved by NumPy; from memory.
"""

from __future__ import annotations

import numpy as np

from sagwise_daemon.domain.estimate.evidence import Evidence, Known
from sagwise_daemon.domain.model import Floats

LENGTH, GROUPS = 0.04, 3
FIRST = Known(np.array([0.01, 0.0, -0.02]), np.full(GROUPS, 1 / 0.01**2))
RATIOS = Known(np.array([0.1, 0.0, 0.05]), np.full(GROUPS, 1 / 0.15**2))
NOTHING = Known(np.zeros(GROUPS), np.zeros(GROUPS))


def points(count: int = 30) -> tuple[Floats, Floats, Floats, Floats]:
    """d (count,), y, the wandering error's measure and the new one's sigma, (count, groups) each."""
    rng = np.random.default_rng(5)
    d = np.cumsum(rng.uniform(0.002, 0.03, count))
    shape = count, GROUPS
    own, sigma = rng.uniform(0.005, 0.05, shape), rng.uniform(0.004, 0.02, shape)
    return d, 0.02 - 0.3 * d[:, None] + rng.normal(0.0, 0.02, shape), own, sigma


def by_least_squares(which: slice, first: Known, ratios: Known, group: int) -> tuple[Floats, Floats]:
    """Both numbers and their covariance."""
    d, y, own, sigma = (column[which] for column in points())
    alike = np.exp(-np.abs(d[:, None] - d) / LENGTH)
    covariance = alike * np.outer(own[:, group], own[:, group]) + np.diag(sigma[:, group] ** 2)
    x, weight = np.column_stack([np.ones_like(d), -d]), np.diag([first.weight[group], ratios.weight[group]])
    before = np.array([first.value[group], ratios.value[group]])
    information = x.T @ np.linalg.solve(covariance, x) + weight
    right = x.T @ np.linalg.solve(covariance, y[:, group]) + weight @ before
    return np.linalg.solve(information, right), np.linalg.inv(information)


def told(count: int) -> Evidence:
    evidence = Evidence(GROUPS, LENGTH)
    d, y, own, sigma = points()
    for row in range(count):
        evidence.add(float(d[row]), y[row], own[row], 1.0 / sigma[row] ** 2)
    return evidence


def test_is_generalised_least_squares() -> None:
    for first, ratios in ((FIRST, RATIOS), (NOTHING, NOTHING)):
        line = told(30).line(first, ratios)
        for group in range(GROUPS):
            numbers, covariance = by_least_squares(slice(30), first, ratios, group)
            np.testing.assert_allclose([line.first[group], line.ratio[group]], numbers, rtol=1e-9)
            kept = [line.first_variance[group], line.ratio_variance[group], -line.between[group]]
            np.testing.assert_allclose(kept, [covariance[0, 0], covariance[1, 1], covariance[0, 1]], rtol=1e-9)


def test_before_any_point_only_what_is_known_counts() -> None:
    line = Evidence(GROUPS, LENGTH).line(FIRST, RATIOS)
    np.testing.assert_allclose(line.first, FIRST.value)
    np.testing.assert_allclose(line.ratio, RATIOS.value)
    np.testing.assert_allclose(line.ratio_sigma, 0.15)


def test_a_copy_is_added_to_apart() -> None:
    evidence = told(10)
    before = evidence.line(FIRST, RATIOS)
    d, y, own, sigma = points()
    evidence.copy().add(float(d[10]), y[10], own[10], 1.0 / sigma[10] ** 2)
    np.testing.assert_array_equal(evidence.line(FIRST, RATIOS).ratio, before.ratio)


def test_a_point_of_no_weight_tells_nothing() -> None:
    evidence = told(10)
    before = evidence.line(FIRST, RATIOS)
    evidence.add(float(points()[0][10]), np.full(GROUPS, 9.0), np.full(GROUPS, 0.01), np.zeros(GROUPS))
    np.testing.assert_allclose(evidence.line(FIRST, RATIOS).ratio, before.ratio, rtol=1e-9)


def test_ten_points_at_one_place_hardly_prove_more_than_one() -> None:
    """They share the wandering error: of 0.03 and 0.01 a tenth of the latter is left in the mean, by hand."""
    once, often = Evidence(1, LENGTH), Evidence(1, LENGTH)
    for evidence, count in ((once, 1), (often, 10)):
        for _ in range(count):
            evidence.add(0.2, np.array([0.05]), np.array([0.03]), np.array([1 / 0.01**2]))
    sure, nothing = Known(np.zeros(1), np.array([1e12])), Known(np.zeros(1), np.zeros(1))
    np.testing.assert_allclose(once.line(sure, nothing).ratio_sigma, np.hypot(0.03, 0.01) / 0.2, rtol=1e-4)
    np.testing.assert_allclose(often.line(sure, nothing).ratio_sigma, np.hypot(0.03, 0.01 / 10**0.5) / 0.2, rtol=1e-4)


def test_fading_makes_a_line_less_sure_and_hardly_moves_it() -> None:
    """By a half: variances double, save for the little that is known of the error anew, as at the beginning."""
    evidence = told(30)
    before = evidence.line(NOTHING, NOTHING)
    evidence.fade(0.5)
    after = evidence.line(NOTHING, NOTHING)
    grown = after.ratio_variance / before.ratio_variance
    assert ((grown > 1.5) & (grown <= 2.0)).all()
    np.testing.assert_allclose(after.ratio, before.ratio, atol=0.2 * float(before.ratio_sigma.min()))

"""A group's shortfall read while coasting, on a plain circuit written apart from the estimator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from energy_steps import add

from sagwise_daemon.domain import estimate
from sagwise_daemon.domain.estimate import settings
from sagwise_daemon.domain.estimate.behind import RATIO_SIGMA, TEACHES_BELOW, Behind
from sagwise_daemon.domain.estimate.energy import EnergyLeft
from sagwise_daemon.domain.estimate.taught import Learnt
from sagwise_daemon.domain.estimate.told import Filters, Told
from sagwise_daemon.domain.model import Cell, Estimates, Floats, Reading, Readings
from sagwise_daemon.domain.pack.chemistry import OcvCurve, built_in_curve
from sagwise_daemon.domain.pack.profile import build_pack

pytestmark = pytest.mark.slow

GROUPS, AH = 6, 22.5
CURVE = OcvCurve(*built_in_curve("nmc"))
ELEMENTS = len(settings.TAU_S)


# Of six groups one has lost a quarter, one a tenth, and one has a bad joint.
CAPACITY = np.array([1.0, 0.75, 1.0, 0.9, 1.0, 1.0])
JOINT_OHM = np.array([0.0, 0.0, 0.0, 0.0, 0.003, 0.0])


def ride(
    coasts: bool,
    minutes: float = 10.0,
    capacity: Floats = CAPACITY,
    lost_at_s: float = 1e9,
    learnt: Learnt | None = None,
) -> tuple[EnergyLeft, Floats]:
    """Bursts to 4C from 90 %, at 10 Hz, each group an ohmic part and elements of 3 s and 60 s; 2 mV of noise.

    lost_at_s: when group 2 loses a quarter of its capacity. learnt: what an earlier ride left. Gives the groups' true
    charge as well.
    """
    cell = Cell("nmc", 4.5, 4.2, 2.8, 14.0, None, *built_in_curve("nmc"))
    pack = build_pack("Otter", GROUPS, 5, cell)
    state, energy, rng = estimate.new(pack), EnergyLeft(pack, learnt), np.random.default_rng(4)
    soc, fast, slow, current, until = np.full(GROUPS, 0.9), 0.0, 0.0, 0.0, 15.0
    for row in range(int(minutes * 600)):
        now = row * 0.1
        if now >= until:
            until = now + float(rng.uniform(3.0, 8.0))
            current = float(rng.choice([0.0, 20.0, rng.uniform(40.0, 95.0)] if coasts else [20.0, 60.0]))
        if now >= lost_at_s:
            lost_at_s, capacity = 1e9, capacity * np.where(np.arange(GROUPS) == 1, 0.75, 1.0)
        soc = soc - current * 0.1 / 3600.0 / AH / capacity
        fast += (0.0008 * current - fast) * 0.1 / 3.0
        slow += (0.0012 * current - slow) * 0.1 / 60.0
        drop = (0.0028 * current + fast + slow) / capacity + JOINT_OHM * current
        volts = CURVE.volts(soc) - drop + rng.normal(0.0, 0.002, GROUPS)
        reading = Reading(now, volts, current + float(rng.normal(0.0, 0.3)), np.array([25.0]))
        add(energy, state, reading)
    return energy, soc


@pytest.fixture(scope="module")
def usual() -> tuple[EnergyLeft, Floats]:
    return ride(coasts=True)


def test_finds_each_shortfall_and_leaves_the_others_whole(usual: tuple[EnergyLeft, Floats]) -> None:
    energy, soc = usual
    np.testing.assert_allclose(energy.behind.found.ratio, 1.0 / CAPACITY - 1.0, atol=0.07)
    np.testing.assert_allclose(energy.behind.found.behind, soc - np.median(soc), atol=0.02)
    assert (energy.behind.found.ratio_sigma < TEACHES_BELOW).all()


def test_a_bad_joint_is_not_taken_for_a_shortfall(usual: tuple[EnergyLeft, Floats]) -> None:
    """Group 5, at twice the ohmic resistance of the others."""
    assert usual[0].behind.found.ratio[4] == pytest.approx(0.0, abs=0.04)


def test_a_cell_that_drops_out_during_the_ride_is_noticed() -> None:
    found = ride(coasts=True, minutes=12.0, capacity=np.ones(GROUPS), lost_at_s=180.0)[0].behind.found.ratio
    assert found[1] > 0.12
    assert np.abs(np.delete(found, 1)).max() < 0.05


def test_without_a_coast_the_band_stays_wide(usual: tuple[EnergyLeft, Floats]) -> None:
    held, coasted = ride(coasts=False, minutes=5.0)[0], usual[0]
    assert held.behind.found.ratio_sigma[1] > 0.95 * RATIO_SIGMA > 1.2 * coasted.behind.found.ratio_sigma[1]
    assert held.left.left_sigma_wh > 1.5 * coasted.left.left_sigma_wh


def told_of(ratio: Floats) -> Learnt:
    """An earlier ride that found this of the groups, and nothing else."""
    return replace(Learnt.nothing(GROUPS), behind_ratio=ratio, behind_ratio_sigma=np.full(GROUPS, 0.03))


def test_what_one_ride_found_is_known_when_the_next_begins(usual: tuple[EnergyLeft, Floats]) -> None:
    """In the first minute nothing can be seen of a shortfall."""
    left = usual[0].teach(Learnt.nothing(GROUPS))
    again, soc = ride(coasts=True, minutes=1.0, learnt=told_of(left.behind_ratio))
    first = ride(coasts=True, minutes=1.0)[0]
    np.testing.assert_allclose(left.behind_ratio, usual[0].behind.found.ratio)
    np.testing.assert_allclose(again.behind.found.ratio, 1.0 / CAPACITY - 1.0, atol=0.08)
    assert first.behind.found.ratio[1] < 0.25
    above = (soc[1] - float(CURVE.soc(np.array(3.30)))) * AH * 0.75 * GROUPS * 3.6
    assert again.left.left_wh == pytest.approx(above, rel=0.12)


def test_a_group_that_has_lost_capacity_since_the_last_ride_is_found_all_the_same() -> None:
    found = ride(coasts=True, minutes=8.0, learnt=told_of(np.zeros(GROUPS)))[0].behind.found.ratio
    assert found[1] > 0.15
    assert np.abs(np.delete(found, (1, 3))).max() < 0.05


def test_beginning_anew_keeps_what_is_known_of_the_groups_and_another_pack_does_not() -> None:
    energy = ride(coasts=True, minutes=0.5, learnt=told_of(1.0 / CAPACITY - 1.0))[0]
    energy.behind.forget()
    kept, sigma = energy.behind.taught
    np.testing.assert_allclose(kept, 1.0 / CAPACITY - 1.0, atol=0.05)
    assert (sigma < TEACHES_BELOW).all()
    blank = np.full((1, GROUPS), np.nan)
    readings = Readings(np.array([60.0]), blank, np.array([np.nan]), blank[:, :1], np.array([np.nan]))
    other = Told(blank, np.zeros((1, GROUPS), np.bool_))
    other.unmeasured[:] = True
    energy.take(readings, Estimates(readings.time_s, *[blank] * 6, np.zeros((1, GROUPS), np.int8)), other)
    assert np.isnan(energy.behind.taught[0]).all()


def test_what_lies_long_ago_weighs_less() -> None:
    """Two hours, a point a minute; half way group 2 loses a quarter. Were all points alike, the line's slope were
    0.31 of the new shortfall, by hand: ∫ d (d − d1) / ∫ d² from d1 = 0.3 to 0.6 over 0 to 0.6."""
    straight, none = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 4.0])), np.zeros(3)
    behind = Behind(straight, 3)
    filters = Filters(0.9, 0.0, 0.0, 0.0, np.zeros(ELEMENTS), np.zeros(ELEMENTS), none, none, none)
    for minute in range(120):
        drawn = 0.005 * minute
        filters = filters._replace(z=0.9 - drawn)
        lost = np.array([0.0, max(drawn - 0.3, 0.0) / 3.0, 0.0])
        behind.work_out(filters)
        for _ in range(5):
            if behind.due(60.0 * minute, 1.0, 0.0):
                behind.point(60.0 * minute, 3.9 - drawn - lost, filters, 1.0)
    behind.work_out(filters)
    assert behind.found.ratio[1] > 1.15 * 0.31 / 3.0


def test_a_coast_is_one_point_taken_as_late_as_it_lasts() -> None:
    """Whoever looks at all of a coast, its recovery included, ends where one ends who looks at its last second."""
    straight, none = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 4.0])), np.zeros(3)
    all_of_it, last_of_it = Behind(straight, 3), Behind(straight, 3)
    rested = Filters(0.9, 0.0, 0.0, 0.0, np.zeros(ELEMENTS), np.zeros(ELEMENTS), none, none, none)
    for behind in (all_of_it, last_of_it):
        behind.work_out(rested)
    for second in range(40):
        recovering = np.array([0.0, 0.06 * np.exp(-second / 10.0), 0.0])
        filters = rested._replace(
            z=0.6, slow_r=np.full(ELEMENTS, 0.02), slow_c=np.full(ELEMENTS, np.exp(-second / 10.0))
        )
        for behind in (all_of_it, last_of_it):
            due = behind.due(float(second), 1.0, 0.0)
            if due and (behind is all_of_it or second == 39):
                behind.point(float(second), np.array([3.6, 3.54, 3.6]) - recovering, filters, 1.0)
    for behind in (all_of_it, last_of_it):
        behind.work_out(rested._replace(z=0.6))
    np.testing.assert_allclose(all_of_it.found.ratio, last_of_it.found.ratio, atol=1e-9)
    np.testing.assert_allclose(all_of_it.found.ratio_sigma, last_of_it.found.ratio_sigma, rtol=1e-6)
    assert 0.5 * 0.06 / 0.3 < all_of_it.found.ratio[1] < 0.06 / 0.3  # drawn towards the peer filter's, which says 0


def test_a_group_on_a_plateau_is_less_sure_than_one_on_a_slope() -> None:
    """Of two curves with the same slope where the group reads, one is flat just above it."""
    sigmas = []
    for plateau_v in (3.62, 3.505):
        curve = OcvCurve(np.array([0.0, 0.5, 0.6, 0.8, 1.0]), np.array([3.0, 3.5, plateau_v, 3.8, 4.0]))
        none = np.zeros(3)
        behind = Behind(curve, 3)
        filters = Filters(0.9, 0.0, 0.0, 0.0, np.zeros(ELEMENTS), np.zeros(ELEMENTS), none, none, none)
        behind.work_out(filters)
        for second in range(5):
            if behind.due(float(second), 1.0, 0.0):
                behind.point(float(second), np.array([3.85, 3.48, 3.85]), filters._replace(z=0.6), 1.0)
        behind.work_out(filters._replace(z=0.4))
        sigmas.append(float(behind.found.ratio_sigma[1]))
    assert sigmas[1] > 1.5 * sigmas[0]

"""What a ride teaches about its pack, and what the next ride makes of it. The truth is a circuit known exactly."""

from __future__ import annotations

import numpy as np
import pytest

from sagwise_daemon.domain import core, estimate
from sagwise_daemon.domain.core import learnt, new_state, other_pack, step, take
from sagwise_daemon.domain.estimate import Kind
from sagwise_daemon.domain.estimate.taught import Learnt
from sagwise_daemon.domain.model import RideEnded, Unknown

SLOW_R_1S = 0.4 * (1 - np.exp(-1 / 20))  # what the relaxation adds to the resistance of a 1 s step


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.nanmean(values**2)))


@pytest.mark.slow
@pytest.mark.parametrize("capacity", [0.9, 1.1])
def test_capacity_is_learnt_between_rests_and_starts_the_next_ride(ridden, capacity: float) -> None:
    ride = ridden(capacity=[capacity] * 4)
    state, first = ride.ride()
    known = learnt(state)
    assert known is not None
    true = 1 / capacity - 1
    assert abs(known.ratio - true) < 2.5 * known.ratio_sigma
    assert known.ratio == pytest.approx(true, abs=0.03), "the circuit lacks the slow element that is reckoned with"
    assert known.ratio_sigma < 0.04
    _, second = ride.ride(known, seed=1)
    late = slice(-1800, -960)
    assert rms(second[late] - ride.rest_v()[late]) < 0.6 * rms(first[late] - ride.rest_v()[late])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("capacity", "resistance", "kind"),
    [(0.80, 1.0, Kind.CAPACITY), (1.0, 1.4, Kind.RESISTANCE), (0.75, 1.33, Kind.BOTH), (0.99, 1.02, Kind.NONE)],
)
def test_a_weak_group_is_named_with_reason_and_figure(ridden, capacity: float, resistance: float, kind: Kind) -> None:
    state, _ = ridden(capacity=[1, 1, capacity, 1], resistance=[1, 1, resistance, 1]).ride()
    found = estimate.weak_groups(state.estimator)
    assert [one.group for one in found] == [1, 2, 3, 4]
    assert [one.kind for one in found] == [Kind.NONE, Kind.NONE, kind, Kind.NONE]
    assert abs(found[2].capacity_percent - 100 * capacity) < 2.5 * found[2].capacity_sigma_percent
    assert abs(found[2].resistance_percent - 100 * (resistance - 1)) < 2.5 * found[2].resistance_sigma_percent


def test_resistances_are_learnt_at_25_degc_with_the_count_of_steps(ridden) -> None:
    state, _ = ridden(resistance=[1, 1, 1.4, 1], used=0.1).ride()
    known = learnt(state)
    assert known is not None
    true = 2.8 * (1 + SLOW_R_1S) * np.array([1, 1, 1.4, 1])
    assert known.resistance_25c_mohm == pytest.approx(true, rel=0.05)
    assert (known.steps >= 10).all()
    assert np.isnan(known.ratio), "a tenth of the charge says nothing about capacity"


@pytest.mark.slow
def test_without_a_temperature_no_resistance_is_learnt_but_capacity_is(ridden) -> None:
    known = learnt(ridden(celsius=None).ride()[0])
    assert known is not None
    assert not known.resistance_known
    assert np.isfinite(known.ratio)


@pytest.mark.slow
def test_the_plateau_of_lfp_teaches_no_capacity(ridden) -> None:
    state, _ = ridden(chemistry="lfp", start=0.65, used=0.35).ride()
    known = learnt(state)
    assert known is None or not known.ratio_sigma < 0.1


def test_a_ride_that_stands_still_teaches_nothing(ridden) -> None:
    assert learnt(ridden(used=0.0, rest_s=30.0).ride()[0]) is None


@pytest.mark.slow
def test_a_second_ride_adds_and_what_was_there_is_forgotten_slowly(ridden) -> None:
    first = learnt(ridden(used=0.35).ride()[0])
    assert first is not None
    again = learnt(ridden(used=0.35).ride(first, seed=1)[0])
    assert again is not None
    assert (first.rides, again.rides) == (1, 2)
    assert again.ratio_sigma == pytest.approx(first.ratio_sigma, rel=0.2)
    assert (again.steps >= first.steps).all()
    worn = ridden(resistance=[1.2] * 4, used=0.35)
    then = again
    for seed in range(3):
        told = learnt(worn.ride(then, seed)[0])
        assert told is not None
        then = told
    assert then.resistance_25c_mohm == pytest.approx(2.8 * 1.2 * (1 + SLOW_R_1S) * np.ones(4), rel=0.08)


@pytest.mark.slow
def test_other_cells_under_the_same_name_are_found_out_and_the_memory_dropped(ridden) -> None:
    known = learnt(ridden(capacity=[1, 1, 0.75, 1]).ride()[0])
    assert known is not None
    others = ridden(ohm=0.0085, used=0.1)
    state, rest = others.ride(known)
    assert other_pack(state)
    assert estimate.weak_groups(state.estimator)[2].kind is Kind.NONE
    then = learnt(state)
    assert then is not None and then.rides == 1
    assert then.resistance_25c_mohm == pytest.approx(8.5 * (1 + SLOW_R_1S) * np.ones(4), rel=0.05)
    late = slice(-300, -200)
    assert rms(rest[late] - others.rest_v()[late]) < 0.015
    assert not other_pack(ridden(used=0.1).ride(known)[0])


def test_what_was_learnt_is_of_so_many_groups(ridden) -> None:
    with pytest.raises(ValueError, match="of 5 groups, the pack has 4"):
        new_state(ridden().pack, Learnt.nothing(5))


@pytest.mark.slow
def test_a_ride_that_ends_is_counted_once(ridden) -> None:
    state, _ = ridden(used=0.35).ride()
    before = learnt(state)
    step(state, RideEnded())
    assert learnt(state) is None, "nothing new since"
    assert before is not None
    assert state.estimator.before.rides == before.rides
    assert state.estimator.before.ratio == before.ratio
    step(state, RideEnded())
    assert state.estimator.before.rides == before.rides


@pytest.mark.slow
def test_taken_one_by_one_it_learns_the_same(ridden) -> None:
    known = learnt(ridden(capacity=[1, 1, 0.9, 1], used=0.1).ride()[0])
    readings = ridden(ohm=0.0085, used=0.05, frozen=(1, 40.0, 90.0), offset_a=1.0, rest_s=20.0).readings()
    one, many = new_state(ridden().pack, known), new_state(ridden().pack, known)
    single = [step(one, reading)[1] for reading in readings]
    together = [take(many, readings.rows(slice(row, row + 97))) for row in range(0, len(readings), 97)]
    rest = np.concatenate([taken.estimates.rest_v for taken in together])
    np.testing.assert_array_equal(np.array([outcome.estimate.rest_v for outcome in single]), rest)
    assert [event for outcome in single for event in outcome.events] == [e for taken in together for e in taken.events]
    said = [core.learnt(one), core.learnt(many)]
    assert said[0] is not None and said[1] is not None
    np.testing.assert_array_equal(said[0].resistance_25c_mohm, said[1].resistance_25c_mohm)
    assert other_pack(one) and other_pack(many)


@pytest.mark.slow
def test_a_frozen_reading_is_not_believed_and_not_learnt_from(ridden) -> None:
    ride = ridden(used=0.3, frozen=(2, 100.0, 250.0))
    state, found = ride.ride()
    times = ride.readings().time_s
    whole = ridden(used=0.3).ride()[1]
    stuck = (times > 125.0) & (times < 249.0)
    assert np.isnan(found[stuck, 2]).all()
    others = [0, 1, 3]
    assert np.isfinite(found[stuck][:, others]).all()
    assert np.abs(found - whole)[times > 20.0][:, others].max() < 0.010
    after = times > 300.0
    assert np.isfinite(found[after, 2]).all()
    assert rms(found[after, 2] - ride.rest_v()[after, 2]) < 0.015
    known = learnt(state)
    assert known is not None
    assert known.resistance_25c_mohm == pytest.approx(2.8 * (1 + SLOW_R_1S) * np.ones(4), rel=0.05)


def test_while_a_reading_is_frozen_the_reason_is_said(ridden) -> None:
    ride = ridden(used=0.1, frozen=(2, 60.0, 1000.0), rest_s=20.0)
    state, readings = new_state(ride.pack), ride.readings()
    last = take(state, readings).estimates.row(-1)
    assert last.unknown[2] == Unknown.INVALID
    assert set(last.unknown[[0, 1, 3]]) == {Unknown.KNOWN}


@pytest.mark.slow
@pytest.mark.parametrize("offset_a", [-1.0, 1.0, 2.0])
def test_the_current_sensors_zero_is_taken_at_standstill(ridden, offset_a: float) -> None:
    state, _ = ridden(offset_a=offset_a, used=0.35).ride()
    known = learnt(state)
    assert known is not None
    assert known.offset_c * 22.5 == pytest.approx(offset_a, abs=0.25)

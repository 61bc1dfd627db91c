"""Patterns that no cell can make, one by one, on a plain resistive pack: what is named, and what must not be.

The patterns are common practice of wiring a pack, no published source: a floating tap shares its two groups' sum, two
swapped taps read minus a cell between sums, a frozen converter repeats itself, a current without a voltage answer is
not one.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from sagwise_daemon.domain.alarm.sense import Sense, Senses
from sagwise_daemon.domain.model import Readings

Floats = NDArray[np.float64]
HZ, GROUPS, NAN = 20, 8, float("nan")


class Ride:
    """Pulls of 2C every few seconds on groups of 3 mΩ; `volts` and `current` may be spoilt before they are judged."""

    def __init__(self, seconds: float = 40.0, groups: int = GROUPS, seed: int = 1, still: bool = False) -> None:
        rng = np.random.default_rng(seed)
        self.rng = rng
        self.time = np.arange(round(seconds * HZ)) / HZ
        levels = np.where(rng.random(len(self.time)) < 0.4, 0.0, rng.uniform(0.5, 3.0, len(self.time))) * 22.5
        held = np.cumsum(rng.random(len(self.time)) < 1 / (1.8 * HZ))
        self.true_current = np.zeros(len(self.time)) if still else levels[held]
        self.ohm = np.full(groups, 0.003) * rng.uniform(0.9, 1.1, groups)
        self.rest = 3.8 + rng.normal(0.0, 0.004, groups)
        self.current = self.true_current + rng.normal(0.0, 0.2, len(self.time))
        self.distance = np.full(len(self.time), NAN)
        self.volts = self.read(1e-3)

    def read(self, step: float) -> Floats:
        clean = self.rest - self.true_current[:, None] * self.ohm
        return np.round((clean + self.rng.normal(0.0, 1e-3, clean.shape)) / step) * step

    def readings(self) -> Readings:
        return Readings(self.time, self.volts, self.current, np.full((len(self.time), 1), 25.0), self.distance)

    def judge(self, pack: Callable[..., Any], **rules: Any) -> Senses:
        return Sense(pack(self.volts.shape[1], rules)).take(self.readings())


def named(senses: Senses, which: str) -> list[int]:
    """Groups for which it was found for five seconds on end."""
    found = getattr(senses, which) > 0
    held = np.lib.stride_tricks.sliding_window_view(found, 5 * HZ, axis=0).all(axis=2).any(axis=0)
    return (np.flatnonzero(held) + 1).tolist()


def everything(senses: Senses) -> dict[str, list[int]]:
    found = {which: named(senses, which) for which in ("open", "crossed", "stuck", "current")}
    return {which: groups for which, groups in found.items() if groups}


def bounce(ride: Ride) -> None:
    walk = np.cumsum(ride.rng.normal(0.0, 0.03, len(ride.time)))
    ride.volts[:, 3] += walk
    ride.volts[:, 4] -= walk


def creep(ride: Ride) -> None:
    ramp = np.clip((ride.time - 10.0) * 0.006, 0.0, 0.4)
    ride.volts[:, 3] += ramp
    ride.volts[:, 4] -= ramp


def clamp(ride: Ride) -> None:
    ride.volts[:, 4] += ride.volts[:, 3]
    ride.volts[:, 3] = 0.0


def flicker(ride: Ride) -> None:
    gone = (ride.time % 3.0 < 0.3) * 0.3
    ride.volts[:, 3] += gone
    ride.volts[:, 4] -= gone


def blank_pair(ride: Ride) -> None:
    ride.volts[:, 3:5] = NAN


def wild_first(ride: Ride) -> None:
    ride.volts[:, 0] += np.cumsum(ride.rng.normal(0.0, 0.05, len(ride.time)))


def rattling_last(ride: Ride) -> None:
    ride.volts[:, -1] += ride.rng.normal(0.0, 0.15, len(ride.time))


def nothing_first(ride: Ride) -> None:
    ride.volts[:, 0] = np.abs(ride.rng.normal(0.0, 0.003, len(ride.time)))


def blank_last(ride: Ride) -> None:
    ride.volts[:, -1] = NAN


def swap(ride: Ride) -> None:
    taps = np.concatenate([np.zeros((len(ride.time), 1)), np.cumsum(ride.volts, axis=1)], axis=1)
    taps[:, [3, 4]] = taps[:, [4, 3]]
    ride.volts = np.diff(taps, axis=1)


def freeze(ride: Ride) -> None:
    ride.volts[:, 3] = ride.volts[0, 3]


def dead_converter(ride: Ride) -> None:
    ride.volts[:, 3] = ride.rng.normal(0.02, 0.002, len(ride.time))


FAULTS: list[tuple[Callable[[Ride], None], float, str, int, set[int]]] = [
    (bounce, 40.0, "open", 4, {4, 5}),
    (creep, 90.0, "open", 4, {4, 5}),
    (clamp, 40.0, "open", 4, {4, 5}),
    (flicker, 40.0, "open", 4, {4, 5}),
    (blank_pair, 40.0, "open", 4, {4, 5}),
    (wild_first, 40.0, "open", 1, {1}),
    (rattling_last, 40.0, "open", 8, {8}),
    (nothing_first, 40.0, "open", 1, {1}),
    (blank_last, 40.0, "open", 8, {8}),
    (swap, 40.0, "crossed", 4, {3, 4, 5}),
    (freeze, 40.0, "stuck", 4, {4}),
    (dead_converter, 40.0, "stuck", 4, {4}),
]


@pytest.mark.parametrize(
    ("spoil", "seconds", "which", "group", "suspects"), FAULTS, ids=[row[0].__name__ for row in FAULTS]
)
def test_each_fault_is_named_once_with_the_groups_it_spoils(
    pack: Any, spoil: Callable[[Ride], None], seconds: float, which: str, group: int, suspects: set[int]
) -> None:
    ride = Ride(seconds)
    spoil(ride)
    senses = ride.judge(pack)
    assert everything(senses) == {which: [group]}
    assert set((np.flatnonzero(senses.suspect[-1]) + 1).tolist()) == suspects


# --- what must not be called a fault


def one_spark(ride: Ride) -> None:
    ride.volts[300, 3] += 1.0
    ride.volts[300, 4] -= 1.0


def weak_group(ride: Ride) -> None:
    """Twice the resistance, and it runs empty: alone."""
    ride.volts[:, 3] -= ride.true_current * ride.ohm[3] + 0.004 * ride.time


def weak_beside_strong(ride: Ride) -> None:
    ride.volts[:, 3] -= 0.4 * ride.true_current * ride.ohm[3]
    ride.volts[:, 4] += 0.2 * ride.true_current * ride.ohm[4]


def dying_last(ride: Ride) -> None:
    """Ten times the resistance: it falls far under every pull and comes back, as the current does."""
    ride.volts[:, -1] -= 9.0 * ride.true_current * ride.ohm[-1]


def coarse(ride: Ride) -> None:
    ride.volts = ride.read(0.05)


def high_and_low_neighbours(ride: Ride) -> None:
    ride.volts[:, 3] += 0.15
    ride.volts[:, 4] -= 0.09


def one_lost_reading_in_ten(ride: Ride) -> None:
    ride.volts[::10, 3:5] = NAN


def late_current(ride: Ride) -> None:
    ride.current = np.roll(ride.current, 6)  # 0.3 s


def small_offset(ride: Ride) -> None:
    ride.current += 1.0


HEALTHY = [
    one_spark,
    weak_group,
    weak_beside_strong,
    dying_last,
    coarse,
    high_and_low_neighbours,
    one_lost_reading_in_ten,
    late_current,
    small_offset,
]


@pytest.mark.parametrize("oddity", HEALTHY, ids=[oddity.__name__ for oddity in HEALTHY])
@pytest.mark.parametrize("groups", [4, GROUPS])
def test_what_a_pack_can_do_is_no_fault(pack: Any, oddity: Callable[[Ride], None], groups: int) -> None:
    ride = Ride(90.0, max(groups, 5) if oddity in (one_spark, high_and_low_neighbours) else groups + 1)
    oddity(ride)
    assert everything(ride.judge(pack)) == {}


@pytest.mark.parametrize("groups", [1, 2, 3])
def test_small_packs_are_judged_too_and_healthy_ones_pass(pack: Any, groups: int) -> None:
    assert everything(Ride(60.0, groups).judge(pack)) == {}


def test_a_pack_at_rest_has_no_stuck_reading(pack: Any) -> None:
    ride = Ride(60.0, still=True)
    ride.volts[:, 3] = ride.volts[0, 3]
    assert everything(ride.judge(pack)) == {}


@pytest.mark.parametrize("group", range(1, GROUPS + 1))
def test_swapped_taps_anywhere(pack: Any, group: int) -> None:
    ride = Ride(12.0)
    taps = np.concatenate([np.zeros((len(ride.time), 1)), np.cumsum(ride.volts, axis=1)], axis=1)
    taps[:, [group - 1, group]] = taps[:, [group, group - 1]]
    ride.volts = np.diff(taps, axis=1)
    assert everything(ride.judge(pack)) == {"crossed": [group]}


def test_taps_swapped_over_another_one(pack: Any) -> None:
    ride = Ride(12.0)
    taps = np.concatenate([np.zeros((len(ride.time), 1)), np.cumsum(ride.volts, axis=1)], axis=1)
    taps[:, [3, 5]] = taps[:, [5, 3]]
    ride.volts = np.diff(taps, axis=1)
    assert everything(ride.judge(pack)) == {"crossed": [4, 5]}


def test_a_converter_that_hangs_with_several_groups_is_one_fault(pack: Any) -> None:
    ride = Ride()
    ride.volts[:, 2:4] = ride.volts[0, 2:4]
    senses = ride.judge(pack)
    assert everything(senses) == {"stuck": [3]}
    assert senses.suspect[-1].tolist() == [0, 0, 1, 1, 0, 0, 0, 0]


def test_a_rule_out_of_service_takes_no_reading_away(pack: Any) -> None:
    ride = Ride()
    swap(ride)
    senses = ride.judge(pack, sense_crossed={"enabled": False})
    assert named(senses, "crossed") == []


@pytest.mark.parametrize("at_once", [1, 7, 333])
def test_however_readings_come_the_verdicts_are_the_same(pack: Any, at_once: int) -> None:
    ride = Ride(30.0)
    bounce(ride)
    ride.time[400:] += 7.0  # a gap
    whole = ride.judge(pack).table
    sense, readings = Sense(pack(GROUPS)), ride.readings()
    starts = range(0, len(ride.time), at_once)
    parts = [sense.take(readings.rows(slice(first, first + at_once))).table for first in starts]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


def test_after_a_gap_nothing_is_known_until_a_second_is_full(pack: Any) -> None:
    ride = Ride(30.0)
    ride.time[300:] += 60.0
    senses = ride.judge(pack)
    assert np.isfinite(senses.open[299]).all()
    assert np.isnan(senses.open[300:319]).all()
    assert np.isfinite(senses.open[321]).all()


# --- current


def stuck(ride: Ride) -> None:
    ride.current[400:] = ride.current[400]


def stuck_with_noise(ride: Ride) -> None:
    ride.current[400:] = 12.0 + ride.rng.normal(0.0, 0.2, len(ride.time) - 400)


def inverted(ride: Ride) -> None:
    ride.current *= -1.0


def noise_only(ride: Ride) -> None:
    ride.current = ride.rng.normal(20.0, 20.0, len(ride.time))


def lost(ride: Ride) -> None:
    ride.current[400:] = NAN


def shifted(ride: Ride) -> None:
    ride.current += 6.0


def steps_unanswered(ride: Ride) -> None:
    ride.volts = ride.read(1e-3) * 0.0 + ride.rest


@pytest.mark.parametrize(
    "spoil", [stuck, stuck_with_noise, inverted, noise_only, lost, shifted, steps_unanswered], ids=lambda f: f.__name__
)
def test_a_current_that_does_not_explain_the_voltages(pack: Any, spoil: Callable[[Ride], None]) -> None:
    ride = Ride(90.0)
    spoil(ride)
    assert named(ride.judge(pack), "current") == [1]


def test_no_current_sensor_at_all_is_no_fault(pack: Any) -> None:
    ride = Ride(60.0)
    ride.current[:] = NAN
    senses = ride.judge(pack)
    assert everything(senses) == {}
    assert np.isnan(senses.current).all()


def test_a_pack_that_only_recovers_or_only_empties_is_no_fault(pack: Any) -> None:
    for slope in (0.15, -0.15):
        ride = Ride(60.0, still=True)
        ride.volts += slope * (1.0 - np.exp(-ride.time / 15.0))[:, None]
        assert everything(ride.judge(pack)) == {}


def test_an_offset_shows_where_the_wheel_stands_but_a_charger_is_none(pack: Any) -> None:
    def standing(charger: bool) -> list[int]:
        ride = Ride(60.0)
        stop = 30 * HZ
        ride.distance = np.minimum(np.arange(len(ride.time)), stop) * 0.2
        ride.true_current[stop:] = 0.0
        ride.volts = ride.read(1e-3)
        ride.current = ride.true_current + ride.rng.normal(0.0, 0.2, len(ride.time))
        if charger:
            ride.current[stop + 8 * HZ :] -= 5.0
        else:
            ride.current[stop - 100 :] += 5.0
        return named(ride.judge(pack), "current")

    assert standing(charger=False) == [1]
    assert standing(charger=True) == []


# --- resistance


def test_resistance_is_known_after_steps_and_follows_a_joint(pack: Any) -> None:
    ride = Ride(150.0)
    ride.current[:] = NAN  # needs none
    gained = np.clip((ride.time - 60.0) / 30.0, 0.0, 1.0) * 0.003
    ride.volts[:, 2] -= ride.true_current * gained
    ratio = ride.judge(pack).ratio
    assert np.isnan(ratio[0]).all()
    before, after = ratio[59 * HZ], ratio[-1]
    over_peers = ride.ohm / np.median(ride.ohm)
    np.testing.assert_allclose(before, np.maximum(over_peers, 1.0), rtol=0.05)
    assert after[2] == pytest.approx((ride.ohm[2] + 0.003) / ride.ohm[2], rel=0.08), "over its own earlier"
    assert np.delete(after, 2).max() < 1.2


def test_a_warming_pack_keeps_its_ratios(pack: Any) -> None:
    ride = Ride(120.0)
    ride.volts -= (ride.true_current * np.linspace(2.0, 0.5, len(ride.time)))[:, None] * ride.ohm
    assert np.nanmax(ride.judge(pack).ratio) < 1.25


def test_a_pack_that_stands_says_nothing_of_resistance(pack: Any) -> None:
    assert np.isnan(Ride(60.0, still=True).judge(pack).ratio).all()


def test_a_suspect_group_has_no_resistance(pack: Any) -> None:
    ride = Ride()
    bounce(ride)
    assert np.isnan(ride.judge(pack).ratio[-1, 3:5]).all()

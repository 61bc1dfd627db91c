"""The summary of a ride against figures worked out by hand for a pack of pure resistances."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.model import AlarmState, Priority
from sagwise_daemon.domain.pack.chemistry import OcvCurve
from sagwise_daemon.domain.ride.figures import highest_mean, raised, summarise
from sagwise_daemon.domain.ride.recorded import document
from sagwise_daemon.domain.ride.weakest import weakest

HZ = 10


def rest(seconds: float) -> np.ndarray:
    return np.zeros(round(seconds * HZ))


def pull(amperes: float, seconds: float) -> np.ndarray:
    return np.full(round(seconds * HZ), amperes)


def ride() -> np.ndarray:
    """20 s rest, 10 min at 45 A, 5 s at 150 A, 5 s of 20 A into the pack, 70 s rest."""
    return np.concatenate([rest(20), pull(45, 600), pull(150, 5), pull(-20, 5), rest(70)])


def test_energy_per_kilometre_and_minute(record) -> None:
    """Constant 10 A over one hour, 20 km: 10 Ah by definition; mean pack voltage of a straight curve is its middle."""
    current = pull(10, 3600.1)
    made = record(
        current, distance_m=np.arange(len(current)) / (len(current) - 1) * 20_000.0, resistance_mohm=(0.0,) * 4
    )
    summary = summarise(made, "ride")
    middle_v = 4 * (3.0 + 1.2 * (0.95 - 5.0 / 22.5))
    assert summary.charge_ah == pytest.approx(10.0)
    assert summary.energy_wh == pytest.approx(10.0 * middle_v, rel=1e-6)
    assert summary.wh_per_km == pytest.approx(summary.energy_wh / 20.0)
    assert summary.wh_per_min == pytest.approx(summary.energy_wh / 60.0)
    assert summary.energy_in_wh == 0.0 and summary.energy_out_wh == pytest.approx(summary.energy_wh)


def test_energy_in_and_out_are_parted(record) -> None:
    summary = summarise(record(ride()), "ride")
    assert summary.energy_out_wh - summary.energy_in_wh == pytest.approx(summary.energy_wh, rel=1e-6)
    assert summary.energy_in_wh == pytest.approx(20 * 5 / 3600 * 4 * 3.68, rel=0.05)


def test_highest_currents_are_means_over_their_windows(record) -> None:
    """5 s at 150 A among 45 A: over 1 s 150, over 10 s half of each, over 60 s five parts in sixty."""
    current = np.concatenate([rest(20), pull(45, 600), pull(150, 5), pull(45, 100), rest(10)])
    summary = summarise(record(current), "ride")
    assert summary.current_max_1s_a == pytest.approx(150.0)
    assert summary.current_max_10s_a == pytest.approx((150 * 5 + 45 * 5) / 10, rel=0.01)
    assert summary.current_max_60s_a == pytest.approx((150 * 5 + 45 * 55) / 60, rel=0.01)


def test_a_window_longer_than_the_ride_says_nothing(record) -> None:
    made = record(pull(50, 8))
    assert np.isnan(highest_mean(made.readings, 10.0)) and highest_mean(made.readings, 1.0) == pytest.approx(50.0)


def test_uneven_samples_weigh_by_their_time(record) -> None:
    made = record(pull(10, 30))
    keep = np.r_[0:100, 100:300:7]
    assert highest_mean(made.readings.rows(slice(None)), 10.0) == pytest.approx(10.0)
    thin = replace(
        made.readings,
        time_s=made.readings.time_s[keep],
        group_v=made.readings.group_v[keep],
        current_a=made.readings.current_a[keep],
        temperature_c=made.readings.temperature_c[keep],
        distance_m=made.readings.distance_m[keep],
    )
    assert highest_mean(thin, 10.0) == pytest.approx(10.0)


def test_sag_is_stated_at_twice_the_capacity(record) -> None:
    """45 A through 3.0 and 4.5 mOhm: 135 and 202.5 mV by Ohm's law."""
    summary = summarise(record(ride()), "ride")
    assert summary.sag_current_a == 45.0
    assert [one.sag_v for one in summary.groups] == pytest.approx([0.135, 0.135, 0.135, 0.2025], abs=2e-4)


def test_sag_is_unknown_where_that_current_was_never_held(record) -> None:
    assert all(np.isnan(one.sag_v) for one in summarise(record(pull(20, 60)), "ride").groups)


def test_resistance_against_the_median_and_the_earlier_rides(record) -> None:
    """At 5 degC the pack has more resistance; brought to 25 degC it is Arrhenius' share of it."""
    earlier = [np.array([2.0, 3.0, 3.0, 3.0]), np.array([2.2, 3.0, 3.0, 3.0]), np.array([2.1, np.nan, 3.0, 3.0])]
    summary = summarise(record(ride()), "ride", earlier)
    assert [one.resistance_ratio for one in summary.groups] == pytest.approx([1, 1, 1, 1.5])
    assert [one.resistance_before_ratio for one in summary.groups] == pytest.approx([3 / 2.1, 1, 1, 1.5])
    assert summary.earlier_rides == 3
    cold = summarise(record(ride(), temperature_c=5.0), "ride").groups[0]
    assert cold.resistance_mohm == 3.0 and cold.resistance_25c_mohm < 2.6


def test_capacity_is_charge_over_the_charge_that_rest_voltages_lost(record) -> None:
    current = np.concatenate([rest(20), pull(45, 1200), rest(70)])
    made = record(current, capacity_ah=(22.5, 22.5, 20.0, 22.5))
    summary = summarise(made, "ride")
    assert [one.capacity_ah for one in summary.groups] == pytest.approx([22.5, 22.5, 20.0, 22.5], rel=1e-3)
    share = np.hypot(0.005, 0.005) / 1.2 / (45 * 1200 / 3600 / 22.5)
    assert summary.groups[0].capacity_sigma_ah == pytest.approx(22.5 * share, rel=0.01)


def test_no_capacity_from_a_ride_that_ends_under_load_or_draws_little(record) -> None:
    for current in (np.concatenate([rest(20), pull(45, 1200)]), np.concatenate([rest(20), pull(45, 100), rest(70)])):
        assert all(np.isnan(one.capacity_ah) for one in summarise(record(current), "ride").groups)


@pytest.mark.parametrize(
    ("changes", "reason", "words"),
    [
        ({}, "resistance", "1.50 times"),
        ({"resistance_mohm": (3.0, 3.0, 3.0, 7.0)}, "resistance", "look at its joints first"),
        (
            {"resistance_mohm": (3.0,) * 4, "soc": (0.9, 0.9, 0.9, 0.85)},
            "rest",
            "ends 60 mV under the others at rest, 5 % of its",
        ),
        ({"resistance_mohm": (3.0,) * 4, "capacity_ah": (22.5, 22.5, 22.5, 19.5)}, "capacity", "holds 13 ± 1 % less"),
        ({"capacity_ah": (22.5, 22.5, 22.5, 19.5)}, "both", "% less than the others, and its resistance is 1.50 times"),
        ({"resistance_mohm": (3.0,) * 4}, "none", "No group stands out"),
    ],
)
def test_the_weakest_group_and_why(record, changes, reason, words) -> None:
    weakest = summarise(record(np.concatenate([rest(20), pull(45, 600), rest(70)]), **changes), "ride").weakest
    assert weakest is not None and weakest.reason == reason and words in weakest.words
    assert reason == "none" or weakest.group == 4


def test_without_a_temperature_groups_are_held_against_one_another_all_the_same(record) -> None:
    summary = summarise(record(np.concatenate([rest(20), pull(45, 60)]), temperature_c=np.nan), "ride")
    assert np.isnan(summary.groups[3].resistance_25c_mohm)
    assert [one.resistance_ratio for one in summary.groups] == pytest.approx([1.0, 1.0, 1.0, 1.5])
    assert summary.weakest is not None and summary.weakest.group == 4


def test_of_what_nothing_is_known_nothing_stands_out_is_not_said(record) -> None:
    """A short ride that ends under load tells no capacity; without estimates there is no resistance either."""
    made = record(np.concatenate([rest(20), pull(45, 60)]), resistance_mohm=(3.0,) * 4)
    weakest = summarise(made, "ride").weakest
    assert weakest is not None
    assert weakest.words == "No group stands out by resistance and rest voltage; of capacity nothing is known."
    blind = replace(
        made, estimates=replace(made.estimates, resistance_mohm=np.full_like(made.estimates.rest_v, np.nan))
    )
    weakest = summarise(blind, "ride").weakest
    assert weakest is not None
    assert weakest.words == "No group stands out by rest voltage; of resistance and capacity nothing is known."


def test_a_capacity_within_its_own_doubt_blames_no_group() -> None:
    """On a flat curve a group reads 8 % less and may as well hold as much: ± 7 % is one standard deviation."""
    alike, capacity_ah = np.ones(4), np.array([22.5, 22.5, 22.5, 20.7])
    rest_v, soc = np.full(4, 3.3), np.full(4, 0.5)
    told = {doubt: weakest(alike, rest_v, soc, capacity_ah, np.full(4, doubt * 22.5)) for doubt in (0.01, 0.07)}
    assert told[0.01] is not None and (told[0.01].group, told[0.01].reason) == (4, "capacity")
    assert told[0.07] is not None and told[0.07].reason == "none"


@pytest.mark.parametrize(
    ("name", "median_v", "behind_v", "reason"),
    [
        ("otter", 3.10, 0.04, "none"),  # Chen et al. 2020: 4.8 and 4.1 % of the charge
        ("otter", 3.39, 0.09, "rest"),  # 12.9 and 10.1 %: the first to be low by far, as in the demo
        ("otter", 3.60, 0.04, "rest"),  # 31.8 and 28.2 %
        ("wren", 2.90, 0.06, "none"),  # Prada et al. 2013: 7.3 and 5.9 %
        ("wren", 3.265, 0.03, "rest"),  # 48 and 36 %
        ("wren", 3.265, 0.01, "none"),  # 48 and 41 %, but so far rest voltages may be off
    ],
)
def test_a_group_that_ends_lower_is_blamed_by_its_charge_not_by_the_knee(name, median_v, behind_v, reason) -> None:
    cell = built_in_pack(name)[1].cell
    rest_v = np.array([median_v] * 15 + [median_v - behind_v])
    nothing = np.full(16, np.nan)
    found = weakest(nothing, rest_v, OcvCurve(cell.ocv_soc, cell.ocv_v).soc(rest_v), nothing, nothing)
    assert found is not None and found.reason == reason


def test_alarms_are_counted_by_rule_and_group(event) -> None:
    low, spread = event("rest_low", 7), event("spread_high", None, priority=Priority.LOW)
    over = event("rest_low", 7, AlarmState.ACKNOWLEDGED)
    found = raised([(10.0, spread), (20.0, low), (21.0, over), (30.0, low), (40.0, event("rest_low", 3))])
    assert [(one.rule, one.count, one.first_s, one.groups) for one in found] == [
        ("spread_high", 1, 10.0, ()),
        ("rest_low", 3, 20.0, (3, 7)),
    ]


def test_what_a_plain_buzzer_would_have_done(record, event) -> None:
    """Two pulls of 150 A drop group 4 under 3.3 V for longer than a second; `rest_low` comes between them."""
    current = np.concatenate([rest(20), pull(150, 5), rest(20), pull(150, 5), rest(20)])
    made = record(current, soc=0.7, events=((30.0, event("rest_low", 4)),))
    buzzer = summarise(made, "ride").plain_buzzer
    assert buzzer is not None
    assert (buzzer.limit_v, buzzer.sounded, buzzer.before_low) == (3.3, 2, 1)
    assert buzzer.first_s == pytest.approx(21.0, abs=0.11)


def test_nothing_measured_is_nothing_said_and_json_has_no_nan(record) -> None:
    made = record(rest(30))
    blank = replace(
        made,
        estimates=None,
        readings=replace(
            made.readings,
            group_v=np.full_like(made.readings.group_v, np.nan),
            current_a=np.full_like(made.readings.current_a, np.nan),
            temperature_c=np.full_like(made.readings.temperature_c, np.nan),
        ),
    )
    text = json.dumps(document(summarise(blank, "ride")), allow_nan=False)
    told = json.loads(text)
    assert told["energy_wh"] is None and told["loaded_min_v"] is None and told["weakest"] is None
    assert told["temperatures"] == [] and told["groups"][0]["sag_v"] is None and told["samples"] == 300

"""Charges and standing, against charges and losses made up for them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sagwise_daemon.config.pack import built_in_pack
from sagwise_daemon.domain.ride.charging import charged
from sagwise_daemon.domain.ride.figures import summarise
from sagwise_daemon.domain.ride.kinds import CHARGE, RIDE, STANDING, kind_of
from sagwise_daemon.domain.ride.standing import between, calm_v

NAN = float("nan")
HZ = 1
CAPACITY_AH = 22.5


def steady(amperes: float, seconds: float) -> np.ndarray:
    return np.full(round(seconds * HZ), amperes)


def blind(record):
    """The same without a current sensor."""
    return replace(record.readings, current_a=np.full_like(record.readings.current_a, NAN))


@pytest.mark.parametrize(
    ("current", "kind"),
    [
        (np.concatenate([steady(0, 20), steady(40, 60), steady(0, 60)]), RIDE),
        (np.concatenate([steady(0, 20), steady(-5, 3000), steady(0, 60)]), CHARGE),
        (steady(0.1, 7200), STANDING),
        (np.concatenate([steady(0, 20), steady(60, 300), steady(-20, 300), steady(0, 60)]), RIDE),
        (np.concatenate([steady(-5, 3000), steady(50, 120)]), RIDE),
    ],
)
def test_a_record_tells_its_own_kind(record, current, kind) -> None:
    assert kind_of(record(current, hz=HZ, soc=0.6).readings, CAPACITY_AH) == kind


def test_pushed_about_the_shed_is_standing_and_rolling_is_riding(record) -> None:
    for metres, kind in ((8.0, STANDING), (400.0, RIDE)):
        made = record(steady(0, 100), hz=HZ, distance_m=np.linspace(0, metres, 100))
        assert kind_of(made.readings, CAPACITY_AH) == kind


def test_without_a_current_sensor_the_voltage_tells(record) -> None:
    charge = record(np.concatenate([steady(0, 60), steady(-5, 3600), steady(0, 60)]), hz=HZ, soc=0.4)
    ride = record(np.concatenate([steady(0, 60), steady(60, 300), steady(0, 60)]), hz=HZ)
    assert kind_of(blind(charge), CAPACITY_AH) == CHARGE
    assert kind_of(blind(ride), CAPACITY_AH) == RIDE
    assert kind_of(blind(record(steady(0, 3600), hz=HZ)), CAPACITY_AH) == STANDING
    under_load = record(np.concatenate([steady(60, 10), steady(120, 5), steady(0, 60)]), hz=HZ)
    assert kind_of(blind(under_load), CAPACITY_AH) == RIDE, "it ends higher than it began, and was not charged"


def test_a_charge_has_its_time_energy_and_end_spread(record) -> None:
    """5 A for two hours is 10 Ah. At the end 5 A through 3 and 4.5 mOhm differ by 7.5 mV."""
    made = record(np.concatenate([steady(0, 20), steady(-5, 7200), steady(0, 200)]), hz=HZ, soc=0.3)
    found = charged(made)
    assert found.duration_s == pytest.approx(7200, abs=10)
    assert found.charge_ah == pytest.approx(10.0)
    assert found.energy_wh == pytest.approx(10.0 * 4 * (3.0 + 1.2 * (0.3 + 5 / 22.5)), rel=0.01)
    assert found.current_max_a == 5.0
    assert found.end_spread_v == pytest.approx(0.0075, abs=1e-4)
    assert (found.first_full, found.last_full) == ((), ()), "nothing was full at 74 %"


def test_groups_that_are_full_first_and_last(record) -> None:
    """Group 3 begins higher and is full first; group 2 holds more and never is."""
    made = record(
        np.concatenate([steady(-5, 9200), steady(0, 200)]),
        hz=HZ,
        soc=(0.45, 0.38, 0.48, 0.45),
        resistance_mohm=(3.0,) * 4,
    )
    found = summarise(made, CHARGE).charge
    assert found is not None
    assert (found.first_full, found.last_full) == ((3,), (2,))
    full_s = (4.18 - 3.0 - 1.2 * 0.48 - 0.015) / 1.2 * 22.5 / 5 * 3600
    assert found.groups[2].full_s == pytest.approx(full_s, abs=3)
    assert np.isnan(found.groups[1].full_s)


def test_all_full_together_is_nobody_first_or_last_alone(record) -> None:
    made = record(np.concatenate([steady(-5, 9500), steady(0, 100)]), hz=HZ, soc=0.45, resistance_mohm=(3.0,) * 4)
    assert charged(made).first_full == charged(made).last_full == (1, 2, 3, 4)


def test_a_spike_of_noise_is_not_full(record) -> None:
    made = record(steady(-5, 600), hz=HZ, soc=0.3)
    made.readings.group_v[100:105, 1] = 4.25
    assert np.isnan(charged(made).groups[1].full_s)


def test_calm_ends_stop_at_the_first_load(record) -> None:
    made = record(np.concatenate([steady(0, 20), steady(40, 60), steady(0, 90)]), hz=HZ)
    start, end = calm_v(made)
    assert start == pytest.approx([3.0 + 1.2 * 0.95] * 4)
    assert end == pytest.approx([3.0 + 1.2 * (0.95 - 40 * 60 / 3600 / 22.5)] * 4, abs=1e-4)
    assert np.isnan(calm_v(record(steady(40, 60), hz=HZ))[0]).all()


def test_a_noisy_sensor_hides_neither_rest_nor_the_ends_of_a_charge(record) -> None:
    """0.5 A of noise, as of a sensor for 200 A, sixty times a minute over what 0.02C would allow."""
    rng = np.random.default_rng(2)
    made = record(np.concatenate([steady(0, 60), steady(40, 60), steady(0, 90)]), hz=10)
    made.readings.current_a[:] += rng.normal(0, 0.5, len(made.readings))
    start, end = calm_v(made)
    assert not np.isnan(start).any() and not np.isnan(end).any()
    charge = record(np.concatenate([steady(0, 300), steady(-5, 3600), steady(0, 300)]), hz=HZ, soc=0.4)
    charge.readings.current_a[:] += rng.normal(0, 0.5, len(charge.readings))
    found = charged(charge)
    assert found.duration_s == pytest.approx(3600, abs=20)
    assert found.end_spread_v == pytest.approx(0.0075, abs=1e-3)


def test_self_discharge_names_the_group_that_loses(pack) -> None:
    """3 days; all groups settle by 6 mV, group 2 loses 30 mV: 8 mV a day more, 0.83 % of charge on this curve."""
    before = np.array([4.02, 4.02, 4.021, 4.019])
    found = between(pack(), before, before - np.array([0.006, 0.030, 0.006, 0.006]), 72.0, from_ride_id=7)
    assert found is not None
    assert found.losing == (2,) and found.from_ride_id == 7
    assert found.median_loss_v_per_day == pytest.approx(0.002)
    assert found.groups[1].loss_v_per_day == pytest.approx(0.010)
    assert found.groups[1].loss_soc_per_day == pytest.approx(0.010 / 1.2)
    assert "Group 2 loses up to 8.0 mV a day" in found.words


def test_nothing_is_said_of_a_night_a_charge_or_a_lonely_group(pack) -> None:
    before = np.full(4, 4.0)
    assert between(pack(), before, before - 0.02, 11.9) is None
    assert between(pack(), before, before + 0.05, 72.0) is None
    assert between(pack(), before, np.array([3.9, NAN, NAN, NAN]), 72.0) is None


def test_a_pack_that_was_drawn_from_as_a_whole_names_no_leaking_group(pack) -> None:
    """A ride that was not recorded: group 2 has less capacity and falls further. After a charge all settle as far."""
    before = np.full(4, 3.6)
    lower = before - np.array([0.04, 0.07, 0.04, 0.04])
    assert between(pack(), before, lower, 24.0, after_ride=True) is None
    settled = between(pack(), before, lower, 24.0)
    assert settled is not None and settled.losing == (2,)
    held = between(pack(), before, before - np.array([0.01, 0.04, 0.01, 0.01]), 24.0, after_ride=True)
    assert held is not None and held.losing == (2,)


def test_steps_of_the_readings_are_no_loss(pack) -> None:
    rng = np.random.default_rng(5)
    before = 4.0 + rng.integers(-2, 3, 4) * 0.0005
    found = between(pack(), before, before - 0.004 + rng.integers(-2, 3, 4) * 0.001, 24.0)
    assert found is not None and found.losing == () and "alike" in found.words


def test_on_a_plateau_it_is_not_said_that_all_hold_alike() -> None:
    """Prada et al. 2013, 59 to 55 % of the charge: 3.2686 to 3.2678 V. A group that has lost 4 % shows 0.8 mV."""
    wren = built_in_pack("wren")[1]
    before = np.full(16, 3.2686)
    found = between(wren, before, before - np.where(np.arange(16) == 6, 0.0008, 0.0), 72.0, after_ride=True)
    assert found is not None and found.losing == ()
    assert "alike" not in found.words
    assert "one may have lost 15 % more of its charge unseen" in found.words, "to 44 %: 3.2606 V"
    steep = between(wren, np.full(16, 3.10), np.full(16, 3.099), 72.0, after_ride=True)
    assert steep is not None and "alike" in steep.words


def test_a_group_that_settles_from_its_charge_does_not_leak() -> None:
    """A charger stops with group 3 at 3.60 V and the rest at 3.36 V; a day later all rest within a few millivolts."""
    wren = built_in_pack("wren")[1]
    before, after = np.full(16, 3.34), np.full(16, 3.332)
    before[2], after[2] = 3.60, 3.338
    found = between(wren, before, after, 24.0)
    assert found is not None and found.losing == ()
    assert np.isnan(found.groups[2].loss_v), "of that one nothing is known yet"


def test_of_two_groups_neither_is_blamed(pack) -> None:
    """One lost 1 mV, one 19: "all hold alike" would be wrong, and which one is odd nobody can tell of two."""
    assert between(pack(), np.full(2, 4.0), np.array([3.999, 3.981]), 72.0, after_ride=True) is None


def test_a_standing_record_is_looked_at_from_end_to_end(record) -> None:
    """One reading a minute for two days, group 4 losing 12 mV a day."""
    made = record(np.zeros(2 * 1440), hz=1 / 60, soc=0.8)
    made.readings.group_v[:, 3] -= 0.012 * made.readings.time_s / 86400
    found = summarise(made, STANDING).standing
    assert found is not None and found.losing == (4,)
    assert found.groups[3].loss_v_per_day == pytest.approx(0.012, rel=0.02)

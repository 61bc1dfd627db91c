"""The loader of the kept rides: what it says of sensors and pack files is what comes out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from truth_rides import RIDES, Sensors, Told, Truth, load, measured, pack_of

EXACT = Sensors(noise_v=0.0, step_v=1e-6, noise_a=0.0, gain=1.0, offset_a=0.0, delay_s=0.0, noise_c=0.0, step_c=1e-6)


@pytest.fixture(scope="module")
def ride() -> Truth:
    return load(RIDES / "mohtat2020_9100.npz")


def test_exact_sensors_show_the_truth(ride: Truth) -> None:
    seen = measured(ride, EXACT)
    np.testing.assert_allclose(seen.group_v.T, ride.volts, atol=1e-5)
    np.testing.assert_allclose(seen.current_a, ride.current_a, atol=1e-9)


def test_gain_offset_and_delay_are_the_currents(ride: Truth) -> None:
    seen = measured(ride, replace(EXACT, gain=1.02, offset_a=2.0, delay_s=0.1))
    np.testing.assert_allclose(seen.current_a[1:], 1.02 * ride.current_a[:-1] + 2.0, atol=1e-6)


def test_noise_and_steps_are_as_said(ride: Truth) -> None:
    seen = measured(ride, Sensors(noise_v=0.003, step_v=0.001))
    error = seen.group_v.T - ride.volts
    assert np.std(error) == pytest.approx(0.003, rel=0.05)
    np.testing.assert_allclose(seen.group_v * 1000, np.round(seen.group_v * 1000), atol=1e-6)


def test_the_current_is_lost_for_as_long_as_said(ride: Truth) -> None:
    seen = measured(ride, replace(EXACT, lost_s=10.0))
    lost = np.flatnonzero(np.isnan(seen.current_a))
    assert len(lost) == 100
    assert lost[0] == int(0.75 * ride.rows)
    assert measured(ride, replace(EXACT, current=False)).current_a is None


def test_the_same_seed_gives_the_same_readings(ride: Truth) -> None:
    np.testing.assert_array_equal(measured(ride, Sensors(), 3).group_v, measured(ride, Sensors(), 3).group_v)
    assert (measured(ride, Sensors(), 3).group_v != measured(ride, Sensors(), 4).group_v).any()


def test_met_under_way_it_begins_under_load_and_the_truth_goes_with_it(ride: Truth) -> None:
    late = ride.from_load(60.0)
    cut = ride.rows - late.rows
    assert cut >= 600
    assert late.current_a[0] > ride.about["capacity_ah"] * ride.parallel
    np.testing.assert_array_equal(late.volts, ride.volts[:, cut:])
    moment = late.rest_row[0]
    np.testing.assert_array_equal(late.rest[:, 0], ride.rest[:, np.flatnonzero(ride.rest_row == moment + cut)[0]])
    assert late.loaded


def test_what_the_pack_file_says(ride: Truth) -> None:
    stated = ride.about["capacity_ah"]
    wrong = pack_of(ride, Told(capacity=0.9, resistance=0.5, curve_v=0.015))
    assert wrong.cell.capacity_ah == pytest.approx(0.9 * stated)
    assert wrong.cell.resistance_mohm == pytest.approx(0.5 * ride.cell_25c_mohm)
    np.testing.assert_allclose(wrong.cell.ocv_v, ride.curve_v + 0.015)
    assert wrong.rules["rest_low"].limit == pytest.approx(ride.limit_v)
    assert pack_of(ride, Told()).cell.resistance_mohm is None
    assert pack_of(ride, Told(built_in=True)).cell.chemistry == "nmc"

"""A plain circuit with elements that are not the estimator's own: what it must find, and what it must admit."""

from __future__ import annotations

import numpy as np
import pytest

from sagwise_daemon.domain import estimate
from sagwise_daemon.domain.model import Reading, Unknown

pytestmark = pytest.mark.slow


def test_rest_voltage_and_resistance_of_a_plain_circuit(bench, usual) -> None:
    ride, found = usual
    late = slice(1000, None)
    error = bench.column(found, "rest_v")[late] - ride.rest[late]
    assert np.sqrt(np.mean(error**2)) < 0.008
    assert np.mean(np.abs(error) < 2 * bench.column(found, "rest_sigma_v")[late]) > 0.95
    # By hand: a step of 1 s on 2.8 mΩ + 0.8 (1 − e^(−1/3)) + 1.2 (1 − e^(−1/60)) mΩ.
    by_hand = 2.8 + 0.8 * (1 - np.exp(-1 / 3)) + 1.2 * (1 - np.exp(-1 / 60))
    assert found[-1].resistance_mohm == pytest.approx(by_hand, rel=0.06)
    assert found[-1].soc == pytest.approx(ride.soc[-1], abs=0.02)


def test_sag_is_not_taken_for_low(bench, usual) -> None:
    """The loaded voltage dips by more than 0.25 V at pulls while the estimate stays within 30 mV of the truth."""
    ride, played = usual
    found = bench.column(played, "rest_v")[600:]
    assert (ride.rest - ride.volts)[600:].max() > 0.25
    assert np.abs(found - ride.rest[600:]).max() < 0.030


@pytest.mark.slow
def test_group_short_of_capacity_is_found(bench) -> None:
    circuit = bench.circuit(capacity=[1, 1, 0.75, 1, 1, 1], resistance=[1, 1, 4 / 3, 1, 1, 1], soc=0.95)
    ride = circuit.ride(minutes=20, peak_a=80.0)
    state = estimate.new(bench.pack(6))
    found = bench.play(bench.pack(6), ride, state)
    error = bench.column(found, "rest_v")[6000:, 2] - ride.rest[6000:, 2]
    assert np.sqrt(np.mean(error**2)) < 0.015
    shortfall = estimate.shortfall_v(state)
    assert shortfall[2] > 0.010
    assert np.delete(shortfall, 2).max() == 0.0


def test_joint_of_raised_resistance_is_found(bench) -> None:
    ride = bench.circuit(resistance=[1, 1, 1, 1, 1.5, 1]).ride()
    last = bench.play(bench.pack(6), ride)[-1]
    assert last.resistance_25c_mohm[4] / np.median(last.resistance_25c_mohm) == pytest.approx(1.5, rel=0.06)


def test_current_late_by_three_tenths_of_a_second_does_not_ruin_resistance(bench, usual) -> None:
    ride = bench.circuit().ride()
    on_time = usual[1][-1].resistance_mohm
    ride.current_a = np.concatenate([np.zeros(3), ride.current_a[:-3]])
    late = bench.play(bench.pack(6), ride)[-1].resistance_mohm
    assert late == pytest.approx(on_time, rel=0.05)


def test_cold_pack_is_brought_to_25_degc(bench) -> None:
    """Arrhenius with 23.28 kJ/mol, by hand: exp(23280 / 8.314 × (1/273.15 − 1/298.15)) = 2.36 at 0 degC."""
    ride = bench.circuit(cold=2.36, temperature_c=0.0).ride(peak_a=60.0)
    cold = bench.play(bench.pack(6), ride)[-1]
    assert cold.resistance_mohm / cold.resistance_25c_mohm == pytest.approx(2.36, rel=0.02)
    by_hand = 2.8 + 0.8 * (1 - np.exp(-1 / 3)) + 1.2 * (1 - np.exp(-1 / 60))
    assert cold.resistance_25c_mohm == pytest.approx(by_hand, rel=0.08)


def test_without_temperature_sigma_is_wider_and_25_degc_unknown(bench) -> None:
    ride = bench.circuit().ride(minutes=2)
    with_sensor = bench.play(bench.pack(6), ride)[-1]
    without = bench.play(bench.pack(6), ride, temperature=False)[-1]
    assert np.all(without.rest_sigma_v > with_sensor.rest_sigma_v)
    assert np.isnan(without.resistance_25c_mohm).all()
    assert np.isfinite(without.resistance_mohm).all()


@pytest.mark.slow
def test_steady_current_teaches_no_resistance(bench) -> None:
    """At one constant current the voltage says nothing of R: the figure of the varied ride before it must stand."""
    circuit = bench.circuit()
    rng = np.random.default_rng(5)
    varied = circuit.ride(minutes=4).current_a
    ride = circuit.respond(np.concatenate([varied, np.full(6000, 20.0)]), rng)
    ride.volts[len(varied) :] -= 0.04  # as if the curve were 40 mV off down there
    state = estimate.new(bench.pack(6))
    bench.play(bench.pack(6), _rows(ride, 0, len(varied) + 1000), state)
    before = state.common.resistance(2.5)
    bench.play(bench.pack(6), _rows(ride, len(varied) + 1000, None), state)
    assert state.common.resistance(2.5) == pytest.approx(before, rel=0.02)


def test_plateau_of_lfp_claims_no_charge(bench) -> None:
    """Half a millivolt per percent: a rest at mid-range must not set the charge, yet the rest voltage is known."""
    ride = bench.circuit(chemistry="lfp", soc=0.60).ride(minutes=5, peak_a=60.0)
    state = estimate.new(bench.pack(6, "lfp"))
    found = bench.play(bench.pack(6, "lfp"), ride, state)
    assert estimate.soc_sigma(state).min() > 0.05
    assert np.isnan(bench.column(found, "soc")).all()
    error = bench.column(found, "rest_v")[1000:] - ride.rest[1000:]
    assert np.sqrt(np.mean(error**2)) < 0.010


@pytest.mark.slow
def test_lfp_leaving_its_plateau_learns_its_charge(bench) -> None:
    ride = bench.circuit(chemistry="lfp", soc=0.30).ride(minutes=14, peak_a=100.0)
    found = bench.play(bench.pack(6, "lfp"), ride)
    assert ride.soc[-1].max() < 0.12
    assert found[-1].soc == pytest.approx(ride.soc[-1], abs=0.06)


def test_pack_swapped_for_another_begins_anew(bench) -> None:
    """A new pack is a new state: the second answers as if the first had never been."""
    first, second = bench.circuit().ride(minutes=1), bench.circuit(capacity=[1.0] * 4, resistance=[1.0] * 4).ride(2)
    bench.play(bench.pack(6), first)
    alone = bench.play(bench.pack(4), second)[-1]
    assert alone.rest_v.shape == (4,)
    assert np.abs(alone.rest_v - second.rest[-1]).max() < 0.03


def test_single_group_pack(bench) -> None:
    ride = bench.circuit(capacity=[1.0], resistance=[1.0]).ride()
    found = bench.play(bench.pack(1), ride)
    error = bench.column(found, "rest_v")[1000:] - ride.rest[1000:]
    assert np.sqrt(np.mean(error**2)) < 0.012


def test_rest_is_never_below_the_loaded_voltage(bench) -> None:
    ride = bench.circuit(noise_v=0.0).ride(minutes=3)
    found = bench.play(bench.pack(6), ride)
    rest = bench.column(found, "rest_v")
    calm = np.flatnonzero(np.isfinite(rest[:, 0]))[20:]
    settled = [k for k in calm if np.ptp(ride.current_a[k - 20 : k + 1]) == 0.0]
    assert len(settled) > 300
    assert np.all(rest[settled] >= ride.volts[settled] - 0.0045)


def test_slow_board_agrees(bench, usual) -> None:
    """Two readings a second instead of ten."""
    slow = bench.play(bench.pack(6), _every(usual[0], 5))[-1].rest_v
    assert slow == pytest.approx(usual[1][-1].rest_v, abs=0.012)


def test_first_reading_under_load_is_admitted_and_then_estimated(bench, usual) -> None:
    ride = _rows(bench.circuit().ride(), 1210, 2700)
    ride.current_a[:30] = np.maximum(ride.current_a[:30], 5.0)
    found = bench.play(bench.pack(6), ride)
    assert found[0].unknown.tolist() == [Unknown.SETTLING] * 6
    rest, sigma = bench.column(found, "rest_v"), bench.column(found, "rest_sigma_v")
    first = int(np.flatnonzero(np.isfinite(rest[:, 0]))[0])
    assert first < 600
    rested = bench.column(usual[1], "rest_sigma_v")[200]
    assert sigma[first].min() > 1.5 * rested.max()
    known = np.isfinite(rest)
    assert np.mean(np.abs(rest - ride.rest)[known] < 2 * sigma[known]) > 0.85


def _rows(ride, start, end):
    return type(ride)(**{name: values[start:end] for name, values in vars(ride).items()})


def _every(ride, step):
    return type(ride)(**{name: values[::step] for name, values in vars(ride).items()})


def test_nonsense_neither_raises_nor_leaks(bench) -> None:
    rng = np.random.default_rng(11)
    state = estimate.new(bench.pack(3, "nmc", None))
    now = 0.0
    for _ in range(3000):
        now += float(rng.choice([0.01, 0.1, 0.1, 1.0, 20.0, 500.0], p=[0.2, 0.3, 0.3, 0.1, 0.08, 0.02]))
        volts = rng.choice([0.0, 3.5, 3.7, 5.2, -3.0, np.nan], size=3)
        amps = float(rng.choice([0.0, 50.0, -30.0, 5000.0, np.nan]))
        known = estimate.update(state, Reading(now, volts, amps, rng.choice([25.0, np.nan, -60.0], size=2)))
        for name in ("rest_v", "rest_sigma_v", "ocv_v", "resistance_mohm"):
            values = getattr(known, name)
            assert np.all(np.isfinite(values) == (known.unknown == Unknown.KNOWN)), name

"""The physics against laws and published figures. Law: expected values are worked out here, never by the simulator."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sagwise_sim import cell, curves
from sagwise_sim.cell import KELVIN, Groups, Row, arrhenius
from sagwise_sim.pack import GroupSpec, Pack, PackSpec, build_pack

SPEC = PackSpec(
    name="bench",
    chemistry="nmc",
    series=3,
    parallel=1,
    capacity_ah=5.0,
    resistance_mohm=14.0,
    start_soc=0.6,
    spread_capacity=0.0,
    spread_resistance=0.0,
    spread_soc=0.0,
    joint_mohm=0.0,
    ambient_c=25.0,
    start_c=25.0,
)


def make(**changes: object) -> Pack:
    return build_pack(replace(SPEC, **changes), np.random.default_rng(1))  # type: ignore[arg-type]


def burst(pack: Pack, seconds: float, seed: int = 3, peak_a: float = 25.0) -> None:
    """A rough ride: a new current each half second."""
    rng = np.random.default_rng(seed)
    for _ in range(round(seconds * 2)):
        current = float(rng.choice((0.0, 0.3, 1.0, -0.1)) * peak_a)
        for _ in range(10):
            pack.step(current, 0.05)


# --- curves -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("chemistry", curves.CHEMISTRIES)
def test_curve_rises_everywhere(chemistry: str) -> None:
    assert (np.diff(curves.curve(chemistry).volts) > 0.0).all()


@pytest.mark.parametrize(("chemistry", "full_v"), [("nmc", 4.20), ("lipo", 4.20), ("lfp", 3.65)])
def test_curve_ends_at_the_usual_voltages(chemistry: str, full_v: float) -> None:
    """Makers' usual limits: 2.5 V empty, 4.20 (LFP 3.65) V full; common practice."""
    empty, full = curves.curve(chemistry).ocv(np.array([0.0, 1.0]))
    assert empty == pytest.approx(2.5, abs=0.08)
    assert full == pytest.approx(full_v, abs=0.05)


@pytest.mark.parametrize(("soc", "volts"), [(0.20, 3.485), (0.50, 3.751), (0.80, 4.042)])
def test_nmc_curve_agrees_with_another_measurement_of_that_cell(soc: float, volts: float) -> None:
    """Chen et al. 2020 measured the same cell type by other means; two laboratories differ by some 10 mV."""
    assert curves.curve("nmc").ocv(np.array([soc]))[0] == pytest.approx(volts, abs=0.025)


def test_lfp_curve_has_its_plateau() -> None:
    """Published LFP/graphite curves (Prada 2013, Afshar 2017) slope by about half a millivolt per percent."""
    low, high = curves.curve("lfp").ocv(np.array([0.40, 0.85]))
    assert 0.2e-3 < (high - low) / 45.0 < 1.2e-3
    assert 3.2 < low < high < 3.4


def test_twenty_full_groups_make_84_volts() -> None:
    """20 × 4.20 V, arithmetic."""
    assert make(series=20, start_soc=1.0).loaded_v(0.0).sum() == pytest.approx(84.0, abs=0.1)


# --- charge, relaxation, rest -----------------------------------------------------------------------------------


def test_charge_is_conserved() -> None:
    pack = make()
    rng = np.random.default_rng(2)
    taken = 0.0
    for current in rng.uniform(-20.0, 40.0, 2000):
        pack.step(float(current), 0.1)
        taken += float(current) * 0.1
    assert pack.soc() == pytest.approx(0.6 - taken / (5.0 * 3600.0), abs=1e-12)


def test_voltage_relaxes_to_equilibrium() -> None:
    pack = make()
    burst(pack, 120.0)
    assert (pack.ocv_v() - pack.loaded_v(0.0)).max() > 0.005
    pack.step(0.0, 2400.0)
    assert pack.loaded_v(0.0) == pytest.approx(pack.ocv_v(), abs=2e-5)


@pytest.mark.parametrize(("start_c", "ambient_c", "soc"), [(25.0, 25.0, 0.6), (45.0, 5.0, 0.3), (-10.0, 20.0, 0.12)])
def test_rest_after_60s_is_what_60_s_of_rest_bring(start_c: float, ambient_c: float, soc: float) -> None:
    pack = make(start_c=start_c, ambient_c=ambient_c, start_soc=soc)
    burst(pack, 60.0)
    foretold = pack.rest_after_60s()
    assert abs(foretold - pack.loaded_v(0.0)).min() > 0.005
    for _ in range(1200):
        pack.step(0.0, 0.05)
    assert pack.loaded_v(0.0) == pytest.approx(foretold, abs=2e-5)


def test_rest_of_a_whole_history_equals_rest_one_by_one() -> None:
    pack = make()
    states, single = [], []
    for _ in range(5):
        burst(pack, 5.0)
        states.append(pack.state)
        single.append(pack.rest_after_60s())
    assert cell.rest_after(pack.groups, np.stack(states, axis=1)) == pytest.approx(np.array(single), abs=1e-12)


def test_small_load_follows_the_closed_form() -> None:
    """At a tiny current the model is linear; its step response is written out by hand from the shares."""
    pack, current = make(resistance_mohm=10.0), 0.01
    growth = 1.0 + 0.8 * math.exp(-0.6 / 0.06)
    before = pack.loaded_v(0.0)[0]
    for _ in range(60):
        pack.step(current, 0.05)
    relaxed = 0.25 * (1.0 - math.exp(-3.0 / 1.1)) + 0.30 * (1.0 - math.exp(-3.0 / 18.0))
    lag = current / 5.0 * (0.004 * (1.0 - math.exp(-3.0 / 45.0)) + 0.006 * (1.0 - math.exp(-3.0 / 260.0)))
    spent = current * 3.0 / 18000.0
    slope = np.diff(curves.curve("nmc").ocv(np.array([0.599, 0.601])))[0] / 0.002
    expected = before - 0.010 * current * growth * (0.45 + 0.40 + relaxed) - slope * (lag + spent)
    assert pack.loaded_v(current)[0] == pytest.approx(expected, abs=2e-7)


def test_step_length_does_not_matter() -> None:
    fine, coarse = make(), make()
    for _ in range(200):
        fine.step(15.0, 0.05)
    for _ in range(10):
        coarse.step(15.0, 1.0)
    assert fine.loaded_v(15.0) == pytest.approx(coarse.loaded_v(15.0), abs=2e-4)


# --- resistance -------------------------------------------------------------------------------------------------


def two_step_mohm(first_v: float, first_a: float, second_v: float, second_a: float) -> float:
    """Direct-current resistance of IEC 61960-3."""
    return (first_v - second_v) / (second_a - first_a) * 1000.0


def test_iec_61960_3_worked_case() -> None:
    """5 Ah: 1 A 3.660 V, 5 A 3.560 V give 25.0 mΩ."""
    assert two_step_mohm(3.660, 1.0, 3.560, 5.0) == pytest.approx(25.0)


def test_stated_resistance_is_found_by_the_standard_method() -> None:
    """IEC 61960-3: 0.2C for 10 s, then 1C for 1 s. The transfer part is a little lower at 1C than at no current."""
    pack = make(resistance_mohm=14.0)
    pack.step(1.0, 10.0)
    first = pack.loaded_v(1.0)[0]
    pack.step(5.0, 1.0)
    assert two_step_mohm(first, 1.0, pack.loaded_v(5.0)[0], 5.0) == pytest.approx(14.0, rel=0.05)


@pytest.mark.parametrize(
    ("energy", "celsius", "factor"),
    [(20_000.0, 0.0, 2.09), (20_000.0, -10.0, 2.92), (35_000.0, 0.0, 3.64), (35_000.0, -10.0, 6.54)],
)
def test_arrhenius(energy: float, celsius: float, factor: float) -> None:
    """exp(Ea/R · (1/T − 1/298.15)), computed apart."""
    assert arrhenius(energy, celsius + KELVIN) == pytest.approx(factor, abs=0.006)


def test_cold_group_sags_by_the_arrhenius_factors() -> None:
    """Ohmic share by 20 kJ/mol; transfer by 35 and by T itself (Butler-Volmer: RT/F), at a current small enough."""
    warm, cold = make(), make(start_c=0.0, ambient_c=0.0)
    sag = [(pack.ocv_v() - pack.loaded_v(0.01))[0] for pack in (warm, cold)]
    assert sag[1] / sag[0] == pytest.approx((0.45 * 2.09 + 0.40 * 3.64 * 273.15 / 298.15) / 0.85, rel=0.005)


def test_resistance_falls_with_current_and_grows_near_empty() -> None:
    pack, low = make(), make(start_soc=0.03)
    ohms = [(pack.ocv_v() - pack.loaded_v(amps))[0] / amps for amps in (0.1, 5.0, 40.0)]
    assert ohms[0] > 1.01 * ohms[1]
    assert ohms[1] > 1.15 * ohms[2]
    assert (low.ocv_v() - low.loaded_v(5.0))[0] / 5.0 > 1.3 * ohms[1]


@pytest.mark.parametrize(("parallel", "sag_v"), [(4, 0.60), (6, 0.40)])
def test_more_cells_in_parallel_sag_less(parallel: int, sag_v: float) -> None:
    """A group of four that sags 0.6 V at 150 A has 16 mΩ a cell, and six would sag 0.40 V: Ohm's law."""
    ohm = np.array([0.016 / parallel])
    nothing = np.zeros(1)
    groups = Groups(
        curve=curves.curve("nmc"),
        charge_c=np.array([3600.0 * 4.5 * parallel]),
        ohmic_ohm=ohm,
        exchange_a=np.array([1e9]),
        fast_ohm=nothing,
        slow_ohm=nothing,
        joint_ohm=nothing,
        heat_j_per_k=np.ones(1),
        cooling_w_per_k=np.ones(1),
        ambient_k=298.15,
    )
    pack = Pack(groups, cell.resting(np.array([0.9]), 298.15))
    assert (pack.ocv_v() - pack.loaded_v(150.0))[0] == pytest.approx(sag_v, abs=1e-4)


# --- heat -------------------------------------------------------------------------------------------------------


def test_energy_balance() -> None:
    """What the curve gives up leaves as work or stays as heat: ∫ OCV·I dt = ∫ V·I dt + C·ΔT without cooling."""
    pack = make()
    pack.groups.cooling_w_per_k[:] = 1e-9
    given = work = 0.0
    for at in range(4000):
        current = 25.0 if at // 100 % 2 else 0.0
        given += pack.ocv_v()[0] * current * 0.05
        work += pack.loaded_v(current)[0] * current * 0.05
        pack.step(current, 0.05)
    heat = pack.groups.heat_j_per_k[0] * (pack.temperature_c()[0] - 25.0)
    assert heat > 100.0
    assert given == pytest.approx(work + heat, rel=1e-6)


def test_warm_pack_cools_to_the_air() -> None:
    """One time constant leaves 1/e of the difference (Newton's law of cooling)."""
    pack = make(start_c=45.0, ambient_c=5.0)
    pack.step(0.0, 1800.0)
    assert pack.temperature_c() == pytest.approx(5.0 + 40.0 / math.e, abs=0.01)


# --- packs ------------------------------------------------------------------------------------------------------


def test_a_short_group_starts_lower_when_balanced_full() -> None:
    """At 24 % the others gave 0.76 of a capacity; a group with 0.95 of it has 1 − 0.76/0.95 = 0.20 left."""
    pack = make(start_soc=0.24, groups=(GroupSpec(2, capacity=0.95),))
    assert pack.soc() == pytest.approx([0.24, 0.20, 0.24])


def test_age_takes_capacity_and_adds_resistance() -> None:
    new, old = make(), make(aged_capacity=0.8, aged_resistance=1.5)
    assert old.soc() == pytest.approx(new.soc())
    sag = [(pack.ocv_v() - pack.loaded_v(5.0))[0] for pack in (new, old)]
    assert sag[1] / sag[0] == pytest.approx(1.5, rel=0.03)
    for pack in (new, old):
        pack.step(5.0, 360.0)
    assert (0.6 - old.soc()[0]) / (0.6 - new.soc()[0]) == pytest.approx(1.25)


def test_spread_is_seeded_and_has_its_size() -> None:
    spec = replace(SPEC, series=48, spread_capacity=0.02, spread_resistance=0.05)
    one, same, other = (build_pack(spec, np.random.default_rng(seed)) for seed in (1, 1, 2))
    assert (one.groups.charge_c == same.groups.charge_c).all()
    assert (one.groups.charge_c != other.groups.charge_c).all()
    assert np.std(np.log(one.groups.charge_c)) == pytest.approx(0.02, rel=0.35)
    assert np.std(np.log(one.groups.ohmic_ohm)) == pytest.approx(0.05, rel=0.35)


def test_joint_heats_itself_and_not_the_cell() -> None:
    plain, bad = make(), make(joint_mohm=5.0)
    assert (plain.loaded_v(20.0) - bad.loaded_v(20.0))[0] == pytest.approx(0.100)
    for pack in (plain, bad):
        pack.step(20.0, 60.0)
    assert plain.state[Row.TEMPERATURE] == pytest.approx(bad.state[Row.TEMPERATURE], abs=1e-9)

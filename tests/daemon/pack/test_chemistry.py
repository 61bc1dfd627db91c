"""The built-in curves against figures computed apart from this code, and the curve class against itself."""

from __future__ import annotations

import numpy as np
import pytest

from sagwise_daemon.domain.model import Cell
from sagwise_daemon.domain.pack.chemistry import (
    CURVES,
    OcvCurve,
    built_in_curve,
    prior_drop_v,
    resistance_factor,
)


def curve(chemistry: str) -> OcvCurve:
    return OcvCurve(*built_in_curve(chemistry))


@pytest.mark.parametrize(
    ("chemistry", "at_20", "at_50", "at_80"),
    [
        # Full-cell equilibrium of published electrode fits, evaluated with PyBaMM 26.10 (ElectrodeSOHSolver):
        ("nmc", 3.485, 3.751, 4.042),  # Chen et al. 2020, doi 10.1149/1945-7111/ab9050
        ("nca", 3.372, 3.685, 3.980),  # Kim et al. 2011, doi 10.1149/1.3597614
        ("lfp", 3.168, 3.266, 3.310),  # Prada et al. 2013, doi 10.1149/2.053304jes
        ("lipo", 3.695, 3.793, 3.995),  # Ai et al. 2020, doi 10.1149/2.0122001JES
    ],
)
def test_curve_matches_published_electrode_fits(chemistry: str, at_20: float, at_50: float, at_80: float) -> None:
    volts = curve(chemistry).volts(np.array([0.2, 0.5, 0.8]))
    assert volts == pytest.approx([at_20, at_50, at_80], abs=0.002)


@pytest.mark.parametrize("chemistry", CURVES)
def test_table_rises_everywhere_and_inverts(chemistry: str) -> None:
    ocv = curve(chemistry)
    assert np.all(np.diff(ocv.table_v) > 0)
    soc = np.linspace(-0.04, 1.04, 500)
    assert ocv.soc(ocv.volts(soc)) == pytest.approx(soc, abs=1e-9)


@pytest.mark.parametrize("chemistry", CURVES)
def test_slope_is_the_derivative_and_scalar_agrees(chemistry: str) -> None:
    ocv = curve(chemistry)
    soc = np.linspace(0.03, 0.97, 95)
    ahead, behind = ocv.volts(soc + 0.002), ocv.volts(soc - 0.002)
    assert ocv.slope(soc) == pytest.approx((ahead - behind) / 0.004, rel=0.12, abs=0.02)
    for one in (-0.2, -0.05, 0.0, 0.123, 1.0, 1.05, 1.3):
        volts, slope = ocv.at(one)
        assert volts == pytest.approx(float(ocv.volts(np.array(one))), abs=1e-9)
        assert slope == pytest.approx(float(ocv.slope(np.array(one))), abs=1e-9)


def test_curve_passes_through_its_points_without_overshoot() -> None:
    soc, volts = np.array([0.0, 0.05, 0.1, 1.0]), np.array([2.95, 3.20, 3.21, 4.18])
    ocv = OcvCurve(soc, volts)
    assert ocv.volts(soc) == pytest.approx(volts, abs=1e-9)
    between = ocv.volts(np.linspace(0.05, 0.1, 50))
    assert between.min() >= 3.20
    assert between.max() <= 3.21


@pytest.mark.parametrize(
    ("soc", "volts"),
    [([0.0], [3.0]), ([0.0, 0.0], [3.0, 4.0]), ([0.0, 1.0], [4.0, 4.0]), ([0.0, 1.0], [4.0, 3.0])],
)
def test_curve_refuses_points_that_do_not_rise(soc: list[float], volts: list[float]) -> None:
    with pytest.raises(ValueError, match="rising"):
        OcvCurve(np.array(soc), np.array(volts))


def test_resistance_factor_is_arrhenius_at_the_low_end_of_published_energies() -> None:
    # Arrhenius by hand: 20 kJ/mol gives 2.09 at 0 degC and 2.92 at −10, 35 kJ/mol gives 3.64 and 6.54.
    assert resistance_factor(25.0) == pytest.approx(1.0)
    assert 2.09 < resistance_factor(0.0) < 3.64
    assert 2.92 < resistance_factor(-10.0) < 6.54
    assert resistance_factor(45.0) < 1.0
    assert np.isfinite(resistance_factor(-300.0))


def test_prior_takes_the_makers_word_first() -> None:
    soc, volts = built_in_curve("nmc")
    stated = Cell("nmc", 4.5, 4.2, 2.8, 14.0, None, soc, volts)
    silent = Cell("nmc", 4.5, 4.2, 2.8, None, None, soc, volts)
    assert prior_drop_v(stated) == pytest.approx(0.063)  # 14 mΩ × 4.5 A
    assert 0.02 < prior_drop_v(silent) < 0.15

"""The truth can be made again. Law: a kept ride that its generator no longer gives is no truth."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from truth_rides import RIDES, load

SHORT = "mohtat2020_9100"
MODEL = {"SPMe": "", "DFN": "_dfn"}  # in a file's name
PLANS = Path(__file__).resolve().parent / "rides.toml"


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_a_short_ride_comes_out_again(truth_python: Callable[..., None], tmp_path: Path) -> None:
    """Same current to the digit, same voltages to 0.3 mV: solvers differ between machines, models do not."""
    truth_python("make.py", "--ride", SHORT, "--out", tmp_path)
    kept, made = load(RIDES / f"{SHORT}.npz"), load(tmp_path / f"{SHORT}.npz")
    assert kept.about["groups"] == made.about["groups"]
    np.testing.assert_array_equal(made.rest_row, kept.rest_row)
    np.testing.assert_allclose(made.current_a, kept.current_a, atol=0.03)
    for name in ("volts", "rest", "ocv", "curve_v"):
        np.testing.assert_allclose(getattr(made, name), getattr(kept, name), atol=3e-4, err_msg=name)
    np.testing.assert_allclose(made.r_1s_mohm, kept.r_1s_mohm, rtol=0.01)
    np.testing.assert_allclose(made.temperature_c, kept.temperature_c, atol=0.02)


def test_every_kept_ride_has_its_plan() -> None:
    with PLANS.open("rb") as file:
        plans = tomllib.load(file)["ride"]
    named = {plan["parameters"].lower() + MODEL[plan.get("model", "SPMe")] + f"_{plan['seed']}" for plan in plans}
    assert named == {path.stem for path in RIDES.glob("*.npz")}


def test_the_kept_rides_stay_small() -> None:
    sizes = [path.stat().st_size for path in RIDES.glob("*.npz")]
    assert max(sizes) < 260_000
    assert sum(sizes) < 1_500_000


@pytest.mark.parametrize("path", sorted(RIDES.glob("*.npz")), ids=lambda path: path.stem)
def test_a_kept_ride_is_physics(path: Path) -> None:
    """What holds of every cell: rest near equilibrium, loaded under rest at a pull, charge that only current moves."""
    ride = load(path)
    assert ride.volts.shape == (len(ride.kinds), ride.rows)
    assert np.isfinite(ride.volts).all()
    assert (np.diff(ride.curve_v) > 0).all()
    gap = ride.ocv - ride.rest
    cold = max(25.0 - ride.about["ambient_c"], 0.0)  # in which some cells' equilibrium lies up to 0.8 mV/K higher
    assert np.median(gap) > -0.002 - 0.0008 * cold  # else rest lies below the curve after riding
    assert gap.max() < 0.25
    pulling = ride.current_a[ride.rest_row] > ride.about["capacity_ah"] * ride.parallel
    assert (ride.volts[:, ride.rest_row][:, pulling] < ride.rest[:, pulling]).all()
    assert (ride.r_1s_mohm > 0).all()
    drawn = np.concatenate([[0.0], np.cumsum(ride.current_a[1:] + ride.current_a[:-1]) / 2 * 0.1 / 3600])
    for group, soc in zip(ride.about["groups"], ride.soc, strict=True):
        capacity = ride.about["capacity_ah"] * ride.parallel * group["capacity"]
        counted = (drawn[ride.rest_row] - drawn[ride.rest_row[0]]) / capacity
        np.testing.assert_allclose(soc[0] - soc, counted, atol=2e-3)

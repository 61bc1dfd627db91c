"""A pack whose every parameter is known, by an equivalent-circuit solver. Law: nothing of the daemon is in it.

    python tests/truth/circuit.py --seed 1 --out FILE.npz

Solver: thevenin (BSD-3-Clause). A cell of 5 Ah at one temperature with a series resistance, two RC pairs whose time
constants are none of the daemon's, and a curve that is a formula. Its groups carry one bursty current (`riding`). The
rest voltage is solved from the state of each tenth second; resistances are exact: R0 + sum of Rk (1 − exp(−t/τk)).
The file is as those of `make.py`; `about` has the circuit.
"""

from __future__ import annotations

import argparse
import warnings
from pathlib import Path

import numpy as np
import thevenin
from packing import save
from riding import CALM_ROWS, STEP_S, Plan, current_c, groups, median_step

CAPACITY_AH = 5.0
R0_OHM = 0.008
PAIRS = ((0.003, 4.0), (0.0045, 40.0))  # ohms, seconds
KELVIN = 298.15
FULL_V = 4.19


def curve_v(soc: np.ndarray | float) -> np.ndarray | float:
    """Falls steeply below a tenth, as cells do."""
    return 3.52 + 0.67 * soc - 0.55 * np.exp(-22.0 * soc) + 0.03 * np.sin(9.0 * soc)


def parameters(soc: float, capacity: float, extra_ohm: float) -> dict[str, object]:
    share = 1 / capacity  # a cell of less capacity is a smaller cell: more resistance, the same time constants
    pairs = {}
    for k, (ohm, tau_s) in enumerate(PAIRS, start=1):
        pairs[f"R{k}"] = lambda soc, kelvin, ohm=ohm * share: ohm
        pairs[f"C{k}"] = lambda soc, kelvin, farad=tau_s / (ohm * share): farad
    return {
        "num_RC_pairs": len(PAIRS),
        "soc0": soc,
        "capacity": CAPACITY_AH * capacity,
        "gamma": 0.0,
        "ce": 1.0,
        "mass": 0.07,
        "isothermal": True,
        "Cp": 900.0,
        "T_inf": KELVIN,
        "h_therm": 10.0,
        "A_therm": 0.005,
        "ocv": curve_v,
        "M_hyst": lambda soc: 0.0,
        "R0": lambda soc, kelvin: R0_OHM * share + extra_ohm,
        **pairs,
    }


def solve(given: dict[str, object], amperes: np.ndarray) -> dict[str, np.ndarray]:
    """volts, soc (rows,) and etas (rows, pairs)."""
    times = np.arange(len(amperes)) * STEP_S
    experiment = thevenin.Experiment(max_step=STEP_S)
    experiment.add_step("current_A", lambda t: float(np.interp(t, times, amperes)), times)
    found = thevenin.Simulation(given).run(experiment).vars
    etas = np.column_stack([found[f"eta{k}_V"] for k in range(1, len(PAIRS) + 1)])
    return {"volts": found["voltage_V"], "soc": found["soc"], "etas": etas}


def rested(given: dict[str, object], soc: float, etas: np.ndarray) -> float:
    """Volts after 60 s without current."""
    state = thevenin.TransientState(soc=soc, T_cell=KELVIN, hyst=0.0, eta_j=etas)
    return float(thevenin.Prediction(given).take_step(state, 0.0, 60.0).voltage)


def resistance(seconds: float, capacity: float, extra_ohm: float) -> float:
    """Exact, of a step from no load held for `seconds`."""
    slow = sum(ohm * (1 - np.exp(-seconds / tau_s)) for ohm, tau_s in PAIRS)
    return float((R0_OHM + slow) / capacity + extra_ohm)


def make(seed: int, path: Path) -> None:
    plan = Plan("Mohtat2020", seed, charge="low", most_s=480.0)
    rng = np.random.default_rng(seed)
    members = groups(rng, plan)
    c = current_c(rng, plan, min(g.capacity * g.soc for g in members) - 0.03)
    rests, steps = np.arange(0, len(c), 100), np.arange(CALM_ROWS, len(c), 600)
    columns: dict[str, list[np.ndarray]] = {k: [] for k in ("volts", "rest", "ocv", "soc", "r_1s", "temp")}
    exact = []
    for g in members:
        extra_ohm = g.extra_r * resistance(1.0, 1.0, 0.0)
        given = parameters(g.soc, g.capacity, extra_ohm)
        ride = solve(given, c * CAPACITY_AH)
        columns["volts"].append(ride["volts"])
        columns["soc"].append(ride["soc"])
        columns["rest"].append(np.array([rested(given, ride["soc"][k], ride["etas"][k]) for k in rests]))
        columns["ocv"].append(np.asarray(curve_v(ride["soc"][rests])))
        columns["r_1s"].append(np.full(len(steps), resistance(1.0, g.capacity, extra_ohm)))
        columns["temp"].append(np.full(len(c), KELVIN - 273.15))
        exact.append({"kind": g.kind, "r_10s_ohm": resistance(10.0, g.capacity, extra_ohm)})
    soc = np.linspace(0, 1, 201)
    arrays = {k: np.array(v) for k, v in columns.items()} | {"c": c, "rest_row": rests, "step_row": steps}
    about = {
        "set": "circuit",
        "seed": seed,
        "ambient_c": KELVIN - 273.15,
        "capacity_ah": CAPACITY_AH,
        "full_v": FULL_V,
        "empty_v": 3.0,
        "step_c": median_step(c),
        "groups": exact,
        "made_with": {"thevenin": thevenin.__version__},
    }
    save(path, arrays | {"curve_soc": soc, "curve_v": np.asarray(curve_v(soc))}, about)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    warnings.simplefilter("ignore")
    make(args.seed, args.out)


if __name__ == "__main__":
    main()

"""Makes rides whose true rest voltage is known, from published electrochemical cell models. Law: truth is simulated.

    make truth                                                      all rides of rides.toml, into rides/
    python tests/truth/make.py --ride NAME --out DIR                one of them
    python tests/truth/make.py --mixed 60 --seed 200000 --out DIR    rides of every kind, drawn from their seeds
    python tests/truth/make.py --again 16 --seed 330000 --out DIR    two rides each of so many packs, to the reserve

A pack of five groups carries one current. A group at three cells of four is the same cell at 4/3 of the current; a
resistive one has a resistance in series. The rest voltage is what the model shows after 60 s at zero current; the 1 s
resistance is the difference of a second at rest and one at the ride's own median step. Needs the environment that
tests/tools/truth-environment makes.
"""

from __future__ import annotations

import argparse
import sys
import time
import tomllib
import warnings
from dataclasses import asdict
from pathlib import Path
from typing import Any

import casadi
import numpy as np
import pybamm
from cell import Cell, Solved
from packing import save
from riding import (
    CALM_ROWS,
    PEAK_C,
    STEP_S,
    Plan,
    current_c,
    first_row,
    groups,
    median_step,
    mixed_plans,
    repeated_plans,
    sensors,
)

HERE = Path(__file__).resolve().parent
REST_EVERY_S = 10.0
STEP_EVERY_S = 60.0
STOP_V = 0.55  # a ride ends when a group's loaded voltage falls to this share of its full voltage


def make_ride(plan: Plan) -> tuple[dict[str, np.ndarray], dict[str, Any]]:
    """One ride's arrays (see `packing`) and its description."""
    rng = np.random.default_rng(plan.seed)
    members = groups(rng, plan)
    lowest = min(g.capacity * g.soc for g in members)
    c = current_c(rng, plan, lowest - float(rng.uniform(0.015, 0.05)))
    cell = Cell(plan.parameters, plan.model, c, plan.ambient_c)
    step_c, stop_v = median_step(c), STOP_V * cell.full_v
    rides = [cell.ride(g.soc, 1 / g.capacity) for g in members]
    end = min(_end(ride.volts, stop_v) for ride in rides)
    rests = np.arange(0, end, int(REST_EVERY_S / STEP_S))
    steps = np.arange(CALM_ROWS, end, int(STEP_EVERY_S / STEP_S))
    own_r = _resistance(cell, rides[0], steps, step_c, 1 / members[0].capacity)
    columns: dict[str, list[np.ndarray]] = {k: [] for k in ("volts", "rest", "ocv", "soc", "r_1s", "temp")}
    for g, ride in zip(members, rides, strict=True):
        gain, extra_r = 1 / g.capacity, g.extra_r * float(np.median(own_r))
        gone = np.concatenate([[0.0], np.cumsum((c[1:] + c[:-1]) / 2 * STEP_S / 3600)])[:end] * gain
        columns["volts"].append(ride.volts[:end] - extra_r * c[:end] * cell.capacity_ah)
        columns["rest"].append(cell.volts_after(ride, rests, 60.0, 0.0))
        columns["soc"].append(g.soc - gone)
        columns["ocv"].append(np.interp(g.soc - gone[rests], cell.curve_soc, cell.curve_v))
        columns["r_1s"].append(_resistance(cell, ride, steps, step_c, gain) + extra_r)
        columns["temp"].append(ride.temperature_c[:end])
    arrays = {k: np.array(v) for k, v in columns.items()} | {"c": c[:end], "rest_row": rests, "step_row": steps}
    about = asdict(plan) | {
        "set": plan.parameters,
        "sensors": sensors(plan) if plan.sensors else None,
        "capacity_ah": cell.capacity_ah,
        "full_v": cell.full_v,
        "empty_v": cell.empty_v,
        "step_c": step_c,
        "groups": [asdict(g) for g in members],
        "made_with": {"pybamm": pybamm.__version__, "casadi": casadi.__version__, "numpy": np.__version__},
    }
    cut = _cut(arrays, first_row(c, plan), int(min(_end(volts, stop_v) for volts in arrays["volts"])))
    return cut | {"curve_soc": cell.curve_soc, "curve_v": cell.curve_v}, about


def _end(volts: np.ndarray, stop_v: float) -> int:
    """The first row at which a group breaks down or the solver has gone astray."""
    low = np.flatnonzero(~(volts >= stop_v))
    return int(low[0]) if len(low) else len(volts)


def _resistance(cell: Cell, ride: Solved, steps: np.ndarray, step_c: float, gain: float) -> np.ndarray:
    """1 s resistance of one cell's worth of pack current at the rows `steps`."""
    step_a = step_c * cell.capacity_ah
    still = cell.volts_after(ride, steps, 1.0, 0.0)
    return (still - cell.volts_after(ride, steps, 1.0, step_a * gain)) / step_a


def _cut(arrays: dict[str, np.ndarray], first: int, end: int) -> dict[str, np.ndarray]:
    keep = {k: arrays[k][..., first:end] for k in ("volts", "soc", "temp", "c")}
    for row, names in (("rest_row", ("rest", "ocv")), ("step_row", ("r_1s",))):
        inside = (arrays[row] >= first) & (arrays[row] < end)
        keep |= {k: arrays[k][..., inside] for k in names}
        keep[row] = arrays[row][inside] - first
    return keep


def write(plan: Plan, folder: Path) -> bool:
    """Make and save one ride; whether there was a solution worth keeping."""
    start = time.monotonic()
    try:
        arrays, about = make_ride(plan)
    except (pybamm.SolverError, RuntimeError) as error:
        print(f"{plan.name}: {error}", file=sys.stderr, flush=True)
        return False
    if len(arrays["c"]) < 2 * CALM_ROWS or not all(np.isfinite(arrays[k]).all() for k in ("rest", "r_1s")):
        print(f"{plan.name}: no solution, or over within a minute", file=sys.stderr, flush=True)
        return False
    path = folder / f"{plan.name}.npz"
    save(path, arrays, about)
    seconds, took = len(arrays["c"]) * STEP_S, time.monotonic() - start
    print(f"{path.name}: {seconds:.0f} s, {path.stat().st_size} bytes, made in {took:.1f} s", flush=True)
    return True


def kept_plans() -> list[Plan]:
    """The rides that are kept in `rides/`."""
    with (HERE / "rides.toml").open("rb") as file:
        return [Plan(**ride) for ride in tomllib.load(file)["ride"]]


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, default=HERE / "rides")
    parser.add_argument("--ride", help="only this one of rides.toml")
    parser.add_argument("--mixed", type=int, default=0, metavar="COUNT", help="so many rides of every kind instead")
    parser.add_argument("--again", type=int, default=0, metavar="PACKS", help="two rides each of so many packs instead")
    parser.add_argument("--seed", type=int, default=0, help="the first seed of --mixed or --again")
    parser.add_argument("--model", choices=("SPMe", "DFN"), default="SPMe", help="of --mixed")
    parser.add_argument("--cell", choices=sorted(PEAK_C), help="of --mixed: rides of this parameter set alone")
    args = parser.parse_args()
    warnings.simplefilter("ignore")
    args.out.mkdir(parents=True, exist_ok=True)
    mixed = mixed_plans(args.seed, args.mixed, args.model, args.cell)
    drawn = mixed or repeated_plans(args.seed, args.again)
    plans = drawn or kept_plans()
    chosen = [plan for plan in plans if args.ride in (None, plan.name)]
    made = sum(write(plan, args.out) for plan in chosen)
    print(f"{made} of {len(chosen)} rides, in {args.out}")
    return 0 if chosen and (made == len(chosen) or drawn) else 1


if __name__ == "__main__":
    sys.exit(main())

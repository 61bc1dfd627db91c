"""What is left above the reserve, said by one who knows the cells whole but not how the ride goes on.

    python tests/truth/known_cell.py --again 16 --seed 330000

Law: no estimate can be asked to do better. Rides as `make.py --again` makes them, without LFP. At four moments from
half charge of the weakest group down, the last ten minutes of riding are taken to go on again and again, and the model
is solved on until that group's rest voltage is at `rest_low`'s limit; beside it stands what the ride then really gave.
What differs is the rider alone. Where less than half a minute was ridden nothing is said.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from dataclasses import dataclass

import numpy as np
import pybamm
from cell import Cell
from riding import CALM_ROWS, STEP_S, Group, Plan, current_c, groups, median_step, repeated_plans

LAST_ROWS, LEAST_ROWS = int(600 / STEP_S), int(30 / STEP_S)
REST_ROWS = int(10 / STEP_S)
RESERVE_SOC = 0.10  # `rest_low` is at the curve's voltage there
WAYS = (0.999, 0.5, 0.25, 0.1)  # of the charge between the reserve and half, or the start
RELATIVE, ALLOWANCE = 0.10, 0.02
CLASSES = ((0.0, 0.05), (0.05, 0.12), (0.12, 1.0))  # by what is left of the full pack


@dataclass(frozen=True)
class Pack:
    """Groups of one plan; own_r: ohms of a cell, which extra resistances are told against; weakest: its number;
    full_wh: of the whole pack, for one cell in parallel."""

    plan: Plan
    members: list[Group]
    own_r: float
    weakest: int
    full_wh: float


def ridden(pack: Pack, c: np.ndarray, row: int) -> tuple[np.ndarray, float]:
    """Wh drawn at the terminals until each row, for one cell in parallel, and the row of the reserve, looked for from
    `row` on; NaN where it is not reached. Of groups of one kind one is solved, they differ by a hundredth.
    """
    cell = Cell(pack.plan.parameters, pack.plan.model, c, pack.plan.ambient_c)
    volts, end = np.zeros(len(c)), float("nan")
    kinds = [member.kind for member in pack.members]
    for kind in dict.fromkeys(kinds):
        which = pack.weakest if kind == kinds[pack.weakest] else kinds.index(kind)
        member = pack.members[which]
        ride = cell.ride(member.soc, 1 / member.capacity)
        rows = min(len(ride.volts), len(volts))
        extra_v = member.extra_r * pack.own_r * c[:rows] * cell.capacity_ah
        volts = volts[:rows] + kinds.count(kind) * (ride.volts[:rows] - extra_v)
        if which == pack.weakest:
            looked = np.arange(row, len(ride.volts), REST_ROWS)
            end = _reached(cell, looked, cell.volts_after(ride, looked, 60.0, 0.0))
    power_w = volts * c[: len(volts)] * cell.capacity_ah
    return np.concatenate([[0.0], np.cumsum((power_w[1:] + power_w[:-1]) / 2 * STEP_S / 3600.0)]), end


def _reached(cell: Cell, rows: np.ndarray, rest: np.ndarray) -> float:
    """Where the rest voltage, of each of `rows`, falls to the limit."""
    limit_v = float(np.interp(RESERVE_SOC, cell.curve_soc, cell.curve_v))
    below = np.flatnonzero(rest < limit_v)
    if not len(below) or not below[0]:
        return float("nan")
    two = slice(below[0] - 1, below[0] + 1)
    return float(np.interp(-limit_v, -rest[two], rows[two]))


def planned(plan: Plan) -> tuple[Pack, np.ndarray]:
    """As `make.make_ride` draws them, and the current."""
    rng = np.random.default_rng(plan.seed)
    members = groups(rng, plan)
    lowest = min(g.capacity * g.soc for g in members)
    c = current_c(rng, plan, lowest - float(rng.uniform(0.015, 0.05)))
    cell = Cell(plan.parameters, plan.model, c, plan.ambient_c)
    ride, step_a = cell.ride(members[0].soc, 1 / members[0].capacity), median_step(c) * cell.capacity_ah
    steps = np.arange(CALM_ROWS, len(ride.volts), int(60 / STEP_S))
    drop_v = cell.volts_after(ride, steps, 1.0, 0.0) - cell.volts_after(ride, steps, 1.0, step_a / members[0].capacity)
    weakest = int(np.argmin([g.capacity * (g.soc - RESERVE_SOC) for g in members]))
    return Pack(plan, members, float(np.median(drop_v)) / step_a, weakest, full_wh=len(members) * _cell_wh(cell)), c


def _cell_wh(cell: Cell) -> float:
    return cell.capacity_ah * float(cell.curve_v.mean())


def judged(plan: Plan) -> list[tuple[float, float]]:
    """What was left and what was foreseen at each moment, as shares of the full pack; printed as well."""
    pack, c = planned(plan)
    drawn, end = ridden(pack, c, CALM_ROWS)
    if np.isnan(end):
        return []
    group = pack.members[pack.weakest]
    soc = group.soc - np.concatenate([[0.0], np.cumsum((c[1:] + c[:-1]) / 2 * STEP_S / 3600.0)]) / group.capacity
    at_end, made = float(soc[int(end)]), []
    for way in WAYS:
        wanted = at_end + way * (min(0.5, group.soc) - at_end)
        row = max(int(np.argmin(np.abs(soc - wanted))), CALM_ROWS)
        span = min(LAST_ROWS, row - CALM_ROWS)
        if span < LEAST_ROWS:
            continue
        left_wh = float(np.interp(end, np.arange(len(drawn)), drawn)) - drawn[row]
        more = 2 * (int(end) - row) + LAST_ROWS
        again = np.tile(c[row - span : row], more // span + 1)[:more]
        other, other_end = ridden(pack, np.concatenate([c[:row], again]), row)
        foreseen_wh = float(np.interp(other_end, np.arange(len(other)), other)) - other[row]
        made.append((left_wh / pack.full_wh, foreseen_wh / pack.full_wh))
        print(f"{plan.name:20s} {soc[row]:.3f}: {left_wh:6.2f} Wh, foreseen {foreseen_wh:6.2f}", flush=True)
    return made


def line(label: str, made: np.ndarray) -> str:
    """made: (moments, 2) as `judged`."""
    true, said = made.T
    off = np.abs(said - true)
    return (
        f"{label:24s}{len(made):4d}  {np.mean(off <= RELATIVE * true):6.1%}  "
        f"{np.mean(off <= np.maximum(RELATIVE * true, ALLOWANCE)):6.1%}  {np.sqrt(np.mean(off**2)):7.2%}"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--again", type=int, required=True, metavar="PACKS", help="two rides each of so many packs")
    parser.add_argument("--seed", type=int, default=0, help="the first seed")
    args = parser.parse_args()
    warnings.simplefilter("ignore")
    made: list[tuple[float, float]] = []
    for plan in repeated_plans(args.seed, args.again):
        if plan.parameters == "Prada2013":
            continue
        try:
            made += judged(plan)
        except (pybamm.SolverError, RuntimeError) as error:
            print(f"{plan.name}: {error}", file=sys.stderr, flush=True)
    table = np.array(made).reshape(-1, 2)
    table = table[np.isfinite(table).all(axis=1)]
    print(f"{'left of the full pack':22s}moments    10 %  or 2 %  rms of it")
    for low, high in CLASSES:
        some = table[(table[:, 0] >= low) & (table[:, 0] < high)]
        if len(some):
            print(line(f"{low:.0%} to {high:.0%}", some))
    if len(table):
        print(line("all", table))
    return 0 if len(table) else 1


if __name__ == "__main__":
    sys.exit(main())

"""Makes rides whose true rest voltage is known, from published electrochemical cell models. Law: truth is simulated.

    pip install pybamm==26.10.1.1
    python tests/daemon/estimate/make_truth.py --out DIR --seed 1 --set Chen2020 Mohtat2020 --rides 2

Model: single-particle model with electrolyte, lumped heat (PyBaMM, BSD-3-Clause). A pack of a few groups carries one
bursty current. A group at three cells of four is the same cell at 4/3 of the current; a resistive one has a resistance
in series. The rest voltage is what the model shows after 60 s at zero current, solved afresh from the state of that
moment; the 1 s resistance likewise from a step of the ride's own median size. The solver's step is capped at 0.3 s,
else it skips bursts. Not run by the tests: they read the few rides kept in `truth/`, where PROVENANCE.md says how.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import pybamm

STEP_S = 0.1
REST_EVERY_S = 10.0
STEP_EVERY_S = 60.0
STOP_V = 0.55  # a ride ends when a group's loaded voltage falls to this share of its full voltage
# The hardest current, in C, that each published cell model still carries near empty.
PEAK_C = {
    "Chen2020": 3.0,
    "OKane2022": 3.0,
    "ORegan2022": 3.0,
    "Mohtat2020": 6.0,
    "Ai2020": 5.0,
    "NCA_Kim2011": 6.0,
    "Ecker2015": 6.0,
    "Marquis2019": 5.0,
    "Prada2013": 5.0,
}


@dataclass(frozen=True)
class Group:
    """capacity: share of the stated one. extra_r: series resistance over the cell's own. soc: at the start."""

    kind: str
    capacity: float
    extra_r: float
    soc: float


def groups(rng: np.random.Generator, weak: bool) -> list[Group]:
    """Three healthy groups, one that lost capacity (a quarter, or a tenth), one of raised resistance."""
    start = float(rng.uniform(0.93, 0.99))
    healthy = [
        Group("healthy", 1 + rng.normal(0, 0.01), abs(rng.normal(0, 0.05)), start + rng.normal(0, 0.003))
        for _ in range(3)
    ]
    lost = Group("weak", 0.75, 0.0, start) if weak else Group("worn", 0.90, 0.0, start)
    return [*healthy, lost, Group("resistive", 1.0, 0.4, start)]


def _spell(rng: np.random.Generator, peak: float) -> tuple[float, float]:
    """Seconds and C of one spell of riding."""
    kind = rng.choice(["sprint", "pull", "cruise", "coast", "regen", "stop"], p=[0.3, 0.17, 0.2, 0.19, 0.1, 0.04])
    spans = {
        "sprint": ((1, 6), (0.5 * peak, peak)),
        "pull": ((8, 30), (0.25 * peak, 0.6 * peak)),
        "cruise": ((5, 30), (0.3, 1.2)),
        "coast": ((2, 10), (0.0, 0.03)),
        "regen": ((1, 4), (-1.0, -0.3)),
        "stop": ((10, 60), (0.005, 0.01)),
    }[str(kind)]
    return float(rng.uniform(*spans[0])), float(rng.uniform(*spans[1]))


def ride_c(rng: np.random.Generator, peak: float, used: float) -> np.ndarray:
    """C-rate at 10 Hz: half a minute of rest, then spells until `used` of the stated capacity is gone."""
    parts = [np.full(300, 0.005)]
    gone = 0.0
    while gone < used:
        seconds, level = _spell(rng, peak)
        parts.append(np.full(max(int(seconds / STEP_S), 1), level))
        gone += seconds * level / 3600
    raw = np.concatenate(parts)
    wobble = np.convolve(rng.normal(0, 1, len(raw)), np.full(10, 0.1), "same")
    raw = raw * (1 + 0.25 * wobble)
    throttle = np.convolve(raw, np.full(4, 0.25), "same")
    throttle[:300] = raw[:300]
    return throttle


def median_step(c: np.ndarray) -> float:
    """Median of the rises over 1 s of at least 1C, each taken where it is steepest."""
    rise = c[10:] - c[:-10]
    steep = [i for i in range(10, len(rise) - 10) if rise[i] >= 1 and rise[i] == rise[i - 10 : i + 11].max()]
    return float(np.median(rise[steep])) if steep else 2.0


class Cell:
    """One parameter set under one ride's current, solved for any number of groups."""

    def __init__(self, name: str, c: np.ndarray, ambient_c: float) -> None:
        values = pybamm.ParameterValues(name)
        param = pybamm.LithiumIonParameters()
        x0, x1, y1, y0 = pybamm.lithium_ion.ElectrodeSOHSolver(values, param).get_min_max_stoichiometries()
        self.stoich = (x0, x1, y0, y1)
        self.curve_soc, self.curve_v = self._curve(values, param)
        self.full_v = float(self.curve_v[-1])
        self.empty_v = float(self.curve_v[0])
        self.capacity_ah = float(values.evaluate(param.n.prim.Q_init)) * (x1 - x0)
        self._c_n = float(values["Maximum concentration in negative electrode [mol.m-3]"])
        self._c_p = float(values["Maximum concentration in positive electrode [mol.m-3]"])
        times = np.arange(len(c)) * STEP_S
        current = pybamm.Interpolant(times, c * self.capacity_ah, pybamm.t, interpolator="linear")
        values["Current function [A]"] = current * pybamm.InputParameter("gain") + pybamm.InputParameter("extra")
        values["Ambient temperature [K]"] = 273.15 + ambient_c
        values["Initial temperature [K]"] = 273.15 + ambient_c
        values["Initial concentration in negative electrode [mol.m-3]"] = pybamm.InputParameter("c_n")
        values["Initial concentration in positive electrode [mol.m-3]"] = pybamm.InputParameter("c_p")
        self.times = times
        model = pybamm.lithium_ion.SPMe({"thermal": "lumped"})
        model.events = []
        self._solver = pybamm.IDAKLUSolver(atol=1e-6, rtol=1e-5, options={"dt_max": 0.3})
        self._calm_solver = pybamm.IDAKLUSolver(  # for constant current: nothing to skip
            atol=1e-6, rtol=1e-5, output_variables=["Terminal voltage [V]"]
        )
        simulation = pybamm.Simulation(model, parameter_values=values, solver=self._solver)
        simulation.build()
        self._model = simulation.built_model

    def _curve(self, values: pybamm.ParameterValues, param: object) -> tuple[np.ndarray, np.ndarray]:
        x0, x1, y0, y1 = self.stoich
        soc = np.concatenate([np.linspace(0, 0.1, 51), np.linspace(0.11, 0.96, 86), np.linspace(0.965, 1, 15)])
        x, y = pybamm.InputParameter("x"), pybamm.InputParameter("y")
        ocv = values.process_symbol(param.p.prim.U(y, param.T_ref) - param.n.prim.U(x, param.T_ref))
        pairs = zip(x0 + soc * (x1 - x0), y0 + soc * (y1 - y0), strict=True)
        return soc, np.array([float(np.ravel(ocv.evaluate(inputs={"x": a, "y": b}))[0]) for a, b in pairs])

    def inputs(self, soc: float, gain: float, extra: float = 0.0) -> dict[str, float]:
        x0, x1, y0, y1 = self.stoich
        c_n, c_p = (x0 + soc * (x1 - x0)) * self._c_n, (y0 + soc * (y1 - y0)) * self._c_p
        return {"gain": gain, "extra": extra, "c_n": c_n, "c_p": c_p}

    def ride(self, soc: float, gain: float) -> pybamm.Solution:
        return self._solver.solve(self._model, [0, self.times[-1]], t_interp=self.times, inputs=self.inputs(soc, gain))

    def volts_after(self, ride: pybamm.Solution, row: int, seconds: float, current_a: float) -> float:
        """Terminal volts `seconds` after the ride's current is replaced by `current_a` at `row`."""
        inputs = self.inputs(0.5, 0.0, current_a)
        state = pybamm.Solution(np.array([ride.t[row]]), ride.all_ys[0][:, row : row + 1], self._model, inputs)
        after = self._calm_solver.step(state, self._model, seconds, inputs=inputs, save=False)
        return float(after["Terminal voltage [V]"].entries[-1])


def make_ride(name: str, seed: int, ambient_c: float, weak: bool) -> tuple[dict[str, np.ndarray], dict[str, object]]:
    """One ride's arrays (see `pack_arrays`) and its description."""
    rng = np.random.default_rng(seed)
    members = groups(rng, weak)
    lowest = min(g.capacity * g.soc for g in members)
    c = ride_c(rng, PEAK_C[name], lowest - float(rng.uniform(0.015, 0.05)))
    cell = Cell(name, c, ambient_c)
    step_c = median_step(c)
    rests, steps = np.arange(0, len(c), int(REST_EVERY_S / STEP_S)), np.arange(300, len(c), int(STEP_EVERY_S / STEP_S))
    own_r = None
    columns: dict[str, list[np.ndarray]] = {k: [] for k in ("volts", "rest", "ocv", "soc", "r_1s", "temp")}
    for g in members:
        gain = 1 / g.capacity
        ride = cell.ride(g.soc, gain)
        volts = ride["Terminal voltage [V]"].entries
        still = np.array([cell.volts_after(ride, k, 1.0, 0.0) for k in steps])
        under = np.array([cell.volts_after(ride, k, 1.0, step_c * cell.capacity_ah * gain) for k in steps])
        r_1s = (still - under) / (step_c * cell.capacity_ah)
        own_r = float(np.median(r_1s)) if own_r is None else own_r
        extra_r = g.extra_r * own_r
        gone = np.concatenate([[0.0], np.cumsum((c[1:] + c[:-1]) / 2 * STEP_S / 3600)]) * gain
        columns["volts"].append(volts - extra_r * c * cell.capacity_ah)
        columns["rest"].append(np.array([cell.volts_after(ride, k, 60.0, 0.0) for k in rests]))
        columns["soc"].append(g.soc - gone)
        columns["ocv"].append(np.interp(g.soc - gone[rests], cell.curve_soc, cell.curve_v))
        columns["r_1s"].append(r_1s + extra_r)
        columns["temp"].append(ride["Volume-averaged cell temperature [K]"].entries - 273.15)
    arrays = {k: np.array(v) for k, v in columns.items()}
    arrays |= {"c": c, "rest_row": rests, "step_row": steps, "curve_soc": cell.curve_soc, "curve_v": cell.curve_v}
    about = {
        "set": name,
        "seed": seed,
        "ambient_c": ambient_c,
        "capacity_ah": cell.capacity_ah,
        "full_v": cell.full_v,
        "empty_v": cell.empty_v,
        "step_c": step_c,
        "groups": [asdict(g) for g in members],
        "pybamm": pybamm.__version__,
    }
    return _until_stopped(arrays, STOP_V * cell.full_v), about


def _until_stopped(arrays: dict[str, np.ndarray], stop_v: float) -> dict[str, np.ndarray]:
    low = np.flatnonzero((arrays["volts"] < stop_v).any(axis=0) | ~np.isfinite(arrays["volts"]).all(axis=0))
    end = int(low[0]) if len(low) else len(arrays["c"])
    keep = {k: arrays[k][..., :end] for k in ("volts", "soc", "temp", "c")}
    for row, names in (("rest_row", ("rest", "ocv")), ("step_row", ("r_1s",))):
        count = int(np.searchsorted(arrays[row], end))
        keep |= {k: arrays[k][..., :count] for k in (row, *names)}
    return keep | {k: arrays[k] for k in ("curve_soc", "curve_v")}


def pack_arrays(arrays: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Integers, long columns as differences: volts, rest, ocv and curve in 0.1 mV, c in 0.001C, temp in 0.01 degC
    (mean of the groups, one in ten rows), r_1s in 1e-6 Ω for one cell, soc in 1e-4 at the rest rows."""

    def whole(x: np.ndarray, step: float) -> np.ndarray:
        return np.round(x / step).astype(np.int32)

    def diff(x: np.ndarray) -> np.ndarray:
        return np.diff(x, axis=-1, prepend=0).astype(np.int32)

    soc = arrays["soc"][:, arrays["rest_row"]]
    return {
        "volts_diff": diff(whole(arrays["volts"], 1e-4)),
        "c_diff": diff(whole(arrays["c"], 1e-3)),
        "temp": whole(arrays["temp"].mean(axis=0)[::10], 0.01),
        "rest": whole(arrays["rest"], 1e-4),
        "ocv": whole(arrays["ocv"], 1e-4),
        "soc": whole(soc, 1e-4),
        "r_1s": whole(arrays["r_1s"], 1e-6),
        "rest_row": arrays["rest_row"].astype(np.int32),
        "step_row": arrays["step_row"].astype(np.int32),
        "curve_soc": whole(arrays["curve_soc"], 1e-4),
        "curve_v": whole(arrays["curve_v"], 1e-4),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--set", nargs="+", default=["Chen2020"], choices=sorted(PEAK_C))
    parser.add_argument("--rides", type=int, default=1, help="rides of each set")
    parser.add_argument("--ambient", type=float, nargs="+", default=[25.0], help="degC, taken in turn")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    for name in args.set:
        for k in range(args.rides):
            seed, ambient = args.seed * 1000 + k, args.ambient[k % len(args.ambient)]
            try:
                arrays, about = make_ride(name, seed, ambient, weak=k % 2 == 0)
            except pybamm.SolverError as error:
                print(f"{name} {seed}: {error}", file=sys.stderr)
                continue
            path = args.out / f"{name.lower()}_{seed}.npz"
            np.savez_compressed(path, about=json.dumps(about), **pack_arrays(arrays))
            print(f"{path.name}: {len(arrays['c']) * STEP_S:.0f} s, {path.stat().st_size} bytes")


if __name__ == "__main__":
    main()

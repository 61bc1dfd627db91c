"""One published cell under one ride's current, by PyBaMM. Law: what is called truth is solved, not a formula of ours.

Model: single-particle model with electrolyte or Doyle-Fuller-Newman, lumped heat (PyBaMM, BSD-3-Clause). The solver's
step is capped at 0.3 s, else it skips bursts. What follows when the current of a moment is replaced by another is
solved afresh from the model's whole state of that moment, by CasADi's integrators on the same discretised model.
"""

from __future__ import annotations

from dataclasses import dataclass

import casadi
import numpy as np
import pybamm
from riding import STEP_S

VOLTS = "Terminal voltage [V]"
KELVIN = "Volume-averaged cell temperature [K]"
MODELS = {"SPMe": pybamm.lithium_ion.SPMe, "DFN": pybamm.lithium_ion.DFN}
TOLERANCES = {"abstol": 1e-6, "reltol": 1e-5}
# State no heat capacities, or no volume: solved at the ambient temperature; the first has no law of temperature either.
NO_HEAT = ("Prada2013", "Ramadass2004")
CHANGES = 8  # in which the current goes from one value to another


@dataclass(frozen=True, eq=False)
class Solved:
    """One group's ride. volts, temperature_c, current_a: (rows,). states: (states, rows). start: concentrations."""

    volts: np.ndarray
    temperature_c: np.ndarray
    states: np.ndarray
    current_a: np.ndarray
    start: tuple[float, float]


class Cell:
    """One parameter set under one ride's current `c`, solved for any number of groups."""

    def __init__(self, parameters: str, model: str, c: np.ndarray, ambient_c: float) -> None:
        values = pybamm.ParameterValues(parameters)
        param = pybamm.LithiumIonParameters()
        x0, x1, y1, y0 = pybamm.lithium_ion.ElectrodeSOHSolver(values, param).get_min_max_stoichiometries()
        self.stoich = (x0, x1, y0, y1)
        self.curve_soc, self.curve_v = self._curve(values, param)
        self.full_v = float(self.curve_v[-1])
        self.empty_v = float(self.curve_v[0])
        self.capacity_ah = float(values.evaluate(param.n.prim.Q_init)) * (x1 - x0)
        self._c_n = float(values["Maximum concentration in negative electrode [mol.m-3]"])
        self._c_p = float(values["Maximum concentration in positive electrode [mol.m-3]"])
        values["Ambient temperature [K]"] = 273.15 + ambient_c
        values["Initial temperature [K]"] = 273.15 + ambient_c
        thermal = "isothermal" if parameters in NO_HEAT else "lumped"
        values["Initial concentration in negative electrode [mol.m-3]"] = pybamm.InputParameter("c_n")
        values["Initial concentration in positive electrode [mol.m-3]"] = pybamm.InputParameter("c_p")
        self._after = After(model, thermal, values)
        self._ride(model, thermal, values, c)

    def _ride(self, model: str, thermal: str, values: pybamm.ParameterValues, c: np.ndarray) -> None:
        self._times = np.arange(len(c)) * STEP_S
        self._current_a = c * self.capacity_ah
        current = pybamm.Interpolant(self._times, self._current_a, pybamm.t, interpolator="linear")
        values["Current function [A]"] = current * pybamm.InputParameter("gain")
        self._solver = pybamm.IDAKLUSolver(atol=1e-6, rtol=1e-5, options={"dt_max": 0.3})
        self._model = built(model, thermal, values, self._solver)

    def _curve(self, values: pybamm.ParameterValues, param: object) -> tuple[np.ndarray, np.ndarray]:
        x0, x1, y0, y1 = self.stoich
        soc = np.concatenate([np.linspace(0, 0.1, 51), np.linspace(0.11, 0.96, 86), np.linspace(0.965, 1, 15)])
        x, y = pybamm.InputParameter("x"), pybamm.InputParameter("y")
        ocv = values.process_symbol(param.p.prim.U(y, param.T_ref) - param.n.prim.U(x, param.T_ref))
        pairs = zip(x0 + soc * (x1 - x0), y0 + soc * (y1 - y0), strict=True)
        return soc, np.array([float(np.ravel(ocv.evaluate(inputs={"x": a, "y": b}))[0]) for a, b in pairs])

    def ride(self, soc: float, gain: float) -> Solved:
        """From a charge of `soc` at equilibrium, with `gain` times the ride's current."""
        x0, x1, y0, y1 = self.stoich
        c_n, c_p = (x0 + soc * (x1 - x0)) * self._c_n, (y0 + soc * (y1 - y0)) * self._c_p
        inputs = {"gain": gain, "c_n": c_n, "c_p": c_p}
        solution = self._solver.solve(self._model, [0, self._times[-1]], t_interp=self._times, inputs=inputs)
        states = solution.all_ys[0]
        current = self._current_a[: states.shape[1]] * gain
        return Solved(*self._after.seen(states, current, (c_n, c_p)), states, current, (c_n, c_p))

    def volts_after(self, ride: Solved, rows: np.ndarray, seconds: float, current_a: float) -> np.ndarray:
        """Terminal volts `seconds` after the current of each of `rows` is replaced by `current_a`."""
        return self._after.volts(ride.states[:, rows], seconds, ride.current_a[rows], current_a, ride.start)


def built(
    model: str, thermal: str, values: pybamm.ParameterValues, solver: pybamm.BaseSolver | None = None
) -> pybamm.BaseModel:
    """The discretised model, without the events that would end a solution."""
    chosen = MODELS[model]({"thermal": thermal})
    chosen.events = []
    simulation = pybamm.Simulation(chosen, parameter_values=values, solver=solver)
    simulation.build()
    return simulation.built_model


class After:
    """The model at constant current, from any state of it.

    start: the concentrations that the ride began with, since some of a model's states are told against them.
    """

    def __init__(self, model: str, thermal: str, values: pybamm.ParameterValues) -> None:
        values = values.copy()
        values["Current function [A]"] = pybamm.InputParameter("constant")
        exported = built(model, thermal, values).export_casadi_objects([VOLTS, KELVIN], ["constant", "c_n", "c_p"])
        x, z, p = exported["x"], exported["z"], exported["inputs"]
        self._differential = x.shape[0]
        self._equations = {"x": x, "p": p, "ode": exported["rhs"]}
        self._method = "cvodes"
        if z.shape[0]:
            self._equations |= {"z": z, "alg": exported["algebraic"]}
            self._method = "idas"
            balance = {"x": z, "p": casadi.vertcat(x, p), "g": exported["algebraic"]}
            self._balance = casadi.rootfinder("balance", "newton", balance, {"abstol": 1e-9, "max_iter": 100})
        variables = exported["variables"]
        self._seen = casadi.Function("seen", [x, z, p], [variables[VOLTS], variables[KELVIN]])
        self._integrators: dict[float, casadi.Function] = {}

    def seen(
        self, states: np.ndarray, current_a: np.ndarray, start: tuple[float, float]
    ) -> tuple[np.ndarray, np.ndarray]:
        """Terminal volts and degC, (rows,), of (states, rows) under (rows,) of current."""
        x, z = states[: self._differential], states[self._differential :]
        volts, kelvin = self._seen.map(len(current_a))(x, z, _inputs(current_a, start))
        return np.ravel(volts), np.ravel(kelvin) - 273.15

    def volts(
        self, states: np.ndarray, seconds: float, before_a: np.ndarray, current_a: float, start: tuple[float, float]
    ) -> np.ndarray:
        """(moments,) volts `seconds` after the current of (states, moments) went from `before_a` to `current_a`."""
        count = states.shape[1]
        if not count:
            return np.empty(0)
        if seconds not in self._integrators:
            self._integrators[seconds] = casadi.integrator(
                "after", self._method, self._equations, 0.0, seconds, dict(TOLERANCES)
            )
        x, z = states[: self._differential], states[self._differential :]
        if len(z):
            z = self._rebalanced(x, z, before_a, current_a, start)
        current = np.full(count, current_a)
        end = self._integrators[seconds].map(count)(x0=x, z0=z, p=_inputs(current, start))
        return self.seen(np.vstack([end["xf"], end["zf"]]), current, start)[0]

    def _rebalanced(
        self, x: np.ndarray, z: np.ndarray, before_a: np.ndarray, current_a: float, start: tuple[float, float]
    ) -> np.ndarray:
        """Potentials that fit the new current; found by small changes, since Newton's method needs a near start."""
        solve = self._balance.map(len(before_a))
        for part in np.linspace(0, 1, CHANGES + 1)[1:]:
            current = before_a + part * (current_a - before_a)
            z = np.array(solve(x0=z, p=np.vstack([x, _inputs(current, start)]))["x"])
        return z


def _inputs(current_a: np.ndarray, start: tuple[float, float]) -> np.ndarray:
    return np.vstack([current_a, np.full(len(current_a), start[0]), np.full(len(current_a), start[1])])

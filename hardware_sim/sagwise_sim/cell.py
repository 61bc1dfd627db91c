"""Cell groups as physics. Law: charge is conserved, heat is what voltage loses, rest is solved, not guessed.

All groups at once: parameters are (groups,) arrays, a state is (6, groups). The voltage under load is

    V = OCV(z - fast diffusion - slow diffusion) - I·R_ohmic - transfer(I) - fast polarisation - slow polarisation

where `transfer` follows Butler-Volmer (2RT/F · asinh(I / 2 I0): resistance falls with current), resistances
grow near empty and in the cold (Arrhenius), and diffusion acts inside the curve, so that it bites where the curve
bends. Every element is exact for a current that is constant over the step, so a step may have any length over which
the temperature hardly changes. Current is in amperes through the group, positive while discharging.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from sagwise_sim.curves import Curve, Floats

GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018
FARADAY = 96485.33212  # C/mol, CODATA 2018
KELVIN = 273.15
REFERENCE_K = 298.15

# Activation energies, J/mol. Ohmic 20 kJ/mol (electrolyte), charge transfer 35, solid diffusion 30: usual figures of
# published cell parameter sets, from memory.
_ACTIVATION = np.array([[20_000.0], [35_000.0], [30_000.0]]) / GAS_CONSTANT

# How a cell's stated 1 s resistance is shared out, chosen by hand: ohmic, transfer at small current, fast and slow
# polarisation. The fast element has spoken 60 % after 1 s, so the 1 s sum is the stated value at small current.
OHMIC_SHARE, TRANSFER_SHARE, FAST_SHARE, SLOW_SHARE = 0.45, 0.40, 0.25, 0.30
FAST_S, SLOW_S = 1.1, 18.0
FAST_DIFFUSION_S, SLOW_DIFFUSION_S = 45.0, 260.0  # at 25 degC
FAST_DIFFUSION_PER_C, SLOW_DIFFUSION_PER_C = 0.004, 0.006  # charge the surface lags by, per C of steady current
_DIFFUSION_RATES = np.array([[-1.0 / FAST_DIFFUSION_S], [-1.0 / SLOW_DIFFUSION_S]])
_EMPTY_GROWTH, _EMPTY_WIDTH = 0.8, 0.06  # resistances are 1.8 times as large at empty

_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(5)


class Row(IntEnum):
    """Rows of a state."""

    CHARGE = 0  # state of charge, 0 to 1
    FAST = 1  # fast polarisation, V
    SLOW = 2  # slow polarisation, V
    FAST_DIFFUSION = 3  # surface charge below the mean, as state of charge
    SLOW_DIFFUSION = 4
    TEMPERATURE = 5  # K


@dataclass(slots=True, eq=False)
class Groups:
    """What the groups are made of; (groups,) arrays at 25 degC unless stated. Faults change them in place.

    charge_c: capacity in coulombs. ohmic_ohm: without the joint. exchange_a: exchange current of the whole group.
    fast_ohm, slow_ohm: polarisation. joint_ohm: connections, neither warm nor cold. heat_j_per_k: heat capacity.
    cooling_w_per_k: to the air. ambient_k: of that air.
    """

    curve: Curve
    charge_c: Floats
    ohmic_ohm: Floats
    exchange_a: Floats
    fast_ohm: Floats
    slow_ohm: Floats
    joint_ohm: Floats
    heat_j_per_k: Floats
    cooling_w_per_k: Floats
    ambient_k: float

    @property
    def count(self) -> int:
        return len(self.charge_c)


def arrhenius(activation_j_per_mol: float, temperature_k: float) -> float:
    """How many times slower a process runs than at 25 degC (resistance factor)."""
    return float(np.exp(activation_j_per_mol / GAS_CONSTANT * (1.0 / temperature_k - 1.0 / REFERENCE_K)))


def resting(charge: Floats, temperature_k: float) -> Floats:
    """A state fully relaxed at `charge` (groups,) and one temperature; (6, groups)."""
    state = np.zeros((len(Row), len(charge)))
    state[Row.CHARGE] = charge
    state[Row.TEMPERATURE] = temperature_k
    return state


@dataclass(frozen=True, slots=True, eq=False)
class Conditions:
    """What a state makes of the cells, worked out once a state; (groups,) arrays.

    surface_v: equilibrium voltage of the surface. ohmic_ohm: as now. transfer_per_a: argument of the asinh for each
    ampere. thermal_v: 2RT/F. polarising: how much more the relaxations resist than at 25 degC and full. slower: how
    much more slowly diffusion runs.
    """

    surface_v: Floats
    ohmic_ohm: Floats
    transfer_per_a: Floats
    thermal_v: Floats
    polarising: Floats
    slower: Floats


def conditions(groups: Groups, state: Floats) -> Conditions:
    """The conditions in a state."""
    temperature = state[Row.TEMPERATURE]
    surface = state[Row.CHARGE] - state[Row.FAST_DIFFUSION] - state[Row.SLOW_DIFFUSION]
    ohmic, transfer, diffusion = np.exp(_ACTIVATION * (1.0 / temperature - 1.0 / REFERENCE_K))
    growth = 1.0 + _EMPTY_GROWTH * np.exp(np.maximum(surface, 0.0) * (-1.0 / _EMPTY_WIDTH))
    polarising = transfer * growth
    return Conditions(
        surface_v=groups.curve.ocv(surface),
        ohmic_ohm=groups.ohmic_ohm * ohmic * growth,
        transfer_per_a=0.5 * polarising / groups.exchange_a,
        thermal_v=(2.0 * GAS_CONSTANT / FARADAY) * temperature,
        polarising=polarising,
        slower=diffusion,
    )


def voltage(groups: Groups, state: Floats, now: Conditions, current_a: float) -> Floats:
    """Loaded voltage of each group, V; (groups,)."""
    return np.asarray(now.surface_v - _drop(state, now, current_a) - current_a * groups.joint_ohm)


def step(groups: Groups, state: Floats, now: Conditions, current_a: float, dt_s: float) -> Floats:
    """The state after `dt_s` seconds of constant current; a new array."""
    target, decay = _targets(groups, now, current_a, dt_s)
    lost_v = groups.curve.ocv(state[Row.CHARGE]) - now.surface_v + _drop(state, now, current_a)
    after = np.empty_like(state)
    after[Row.CHARGE] = state[Row.CHARGE] - current_a * dt_s / groups.charge_c
    after[1:5] = target + (state[1:5] - target) * decay
    after[Row.TEMPERATURE] = _temperature(groups, state[Row.TEMPERATURE], current_a * lost_v, dt_s)
    return after


def ocv(groups: Groups, state: Floats) -> Floats:
    """Equilibrium voltage at the present charge, V. `state` may be (6, groups) or (6, times, groups)."""
    return groups.curve.ocv(state[Row.CHARGE])


def rest_after(groups: Groups, state: Floats, seconds: float = 60.0) -> Floats:
    """What each group would read after `seconds` at zero current from now on, V.

    Exact: charge stays, polarisation decays by itself, diffusion decays at the rate of a temperature that falls
    towards the air meanwhile (its integral by Gauss-Legendre quadrature). `state` as in `ocv`.
    """
    cooling_s = groups.heat_j_per_k / groups.cooling_w_per_k
    above = state[Row.TEMPERATURE] - groups.ambient_k
    at = 0.5 * seconds * (_GAUSS_X + 1.0)
    rate = np.zeros_like(above)
    for t, weight in zip(at, _GAUSS_W, strict=True):
        then_k = groups.ambient_k + above * np.exp(-t / cooling_s)
        rate += weight * np.exp(-_ACTIVATION[2, 0] * (1.0 / then_k - 1.0 / REFERENCE_K))
    elapsed = 0.5 * seconds * rate  # seconds at 25 degC
    lag = state[Row.FAST_DIFFUSION] * np.exp(-elapsed / FAST_DIFFUSION_S)
    lag = lag + state[Row.SLOW_DIFFUSION] * np.exp(-elapsed / SLOW_DIFFUSION_S)
    fast = state[Row.FAST] * np.exp(-seconds / FAST_S)
    slow = state[Row.SLOW] * np.exp(-seconds / SLOW_S)
    return np.asarray(groups.curve.ocv(state[Row.CHARGE] - lag) - fast - slow)


def _drop(state: Floats, now: Conditions, current_a: float) -> Floats:
    """What the cell loses between its surface and its terminals, V; the joint is none of the cell's."""
    transfer = now.thermal_v * np.arcsinh(current_a * now.transfer_per_a)
    return np.asarray(current_a * now.ohmic_ohm + transfer + state[Row.FAST] + state[Row.SLOW])


def _targets(groups: Groups, now: Conditions, current_a: float, dt_s: float) -> tuple[Floats, Floats]:
    """Where the four relaxing rows would settle at this current, and what is left of their distance after dt."""
    target, decay = np.empty((2, 4, groups.count))
    polarising = current_a * now.polarising
    np.multiply(groups.fast_ohm, polarising, out=target[0])
    np.multiply(groups.slow_ohm, polarising, out=target[1])
    c_rate = current_a * 3600.0 / groups.charge_c * now.slower
    np.multiply(c_rate, FAST_DIFFUSION_PER_C, out=target[2])
    np.multiply(c_rate, SLOW_DIFFUSION_PER_C, out=target[3])
    decay[0] = math.exp(-dt_s / FAST_S)
    decay[1] = math.exp(-dt_s / SLOW_S)
    np.exp(_DIFFUSION_RATES * dt_s / now.slower, out=decay[2:])
    return target, decay


def _temperature(groups: Groups, temperature_k: Floats, heat_w: Floats, dt_s: float) -> Floats:
    settled = groups.ambient_k + heat_w / groups.cooling_w_per_k
    done = -np.expm1(-dt_s * groups.cooling_w_per_k / groups.heat_j_per_k)
    return np.asarray(temperature_k + (settled - temperature_k) * done)

"""A pack of groups in series. Law: one current flows through all of them; what differs between them is drawn once,
from the seed.

All groups were last balanced full, so a group of less capacity starts lower by what the ride before took out.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from sagwise_sim.cell import (
    FARADAY,
    FAST_SHARE,
    GAS_CONSTANT,
    KELVIN,
    OHMIC_SHARE,
    REFERENCE_K,
    SLOW_SHARE,
    TRANSFER_SHARE,
    Groups,
    Row,
    conditions,
    ocv,
    rest_after,
    resting,
    step,
    voltage,
)
from sagwise_sim.curves import Floats, curve

_HEAT_J_PER_K_AH = 15.0  # a 4.5 Ah cylindrical cell of 70 g at 960 J/(kg K), from memory
_COOLING_S = 1800.0  # time constant of a group towards the air; packed cells cool slowly, chosen by hand
_LARGEST_STEP_S = 1.0  # temperature and resistance hardly change over it


@dataclass(frozen=True, slots=True)
class GroupSpec:
    """How one group differs by design: factors on capacity and resistance, and charge added at the start."""

    number: int
    capacity: float = 1.0
    resistance: float = 1.0
    start_soc: float = 0.0


@dataclass(frozen=True, slots=True)
class PackSpec:
    """A pack as built. capacity_ah, resistance_mohm (1 s, small current, 25 degC): of one new cell.

    aged_capacity, aged_resistance: factors of age on all. spread_*: standard deviation between groups, relative for
    capacity and resistance, absolute for charge. joint_mohm: connections of each group. ambient_c, start_c: degC.
    """

    name: str
    chemistry: str
    series: int
    parallel: int
    capacity_ah: float
    resistance_mohm: float
    start_soc: float = 1.0
    aged_capacity: float = 1.0
    aged_resistance: float = 1.0
    spread_capacity: float = 0.005
    spread_resistance: float = 0.02
    spread_soc: float = 0.002
    joint_mohm: float = 0.1
    ambient_c: float = 20.0
    start_c: float = 20.0
    groups: tuple[GroupSpec, ...] = field(default=())


class Pack:
    """The groups and their present state. Voltages in V, (groups,), first entry group 1."""

    __slots__ = ("_now", "groups", "state")

    def __init__(self, groups: Groups, state: Floats) -> None:
        self.groups = groups
        self.state = state
        self._now = conditions(groups, state)

    def step(self, current_a: float, dt_s: float) -> None:
        """Let a constant current flow for a time."""
        left = dt_s
        while left > 0.0:
            part = min(left, _LARGEST_STEP_S)
            self.state = step(self.groups, self.state, self._now, current_a, part)
            self._now = conditions(self.groups, self.state)
            left -= part

    def loaded_v(self, current_a: float) -> Floats:
        """What the groups read under that current now."""
        return voltage(self.groups, self.state, self._now, current_a)

    def ocv_v(self) -> Floats:
        """Equilibrium voltage at the present charge."""
        return ocv(self.groups, self.state)

    def rest_after_60s(self) -> Floats:
        """What the groups would read after 60 s at zero current from now on."""
        return rest_after(self.groups, self.state)

    def soc(self) -> Floats:
        """State of charge of each group by its own capacity, 0 to 1."""
        return np.array(self.state[Row.CHARGE])

    def temperature_c(self) -> Floats:
        """degC of each group."""
        return np.asarray(self.state[Row.TEMPERATURE] - KELVIN)

    def scale_group(self, number: int, capacity: float = 1.0, resistance: float = 1.0) -> None:
        """Change a group's capacity and resistance by factors, as when a cell drops out; its charge level stays."""
        g, at = self.groups, number - 1
        g.charge_c[at] *= capacity
        for ohms in (g.ohmic_ohm, g.fast_ohm, g.slow_ohm):
            ohms[at] *= resistance
        g.exchange_a[at] /= resistance
        self._now = conditions(g, self.state)


def build_pack(spec: PackSpec, rng: np.random.Generator) -> Pack:
    """The pack at rest and relaxed at its start. Draws the spread from `rng`."""
    draws = rng.standard_normal((3, spec.series))
    capacity = spec.aged_capacity * np.exp(spec.spread_capacity * draws[0])
    resistance = spec.aged_resistance * np.exp(spec.spread_resistance * draws[1])
    extra = spec.spread_soc * draws[2]
    for group in spec.groups:
        at = group.number - 1
        capacity[at] *= group.capacity
        resistance[at] *= group.resistance
        extra[at] += group.start_soc
    taken = (1.0 - spec.start_soc) * spec.aged_capacity
    charge = np.clip(1.0 - taken / capacity + extra, 0.0, 1.0)
    return Pack(_groups(spec, capacity, resistance), resting(charge, spec.start_c + KELVIN))


def _groups(spec: PackSpec, capacity: Floats, resistance: Floats) -> Groups:
    ohm = spec.resistance_mohm * 1e-3 / spec.parallel * resistance
    ah = spec.capacity_ah * spec.parallel
    heat = np.full(spec.series, _HEAT_J_PER_K_AH * ah)
    return Groups(
        curve=curve(spec.chemistry),
        charge_c=3600.0 * ah * capacity,
        ohmic_ohm=OHMIC_SHARE * ohm,
        exchange_a=GAS_CONSTANT * REFERENCE_K / FARADAY / (TRANSFER_SHARE * ohm),
        fast_ohm=FAST_SHARE * ohm,
        slow_ohm=SLOW_SHARE * ohm,
        joint_ohm=np.full(spec.series, spec.joint_mohm * 1e-3),
        heat_j_per_k=heat,
        cooling_w_per_k=heat / _COOLING_S,
        ambient_k=spec.ambient_c + KELVIN,
    )

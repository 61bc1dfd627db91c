"""What a simulated pack is made of and how it is ridden. Law: the plan and its seed decide all, and stay what they are.

Currents are C-rates of the stated capacity at 10 Hz, positive while discharging. A committed ride can only be made
again as long as its kind of riding draws the same random numbers in the same order: add kinds, never change one.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

STEP_S = 0.1
CALM_ROWS = 300  # every ride begins with half a minute of rest, which a start under load then cuts away


@dataclass(frozen=True)
class Plan:
    """One ride to be made.

    parameters: a published parameter set. model: SPMe or DFN. riding, pack, charge: keys of `RIDING`, `PACKS` and
    `CHARGE`. loaded_s: cut off so many seconds, and then up to the next pull, so that the ride begins under load.
    most_s: the ride ends after this. sensors: whether the sensors' errors are drawn for this ride (see `sensors`).
    members: what the groups are drawn from where several rides are of one pack; else from the ride's own seed.
    """

    parameters: str
    seed: int
    model: str = "SPMe"
    ambient_c: float = 25.0
    riding: str = "trail"
    pack: str = "lost"
    charge: str = "full"
    loaded_s: float = 0.0
    most_s: float = 5400.0
    sensors: bool = False
    members: int | None = None

    @property
    def name(self) -> str:
        model = "" if self.model == "SPMe" else f"_{self.model.lower()}"
        return f"{self.parameters.lower()}{model}_{self.seed}"


# The hardest current, in C, that each published cell model still carries near empty; and one harder, for short bursts
# with which the ride may end early because a group's voltage collapses.
PEAK_C = MappingProxyType(
    {
        "Chen2020": (3.0, 4.0),
        "OKane2022": (3.0, 4.0),
        "ORegan2022": (3.0, 4.0),
        "Mohtat2020": (6.0, 7.0),
        "Ai2020": (5.0, 6.0),
        "NCA_Kim2011": (6.0, 7.0),
        "Ecker2015": (6.0, 7.0),
        "Marquis2019": (5.0, 6.0),
        "Prada2013": (3.5, 4.5),
        "Ramadass2004": (2.0, 2.5),
    }
)

CHARGE = MappingProxyType({"full": (0.93, 0.99), "part": (0.35, 0.75), "low": (0.26, 0.34)})

Spell = tuple[float, tuple[float, float], tuple[float, float]]


def _trail(peak: float) -> dict[str, Spell]:
    return {
        "sprint": (0.3, (1, 6), (0.5 * peak, peak)),
        "pull": (0.17, (8, 30), (0.25 * peak, 0.6 * peak)),
        "cruise": (0.2, (5, 30), (0.3, 1.2)),
        "coast": (0.19, (2, 10), (0.0, 0.03)),
        "regen": (0.1, (1, 4), (-1.0, -0.3)),
        "stop": (0.04, (10, 60), (0.005, 0.01)),
    }


def _bursts(peak: float) -> dict[str, Spell]:
    return {
        "sprint": (0.35, (1, 4), (0.6 * peak, peak)),
        "pull": (0.15, (4, 15), (0.25 * peak, 0.5 * peak)),
        "cruise": (0.2, (5, 30), (0.3, 1.2)),
        "coast": (0.15, (2, 10), (0.0, 0.03)),
        "regen": (0.1, (1, 4), (-1.5, -0.3)),
        "stop": (0.05, (10, 60), (0.005, 0.01)),
    }


def _steady(peak: float) -> dict[str, Spell]:
    return {
        "steady": (0.6, (60, 240), (0.4, 1.6)),
        "sprint": (0.15, (1, 4), (0.5 * peak, peak)),
        "coast": (0.15, (2, 20), (0.0, 0.03)),
        "stop": (0.1, (10, 60), (0.005, 0.01)),
    }


# trail: as trials and trail riding goes. bursts: 4 to 7C in short bursts down to the end. cruise: minutes at one
# constant current, about which nothing can be learnt. Each with the place of its peak in `PEAK_C`.
RIDING = MappingProxyType({"trail": (_trail, 0), "bursts": (_bursts, 1), "cruise": (_steady, 0)})


@dataclass(frozen=True)
class Group:
    """capacity: share of the stated one. extra_r: series resistance over the cell's own. soc: at the start."""

    kind: str
    capacity: float
    extra_r: float
    soc: float


# The groups of a pack of five that are not healthy: kind, capacity, extra resistance.
PACKS = MappingProxyType(
    {
        "lost": (("weak", 0.75, 0.0), ("resistive", 1.0, 0.4)),
        "worn": (("worn", 0.90, 0.0), ("resistive", 1.0, 0.4)),
        "both": (("both", 0.75, 0.4), ("worn", 0.90, 0.0)),
        "sound": (),
    }
)
GROUPS = 5
# Drawn only where asked for by name: one whose laws of temperature cost ten times the others' time, and one that
# nothing was set with, for a look at what no figure has seen; in the cold its electrolyte runs empty under 2C.
ASIDE = {"ORegan2022", "Ramadass2004"}


def groups(rng: np.random.Generator, plan: Plan) -> list[Group]:
    """The healthy ones first; they differ a little as cells of one batch do."""
    others = PACKS[plan.pack]
    start = float(rng.uniform(*CHARGE[plan.charge]))
    if plan.members is not None:
        rng = np.random.default_rng([plan.members, 3])
    healthy = [
        Group("healthy", 1 + rng.normal(0, 0.01), abs(rng.normal(0, 0.05)), start + rng.normal(0, 0.003))
        for _ in range(GROUPS - len(others))
    ]
    return [*healthy, *(Group(kind, capacity, extra_r, start) for kind, capacity, extra_r in others)]


def current_c(rng: np.random.Generator, plan: Plan, used: float) -> np.ndarray:
    """C-rate: half a minute of rest, then spells until `used` of the stated capacity is gone."""
    spells, which = RIDING[plan.riding]
    table = spells(PEAK_C[plan.parameters][which])
    levels, lively = [np.full(CALM_ROWS, 0.005)], [np.ones(CALM_ROWS)]
    gone = 0.0
    while gone < used:
        kind = str(rng.choice(list(table), p=[share for share, _, _ in table.values()]))
        seconds, level = float(rng.uniform(*table[kind][1])), float(rng.uniform(*table[kind][2]))
        rows = max(int(seconds / STEP_S), 1)
        levels.append(np.full(rows, level))
        lively.append(np.full(rows, 0.0 if kind == "steady" else 1.0))
        gone += seconds * level / 3600
    return _throttle(rng, np.concatenate(levels), np.concatenate(lively))[: int(plan.most_s / STEP_S)]


def _throttle(rng: np.random.Generator, raw: np.ndarray, lively: np.ndarray) -> np.ndarray:
    """Nobody's hand is still, and no current rises at once."""
    wobble = np.convolve(rng.normal(0, 1, len(raw)), np.full(10, 0.1), "same")
    raw = raw * (1 + 0.25 * wobble * lively)
    throttle = np.convolve(raw, np.full(4, 0.25), "same")
    throttle[:CALM_ROWS] = raw[:CALM_ROWS]
    return throttle


def median_step(c: np.ndarray) -> float:
    """Median of the rises over 1 s of at least 1C, each taken where it is steepest."""
    rise = c[10:] - c[:-10]
    steep = [i for i in range(10, len(rise) - 10) if rise[i] >= 1 and rise[i] == rise[i - 10 : i + 11].max()]
    return float(np.median(rise[steep])) if steep else 2.0


def first_row(c: np.ndarray, plan: Plan) -> int:
    """Where the ride begins: at its first row, or under load."""
    start = int(plan.loaded_s / STEP_S)
    if not start or start >= len(c):
        return 0
    pulls = np.flatnonzero(c[start:] > 1.0)
    return start + int(pulls[0]) if len(pulls) else 0


def sensors(plan: Plan) -> dict[str, float]:
    """What the sensors of this ride do to the truth, drawn apart from the ride; keys as in the loader's `Sensors`."""
    rng = np.random.default_rng([plan.seed, 1])
    return {
        "noise_v": float(rng.uniform(0.001, 0.003)),
        "step_v": float(rng.choice([0.0005, 0.001])),
        "noise_a": float(rng.uniform(0.2, 0.8)),
        "gain": 1 + float(rng.normal(0, 0.01)),
        "offset_a": float(rng.normal(0, 0.3)),
        "delay_s": float(rng.uniform(0.0, 0.1)),
        "told_r": 1 + float(rng.normal(0, 0.1)),
    }


def mixed_plans(first_seed: int, count: int, model: str = "SPMe", cell: str | None = None) -> list[Plan]:
    """Rides of every kind: parameter sets in turn, or one alone, all else drawn from the seed."""
    names = [cell] if cell else sorted(PEAK_C.keys() - ASIDE)
    return [_mixed(names[k % len(names)], first_seed + k, model) for k in range(count)]


def _mixed(parameters: str, seed: int, model: str) -> Plan:
    rng = np.random.default_rng([seed, 2])
    return Plan(
        parameters,
        seed,
        model,
        ambient_c=round(float(rng.uniform(-5, 35)), 1),
        riding=str(rng.choice(["trail", "bursts", "cruise"], p=[0.5, 0.3, 0.2])),
        pack=str(rng.choice(["lost", "worn", "both", "sound"], p=[0.4, 0.2, 0.25, 0.15])),
        charge=str(rng.choice(["full", "part"], p=[0.4, 0.6])),
        loaded_s=float(rng.uniform(60, 400)) if rng.random() < 0.2 else 0.0,
        most_s=1500.0,
        sensors=True,
    )


def repeated_plans(first_seed: int, packs: int) -> list[Plan]:
    """Two rides of each pack down to its reserve; a pack's seeds are an even one and the next."""
    first_seed -= first_seed % 2
    return [_repeated(seed) for seed in range(first_seed, first_seed + 2 * packs)]


def _repeated(seed: int) -> Plan:
    """The pack and the season are those of the even seed; the two rides lie within ten degrees of each other."""
    names, members = sorted(PEAK_C.keys() - ASIDE), seed - seed % 2
    season, own = np.random.default_rng([members, 4]), np.random.default_rng([seed, 5])
    pack, mean_c = (
        str(season.choice(["lost", "worn", "both", "sound"], p=[0.4, 0.15, 0.3, 0.15])),
        season.uniform(0, 30),
    )
    return Plan(
        names[seed // 2 % len(names)],
        seed,
        ambient_c=round(float(mean_c + own.uniform(-5, 5)), 1),
        riding=str(own.choice(["trail", "bursts", "cruise"], p=[0.5, 0.3, 0.2])),
        pack=pack,
        charge=str(own.choice(["full", "part"])),
        sensors=True,
        members=members,
    )

"""Out-and-back rides of the simulator's own cells, told to the daemon's core reading by reading.

The way back is the way out ridden the other way: its ground and its stretches come in reverse order, hard ones hard and
easy ones easy, while the hand on the throttle is drawn anew. The truth is the simulator's exact physics: the ride goes
on in the same way until the first group's rest voltage reaches the reserve, and what the pack gave until then is what
was left.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
import pytest

from sagwise_daemon.domain.core import State, new_state, step, take
from sagwise_daemon.domain.model import Acknowledge, AlarmState, Cell, Pack, Reading, Readings
from sagwise_daemon.domain.pack.chemistry import built_in_curve
from sagwise_daemon.domain.pack.profile import build_pack
from sagwise_sim.curves import curve
from sagwise_sim.pack import GroupSpec, PackSpec
from sagwise_sim.rider import BikeSpec, Segment
from sagwise_sim.scenario import BoardSpec, Scenario
from sagwise_sim.sensors import SensorSpec
from sagwise_sim.simulation import World

RATE_HZ = 5.0
LOOK_S = 5.0  # how often the true rest voltage is looked at
SERIES, PARALLEL, CELL_AH, CELL_MOHM = 4, 2, 4.5, 14.0
LONGEST_S = 3.0 * 3600.0
AT_ONCE = 10  # readings told together; which changes nothing but the time it takes
SLACK_WANTED = 1.2  # past home the ride goes on until it is clear that this much of the way back was left


@dataclass(frozen=True)
class Plan:
    """One out-and-back ride as drawn from its seed. share: of the pack's energy that the way out is to take."""

    seed: int
    weak: float
    start_soc: float
    ambient_c: float
    intensity: float
    hills: float
    share: float
    distance: bool
    gain: float
    offset_a: float

    @classmethod
    def draw(cls, seed: int) -> Plan:
        rng = np.random.default_rng([77, seed])
        return cls(
            seed=seed,
            weak=float(rng.uniform(0.75, 0.9)) if rng.random() < 0.4 else 1.0,
            start_soc=float(rng.uniform(0.5, 0.95)),
            ambient_c=float(rng.uniform(0.0, 32.0)),
            intensity=float(rng.uniform(0.55, 0.85)),
            hills=float(rng.uniform(0.01, 0.06)),
            share=float(rng.uniform(0.15, 0.75)),
            distance=bool(rng.random() < 0.5),
            gain=float(1.0 + 0.01 * rng.standard_normal()),
            offset_a=float(0.2 * rng.standard_normal()),
        )

    def scenario(self) -> Scenario:
        rng = np.random.default_rng([78, self.seed])
        weak = (GroupSpec(2, capacity=self.weak, resistance=1.0 / self.weak),) if self.weak < 1.0 else ()
        pack = PackSpec(
            name="Otter", chemistry="nmc", series=SERIES, parallel=PARALLEL, capacity_ah=CELL_AH,
            resistance_mohm=CELL_MOHM, start_soc=self.start_soc, ambient_c=self.ambient_c, start_c=self.ambient_c,
            spread_capacity=0.01, groups=weak,
        )  # fmt: skip
        return Scenario(
            name="out_and_back", title="Out and back", seed=self.seed, pack=pack,
            bike=BikeSpec(peak_a=60.0, regen_a=12.0, mass_kg=48.0, hills=self.hills, nominal_v=57.0),
            sensors=SensorSpec(
                rate_hz=RATE_HZ, temperatures=1, current_noise_a=0.3, current_gain=self.gain,
                current_offset_a=self.offset_a, distance=self.distance,
            ),
            board=BoardSpec(), segments=_segments(rng, self.intensity), faults=(),
        )  # fmt: skip

    def pack(self, chemistry: str) -> Pack:
        """The pack file's pack: "measured" knows the cell's own curve, "nmc" the built-in one of another cell."""
        soc, volts = built_in_curve("nmc")
        if chemistry == "measured":
            own = curve("nmc")
            inside = (own.soc >= 0.0) & (own.soc <= 1.0)
            soc, volts = own.soc[inside][::20], own.volts[inside][::20]
        cell = Cell(chemistry, CELL_AH, 4.2, 2.8, CELL_MOHM, None, soc, volts)
        return build_pack("Otter", SERIES, PARALLEL, cell, MappingProxyType({"rest_low": {"volts": 3.3}}))


def _segments(rng: np.random.Generator, intensity: float) -> tuple[Segment, ...]:
    parts, total = [Segment("rest", 15.0)], 15.0
    while total < LONGEST_S:
        kind = str(rng.choice(["ride", "ride", "ride", "cruise", "climb", "rest"], p=[0.3, 0.3, 0.2, 0.08, 0.07, 0.05]))
        share = {"cruise": 0.35, "climb": 0.7}.get(kind, 1.0)
        seconds = float(rng.uniform(20.0, 60.0) if kind in ("rest", "climb") else rng.uniform(40.0, 200.0))
        parts.append(Segment(kind, seconds, float(min(1.0, intensity * share * rng.uniform(0.8, 1.2)))))
        total += seconds
    return tuple(parts)


@dataclass
class Outcome:
    """What came of a ride. Wh are true, at the pack's terminals.

    turned_s, turned_wh: when the rider turned, and what the way out had taken. home_s, home_wh: when the bike was
    home and what the way back took, None where the reserve came first. end_s, end_wh: drawn up to the reserve, or, past
    home, until it was clear that the reserve is far. raised: moments of turn_back, with the true Wh drawn then. seen:
    time, Wh said to be left, its sigma, Wh truly drawn by then, Wh said to be needed.
    """

    plan: Plan
    turned_s: float = np.inf
    turned_wh: float = np.nan
    home_s: float | None = None
    home_wh: float | None = None
    end_s: float = np.nan
    end_wh: float = np.nan
    raised: list[tuple[float, float]] = field(default_factory=list)
    seen: list[tuple[float, float, float, float, float]] = field(default_factory=list)

    @property
    def came_home(self) -> bool:
        return self.home_s is not None

    @property
    def slack(self) -> float:
        """Energy truly left at the turn over what the way back takes, at least; without a way back over the way out."""
        return (self.end_wh - self.turned_wh) / (self.home_wh or self.turned_wh)

    @property
    def warned_going_out(self) -> bool:
        return any(moment <= self.turned_s for moment, _ in self.raised)


class Trip:
    """Plays one plan. told: the rider says when the bike turns. to_reserve: ride on past home until the reserve."""

    def __init__(self, plan: Plan, chemistry: str, told: bool, to_reserve: bool) -> None:
        self.plan, self.told, self.to_reserve = plan, told, to_reserve
        self.world = World(plan.scenario())
        self.pack = plan.pack(chemistry)
        self.state: State = new_state(self.pack)
        self.out = Outcome(plan)
        self.drawn_wh = 0.0
        self._limit_v = self.pack.rules["rest_low"].limit or 0.0
        capacity_ah = self.world.pack.groups.charge_c / 3600.0
        self._target_wh = plan.share * float((capacity_ah * (self.world.pack.soc() - 0.11)).min()) * 3.65 * SERIES
        self._turn_m = np.inf
        self._waiting: list[tuple[Reading, float]] = []

    def ride(self) -> Outcome:
        world, out, tick_us = self.world, self.out, round(1e6 / RATE_HZ)
        next_look_s = 0.0
        while world.now_us < LONGEST_S * 1e6:
            before_w = self._power_w()
            world.advance_to(world.now_us + tick_us)
            now_s = world.now_us / 1e6
            self.drawn_wh += 0.5 * (before_w + self._power_w()) / RATE_HZ / 3600.0
            if out.home_s is None or self.to_reserve:
                self._tell(now_s)
            self._steer(now_s)
            if now_s >= next_look_s:
                next_look_s += LOOK_S
                if world.pack.rest_after_60s().min() <= self._limit_v or self._clear():
                    self._flush()
                    out.end_s, out.end_wh = now_s, self.drawn_wh
                    return out
        raise AssertionError(f"seed {self.plan.seed}: the reserve was never reached")

    def _clear(self) -> bool:
        return (
            not self.to_reserve
            and self.out.came_home
            and self.drawn_wh - self.out.turned_wh > (SLACK_WANTED * (self.out.home_wh or 0.0))
        )

    def _power_w(self) -> float:
        current_a = self.world.rider.current_a
        return float(self.world.pack.loaded_v(current_a).sum()) * current_a

    def _tell(self, now_s: float) -> None:
        world = self.world
        truth_v = world.pack.loaded_v(world.rider.current_a)
        seen = world.sensors.measure(truth_v, world.pack.temperature_c(), world.rider.distance_m)
        volts = np.rint(seen.group_v / 1e-3) * 1e-3
        reading = Reading(now_s, volts, seen.current_a, seen.temperature_c, seen.distance_m)
        self._waiting.append((reading, self.drawn_wh))
        if len(self._waiting) == AT_ONCE:
            self._flush()

    def _flush(self) -> None:
        if not self._waiting:
            return
        told = [reading for reading, _ in self._waiting]
        readings = Readings(
            np.array([r.time_s for r in told]), np.array([r.group_v for r in told]),
            np.array([r.current_a for r in told]), np.array([r.temperature_c for r in told]),
            np.array([r.distance_m for r in told]),
        )  # fmt: skip
        taken = take(self.state, readings)
        for event in taken.events:
            if event.rule == "turn_back" and event.to is AlarmState.UNACKNOWLEDGED:
                self.out.raised.append((event.time_s, self._waiting[-1][1]))
        energy, drawn_wh = taken.energy, self._waiting[-1][1]
        self.out.seen.append((told[-1].time_s, energy.left_wh, energy.left_sigma_wh, drawn_wh, energy.home_wh))
        self._waiting.clear()

    def _steer(self, now_s: float) -> None:
        rider, out = self.world.rider, self.out
        if np.isinf(out.turned_s) and self.drawn_wh >= self._target_wh:
            self._flush()
            out.turned_s, out.turned_wh, self._turn_m = now_s, self.drawn_wh, rider.distance_m
            self._mirror(rider.distance_m)
            if self.told:
                self.state, _ = step(self.state, Acknowledge("page", "turn_back"))
        if out.home_s is None and rider.distance_m >= 2.0 * self._turn_m:
            out.home_s, out.home_wh = now_s, self.drawn_wh - out.turned_wh
            self._flush()

    def _mirror(self, turn_m: float) -> None:
        """The ground of the way back is that of the way out, the other way up, and so are its stretches."""
        rider = self.world.rider
        ridden, part_s = rider._segments[: rider._at + 1], rider._segments[rider._at].duration_s - rider._left_s
        first = Segment(ridden[-1].kind, max(part_s, 0.1), ridden[-1].intensity)
        rider._segments[rider._at + 1 :] = [first, *reversed(ridden[:-1]), *rider._segments[rider._at + 1 :]]
        rider._left_s = 0.0
        ground = type(rider).slope

        def slope() -> float:
            here_m, climbing = rider.distance_m, 0.10 if rider.segment.kind == "climb" else 0.0
            rider.distance_m = 2.0 * turn_m - here_m
            there = ground(rider) - climbing
            rider.distance_m = here_m
            return climbing - there

        rider.slope = slope  # type: ignore[method-assign]


@pytest.fixture(scope="session")
def trip() -> Callable[..., Outcome]:
    def play(seed: int, chemistry: str = "measured", told: bool = True, to_reserve: bool = False) -> Outcome:
        return Trip(Plan.draw(seed), chemistry, told, to_reserve).ride()

    return play

"""Out-and-back rides of the simulator's own cells. Law: a ride is made once, whatever is then told of it to a daemon.

The way back is the way out ridden the other way: its ground and its stretches come in reverse order, hard ones hard and
easy ones easy, while the hand on the throttle is drawn anew. The truth is the simulator's exact physics: the ride goes
on in the same way until the first group's rest voltage reaches the reserve, and what the pack gave until then is what
was left. A bike's power is what the pack gives it, volts times amperes: were it the amperes alone, the way back would
take fewer Wh than the way out for no better reason than that the voltage has fallen. And a bike that turns round stands
for a moment: did it roll on backwards as fast as it came, the way back would get for nothing the speed that the way out
had to pay for. All packs of a fleet are one array of groups, so that two hundred rides take minutes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from types import MappingProxyType, SimpleNamespace

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.model import Cell, Pack, Readings
from sagwise_daemon.domain.pack.chemistry import built_in_curve
from sagwise_daemon.domain.pack.profile import build_pack
from sagwise_sim.cell import Groups
from sagwise_sim.curves import curve
from sagwise_sim.pack import GroupSpec, PackSpec
from sagwise_sim.pack import Pack as Cells
from sagwise_sim.rider import TICK_S, BikeSpec, Rider, Segment
from sagwise_sim.scenario import BoardSpec, Scenario
from sagwise_sim.sensors import SensorSpec
from sagwise_sim.simulation import World

Floats = NDArray[np.float64]

RATE_HZ = 5.0
TICKS_A_SAMPLE = round(1.0 / RATE_HZ / TICK_S)
LOOK_S = 5.0  # how often the true rest voltage is looked at
SERIES, PARALLEL, CELL_AH, CELL_MOHM = 4, 2, 4.5, 14.0
RESERVE_V = 3.3
BIKE_V, NOMINAL_CELL_V = 57.0, 3.65  # what moves the bike at the cells' nominal voltage, and that voltage
LONGEST_S = 3.0 * 3600.0
SLACK_WANTED = 1.2  # past home the ride goes on until it is clear that this much of the way back was left
FLEET = 50  # more at once cost memory and save no time


@dataclass(frozen=True)
class Plan:
    """One out-and-back ride as drawn from its seed.

    weak, weak_resistance: factors on group 2's capacity and resistance. share: of the pack's energy that the way out is
    to take. grade: mean slope of the way out, so that the way back falls by as much.
    """

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
    weak_resistance: float = 1.0
    temperatures: int = 1
    grade: float = 0.0

    @classmethod
    def draw(cls, seed: int) -> Plan:
        rng = np.random.default_rng([77, seed])
        weak = float(rng.uniform(0.75, 0.9)) if rng.random() < 0.4 else 1.0
        return cls(
            seed=seed,
            weak=weak,
            weak_resistance=1.0 / weak,
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
        weak = GroupSpec(2, capacity=self.weak, resistance=self.weak_resistance)
        pack = PackSpec(
            name="Otter", chemistry="nmc", series=SERIES, parallel=PARALLEL, capacity_ah=CELL_AH,
            resistance_mohm=CELL_MOHM, start_soc=self.start_soc, ambient_c=self.ambient_c, start_c=self.ambient_c,
            spread_capacity=0.01, groups=(weak,),
        )  # fmt: skip
        return Scenario(
            name="out_and_back", title="Out and back", seed=self.seed, pack=pack,
            bike=BikeSpec(peak_a=60.0, regen_a=12.0, mass_kg=48.0, hills=self.hills, nominal_v=BIKE_V),
            sensors=SensorSpec(
                rate_hz=RATE_HZ, temperatures=self.temperatures, current_noise_a=0.3, current_gain=self.gain,
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
        return build_pack("Otter", SERIES, PARALLEL, cell, MappingProxyType({"rest_low": {"volts": RESERVE_V}}))


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
class Ride:
    """A ride as the sensors saw it, five readings a second, and what is true of it. Wh are at the pack's terminals.

    drawn_wh: (rows,) truly drawn by then. turned_s, turned_wh: when the rider turned, and what the way out had taken.
    home_s, home_wh: when the bike was home and what the way back took, None where the reserve came first. end_s,
    end_wh: drawn up to the reserve, or, past home, until it was clear that the reserve is far. soc: (rows,) true charge
    of the emptiest group, 0 to 1.
    """

    plan: Plan
    readings: Readings
    drawn_wh: Floats
    soc: Floats
    turned_s: float
    turned_wh: float
    home_s: float | None
    home_wh: float | None
    end_s: float
    end_wh: float

    @property
    def left_wh(self) -> Floats:
        """(rows,) what the pack then still gave; true only of a ride to the reserve."""
        return self.end_wh - self.drawn_wh

    @property
    def slack(self) -> float:
        """Energy truly left at the turn over what the way back takes, at least; without a way back over the way out."""
        return (self.end_wh - self.turned_wh) / (self.home_wh or self.turned_wh)


@dataclass
class _Riding:
    """One ride in the making."""

    plan: Plan
    world: World
    bike: SimpleNamespace
    target_wh: float
    turned_s: float = np.inf
    turned_wh: float = np.nan
    turn_m: float = np.inf
    home_s: float | None = None
    home_wh: float | None = None
    seen: list[tuple[Floats, ...]] = field(default_factory=list)


class _Fleet:
    """Rides of one length of tick, side by side; those that are done drop out."""

    def __init__(self, plans: Sequence[Plan], to_reserve: bool) -> None:
        self.to_reserve = to_reserve
        self.riding = [_start(plan) for plan in plans]
        packs = [one.world.pack for one in self.riding]
        parts = [pack.groups for pack in packs]
        self._cells = Cells(_joined(parts), np.concatenate([pack.state for pack in packs], axis=1))
        self._drawn_wh = np.zeros(len(plans))
        self._rows: list[tuple[Floats, ...]] = []
        self.done: list[Ride] = []

    def ride(self) -> list[Ride]:
        tick = 0
        while self.riding:
            tick += 1
            self._tick()
            if tick % TICKS_A_SAMPLE == 0:
                self._sample(tick * TICK_S)
            if tick % round(LOOK_S / TICK_S) == 0:
                self._look(tick * TICK_S)
            if tick * TICK_S > LONGEST_S:
                raise AssertionError(f"seeds {[one.plan.seed for one in self.riding]}: the reserve was never reached")
        return sorted(self.done, key=lambda ride: ride.plan.seed)

    def _tick(self) -> None:
        self._amps = np.array([one.world.rider.tick() for one in self.riding])
        each = np.repeat(self._amps, SERIES)
        self._cells.step(each, TICK_S)  # type: ignore[arg-type]  # a current for each group
        self._loaded = self._cells.loaded_v(each).reshape(-1, SERIES)  # type: ignore[arg-type]
        volts = self._loaded.sum(axis=1)
        self._drawn_wh += volts * self._amps * (TICK_S / 3600.0)
        for one, pack_v in zip(self.riding, volts.tolist(), strict=True):
            one.bike.nominal_v = BIKE_V * pack_v / (SERIES * NOMINAL_CELL_V)

    def _sample(self, now_s: float) -> None:
        degrees = self._cells.temperature_c().reshape(-1, SERIES)
        charge = self._cells.soc().reshape(-1, SERIES).min(axis=1)
        metres = np.array([one.world.rider.distance_m for one in self.riding])
        now = np.full(len(self.riding), now_s)
        self._rows.append((now, self._loaded, self._amps, degrees, metres, self._drawn_wh.copy(), charge))
        for one, drawn_wh in zip(self.riding, self._drawn_wh.tolist(), strict=True):
            _steer(one, now_s, drawn_wh)

    def _look(self, now_s: float) -> None:
        lowest = self._cells.rest_after_60s().reshape(-1, SERIES).min(axis=1)
        ended = np.array([low <= RESERVE_V or self._clear(at) for at, low in enumerate(lowest.tolist())])
        if not ended.any():
            return
        columns = [np.stack(column, axis=1) for column in zip(*self._rows, strict=True)]
        self._rows.clear()
        for at, one in enumerate(self.riding):
            one.seen.append(tuple(column[at].copy() for column in columns))
            if ended[at]:
                self.done.append(_finished(one, now_s, float(self._drawn_wh[at])))
        keep = np.repeat(~ended, SERIES)
        self.riding = [one for one, over in zip(self.riding, ended, strict=True) if not over]
        self._drawn_wh = self._drawn_wh[~ended]
        self._cells = Cells(_some(self._cells.groups, keep), self._cells.state[:, keep])

    def _clear(self, at: int) -> bool:
        one = self.riding[at]
        if self.to_reserve or one.home_wh is None:
            return False
        return float(self._drawn_wh[at]) - one.turned_wh > SLACK_WANTED * one.home_wh


_EACH = ("charge_c", "ohmic_ohm", "exchange_a", "fast_ohm", "slow_ohm", "joint_ohm", "heat_j_per_k", "cooling_w_per_k")


def _joined(parts: Sequence[Groups]) -> Groups:
    """Groups of many packs as those of one; each keeps the air it is in."""
    ambient = np.repeat([part.ambient_k for part in parts], [part.count for part in parts])
    each = {name: np.concatenate([getattr(part, name) for part in parts]) for name in _EACH}
    return Groups(curve=parts[0].curve, ambient_k=ambient, **each)  # type: ignore[arg-type]


def _some(groups: Groups, keep: NDArray[np.bool_]) -> Groups:
    each = {name: getattr(groups, name)[keep] for name in _EACH}
    return Groups(curve=groups.curve, ambient_k=groups.ambient_k[keep], **each)  # type: ignore[index]


def _start(plan: Plan) -> _Riding:
    world = World(plan.scenario())
    capacity_ah = world.pack.groups.charge_c / 3600.0
    target_wh = plan.share * float((capacity_ah * (world.pack.soc() - 0.11)).min()) * 3.65 * SERIES
    if plan.grade:
        _tilt(world.rider, plan.grade)
    bike = SimpleNamespace(**asdict(world.rider._bike))
    world.rider._bike = bike  # type: ignore[assignment]  # one whose voltage follows the pack's
    return _Riding(plan, world, bike, target_wh)


def _tilt(rider: Rider, grade: float) -> None:
    flat = rider.slope
    rider.slope = lambda: flat() + grade  # type: ignore[method-assign]


def _steer(one: _Riding, now_s: float, drawn_wh: float) -> None:
    rider = one.world.rider
    if np.isinf(one.turned_s) and drawn_wh >= one.target_wh:
        one.turned_s, one.turned_wh, one.turn_m = now_s, drawn_wh, rider.distance_m
        rider.speed_mps = 0.0
        _mirror(rider, rider.slope)
    if one.home_s is None and rider.distance_m >= 2.0 * one.turn_m:
        one.home_s, one.home_wh = now_s, drawn_wh - one.turned_wh


def _mirror(rider: Rider, ground: Callable[[], float]) -> None:
    """The ground of the way back is that of the way out, the other way up, and so are its stretches."""
    turn_m = rider.distance_m
    ridden, part_s = rider._segments[: rider._at + 1], rider._segments[rider._at].duration_s - rider._left_s
    first = Segment(ridden[-1].kind, max(part_s, 0.1), ridden[-1].intensity)
    rider._segments[rider._at + 1 :] = [first, *reversed(ridden[:-1]), *rider._segments[rider._at + 1 :]]
    rider._left_s = 0.0

    def slope() -> float:
        here_m, climbing = rider.distance_m, 0.10 if rider.segment.kind == "climb" else 0.0
        rider.distance_m = 2.0 * turn_m - here_m
        there = ground() - climbing
        rider.distance_m = here_m
        return climbing - there

    rider.slope = slope  # type: ignore[method-assign]


def _finished(one: _Riding, end_s: float, end_wh: float) -> Ride:
    columns = [np.concatenate(column) for column in zip(*one.seen, strict=True)]
    time_s, volts, amps, degrees, metres, drawn_wh, soc = columns
    return Ride(
        one.plan, _as_seen(one.world, time_s, volts, amps, degrees, metres), drawn_wh, soc,
        one.turned_s, one.turned_wh, one.home_s, one.home_wh, end_s, end_wh,
    )  # fmt: skip


def _as_seen(world: World, time_s: Floats, volts: Floats, amps: Floats, degrees: Floats, metres: Floats) -> Readings:
    """What the simulator's sensors make of it, in the converter's steps of a millivolt."""
    seen = []
    for at, now_s in enumerate(time_s.tolist()):
        world.sensors.follow(round(now_s * 1e6), float(amps[at]))
        seen.append(world.sensors.measure(volts[at], degrees[at], float(metres[at])))
    return Readings(
        time_s, np.rint(np.array([one.group_v for one in seen]) / 1e-3) * 1e-3,
        np.array([one.current_a for one in seen]), np.array([one.temperature_c for one in seen]),
        np.array([one.distance_m for one in seen]),
    )  # fmt: skip


def ride_all(plans: Sequence[Plan], to_reserve: bool = False) -> list[Ride]:
    """Every plan ridden, by rising seed. to_reserve: ride on past home until the reserve."""
    rides: list[Ride] = []
    for first in range(0, len(plans), FLEET):
        rides += _Fleet(plans[first : first + FLEET], to_reserve).ride()
    return rides

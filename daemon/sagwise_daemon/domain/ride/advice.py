"""Settings of the low-cell alarm, proposed from rides that were. Law: when in doubt, warn earlier; never under the
cell maker's empty voltage, and never later than now on the word of a few rides.

A limit is raised when a ride reached the floor (`loaded_floor` sounded) too soon after the warning and a higher limit
would have said so in time; for that one ride is enough. It is lowered only by a small step, and only when enough
rides went low and every one of them went on for long after its warning without reaching the floor; nor is a delay made
longer before that. Where the floor was met by sag alone, before any limit tried would have warned, no limit is blamed
and the rider is told. Before enough rides are there, a limit under the usual one of the chemistry goes back up to that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from sagwise_daemon.domain.model import Pack
from sagwise_daemon.domain.pack.chemistry import OcvCurve
from sagwise_daemon.domain.pack.profile import rest_low_v
from sagwise_daemon.domain.ride.settings_grid import RULE, Setting, Tried

# Common practice, no published source, all of them.
ENOUGH_RIDES, ENOUGH_LOW = 5, 3  # a handful of rides, some of them down to the warning, before anything is relaxed
SHORTEST_S = 300.0  # a ride round the yard says nothing about how early a warning comes
LEAD_S = 120.0  # from warning to floor: time to stop pulling hard and turn for home
EARLY_S = 600.0  # a warning that many seconds before the end of a ride that never met the floor was early
STEP_V = 0.05  # limits are tried in these steps, and lowered by one at a time
STEPS_UP = 4
HIGHEST_SOC = 0.25  # of a limit that is tried: with more charge left a group that meets the floor sags, it is not empty
ABOVE_EMPTY_V = 0.10  # a lowered limit keeps this far from the maker's empty voltage
DELAYS_S = (0.5, 1.0, 2.0, 5.0)
LATER_S = 10.0  # what a longer delay may cost of the lead
BUZZER_LATE_S = 60.0  # a buzzer that sounds this long after the rest voltage fell has missed it


class Change(StrEnum):
    """What is proposed of the limit."""

    KEEP = "keep"
    RAISE = "raise"
    LOWER = "lower"


@dataclass(frozen=True, slots=True)
class RideTried:
    """One stored ride: what every candidate would have told, and when the floor was met, if it was."""

    ride_id: int
    duration_s: float
    floor_s: float | None
    tried: Mapping[Setting, Tried]


@dataclass(frozen=True, slots=True)
class Counted:
    """The rides behind an advice, by their numbers: with a warning at the present setting, with the floor met, and
    with the floor met by sag alone.
    """

    used: tuple[int, ...]
    low: tuple[int, ...]
    floor: tuple[int, ...]
    by_sag: tuple[int, ...]

    @property
    def enough(self) -> bool:
        return len(self.used) >= ENOUGH_RIDES and len(self.low) >= ENOUGH_LOW


@dataclass(frozen=True, slots=True)
class Buzzer:
    """A plain buzzer's best setting: how often it sounds before or without a low group, and in how many rides it
    sounds in time.
    """

    setting: Setting
    false: int
    in_time: int


@dataclass(frozen=True, slots=True)
class Advice:
    """now, proposed: settings of `rest_low`. late: rides whose warning at the present setting came too late."""

    counted: Counted
    now: Setting
    proposed: Setting
    change: Change
    late: tuple[int, ...]
    buzzer: Buzzer | None


def present(pack: Pack) -> Setting:
    """The pack's own setting."""
    rule = pack.rules[RULE]
    return Setting(pack.cell.empty_v if rule.limit is None else rule.limit, rule.on_delay_s)


def usual_v(pack: Pack) -> float:
    """The limit that a pack of this cell has by default, never under `empty_v`."""
    return max(round(rest_low_v(pack.cell), 6), pack.cell.empty_v)


def candidates(pack: Pack) -> tuple[Setting, ...]:
    """Limits in steps around the present one, from `empty_v` to the last with `HIGHEST_SOC` by the cell's curve, each
    with every delay. On a plateau four steps up would be half the charge.
    """
    now, empty_v, highest_v = present(pack), pack.cell.empty_v, _highest_v(pack)
    down = int((now.limit_v - empty_v) / STEP_V + 1e-9)
    steps = {round(now.limit_v + STEP_V * step, 6) for step in range(-down, STEPS_UP + 1)}
    limits = sorted(volts for volts in steps | {empty_v, usual_v(pack)} if empty_v <= volts <= highest_v)
    return tuple(Setting(volts, seconds) for volts in limits for seconds in sorted({now.on_delay_s, *DELAYS_S}))


def _highest_v(pack: Pack) -> float:
    """Never under the present limit and the usual one, always under full."""
    curve = OcvCurve(pack.cell.ocv_soc, pack.cell.ocv_v)
    highest_v = max(float(curve.volts(np.array(HIGHEST_SOC))), present(pack).limit_v, usual_v(pack))
    return min(highest_v, pack.cell.full_v - 1e-6)


def advise(pack: Pack, rides: Sequence[RideTried]) -> Advice:
    """The proposal. rides: those of at least `SHORTEST_S`, each tried with every one of `candidates`."""
    now = present(pack)
    counted = _count(rides, now)
    foreseeable = [ride for ride in rides if ride.ride_id in set(counted.floor) - set(counted.by_sag)]
    late = tuple(ride.ride_id for ride in foreseeable if not _in_time(ride, now))
    volts = _raised(foreseeable, now) if late else _lowered(pack, rides, counted, now)
    if not counted.enough:
        volts = max(volts, usual_v(pack))
    proposed = Setting(volts, now.on_delay_s)
    if counted.enough:
        proposed = Setting(volts, _delay(rides, proposed))
    change = Change.RAISE if volts > now.limit_v else Change.LOWER if volts < now.limit_v else Change.KEEP
    return Advice(counted, now, proposed, change, late, _buzzer(rides, proposed))


def _count(rides: Sequence[RideTried], now: Setting) -> Counted:
    floor = [ride for ride in rides if ride.floor_s is not None]
    return Counted(
        used=tuple(ride.ride_id for ride in rides),
        low=tuple(ride.ride_id for ride in rides if ride.tried[now].rest.raises),
        floor=tuple(ride.ride_id for ride in floor),
        by_sag=tuple(ride.ride_id for ride in floor if _best_lead_s(ride, now) < 0),
    )


def _lead_s(ride: RideTried, setting: Setting) -> float:
    """From the warning to the floor; minus infinity without a warning."""
    lead_s = ride.tried[setting].rest.to_floor_s
    return float("-inf") if lead_s is None else lead_s


def _best_lead_s(ride: RideTried, now: Setting) -> float:
    return max(_lead_s(ride, setting) for setting in ride.tried if setting.on_delay_s == now.on_delay_s)


def _in_time(ride: RideTried, setting: Setting) -> bool:
    """Whether the warning left `LEAD_S`, or as much as any limit could."""
    return _lead_s(ride, setting) >= min(LEAD_S, _best_lead_s(ride, setting))


def _limits(ride: RideTried) -> list[float]:
    return sorted({setting.limit_v for setting in ride.tried})


def _raised(floored: Sequence[RideTried], now: Setting) -> float:
    """The lowest limit that warns in time in every ride that met the floor."""
    higher = [volts for volts in _limits(floored[0]) if volts > now.limit_v]
    for volts in higher:
        if all(_in_time(ride, Setting(volts, now.on_delay_s)) for ride in floored):
            return volts
    return max(higher, default=now.limit_v)


def _lowered(pack: Pack, rides: Sequence[RideTried], counted: Counted, now: Setting) -> float:
    """One step down if enough rides bear it, else the present limit."""
    lower = Setting(round(now.limit_v - STEP_V, 6), now.on_delay_s)
    if not counted.enough or counted.floor or lower.limit_v < pack.cell.empty_v + ABOVE_EMPTY_V:
        return now.limit_v
    low = [ride for ride in rides if ride.ride_id in counted.low]
    early = all((ride.tried[lower].rest.to_end_s or 0.0) >= EARLY_S for ride in low)
    return lower.limit_v if early else now.limit_v


def _delay(rides: Sequence[RideTried], setting: Setting) -> float:
    """A longer delay where it halves the warnings that came back and costs next to nothing of the lead."""
    best_s, fewest = setting.on_delay_s, _came_back(rides, setting)
    for seconds in DELAYS_S:
        longer = Setting(setting.limit_v, seconds)
        came_back = _came_back(rides, longer) if seconds > setting.on_delay_s else fewest
        if 2 * came_back <= fewest and came_back < fewest and _costs_s(rides, setting, longer) <= LATER_S:
            best_s, fewest = seconds, came_back
    return best_s


def _came_back(rides: Sequence[RideTried], setting: Setting) -> int:
    return sum(ride.tried[setting].rest.count - ride.tried[setting].rest.groups for ride in rides)


def _costs_s(rides: Sequence[RideTried], setting: Setting, longer: Setting) -> float:
    """How much later the first warning of any ride comes; infinite where one is lost."""
    costs_s = [0.0]
    for ride in rides:
        before_s, after_s = ride.tried[setting].rest.first_s, ride.tried[longer].rest.first_s
        if before_s is not None:
            costs_s.append(float("inf") if after_s is None else after_s - before_s)
    return max(costs_s)


def _buzzer(rides: Sequence[RideTried], proposed: Setting) -> Buzzer | None:
    """The plain buzzer that cries wolf least of those that miss least; None where no ride went low."""
    low = [ride for ride in rides if ride.tried[proposed].rest.raises]
    if not low:
        return None
    settings = [setting for setting in low[0].tried if setting.limit_v <= proposed.limit_v]
    found = [
        Buzzer(one, sum(_false(ride, one, proposed) for ride in rides), sum(_caught(r, one, proposed) for r in low))
        for one in settings
    ]
    return min(found, key=lambda one: (-one.in_time, one.false, -one.setting.limit_v, one.setting.on_delay_s))


def _false(ride: RideTried, buzzer: Setting, proposed: Setting) -> int:
    """How often it sounds while no group is low at rest."""
    low_s = ride.tried[proposed].rest.first_s
    return sum(low_s is None or moment < low_s for moment, _ in ride.tried[buzzer].plain.raises)


def _caught(ride: RideTried, buzzer: Setting, proposed: Setting) -> bool:
    """Whether it sounds at the latest `BUZZER_LATE_S` after the rest voltage fell under the limit."""
    low_s = ride.tried[proposed].rest.first_s
    first_s = ride.tried[buzzer].plain.first_s
    return low_s is not None and first_s is not None and first_s <= low_s + BUZZER_LATE_S

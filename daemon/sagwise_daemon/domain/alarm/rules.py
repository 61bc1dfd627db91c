"""The alarm rules. Law: one function and one row a rule; a rule measures, and never judges delays or states.

A rule's function gives the value that is held against the limit, NaN where it is unknown. Limits, deadbands,
delays, units and priorities come from the pack (`domain.pack.profile` tables them). To add a rule: its defaults
there, one function and one row here, one test.

A function looks at many readings at once, the rows along the first axis; live they are one. It judges each row by
that row alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.alarm.sense import Senses
from sagwise_daemon.domain.model import Estimates, Floats, HostState, Pack, Readings, RuleSettings, Unknown

MAX_SENSORS = 16  # temperature sensors, as many as the wire carries

# How far `rest_low` leans to the cautious side of an estimate, and how long a sag may last before a group whose
# rest voltage is unknown is called low by what it reads under load.
SIGMA_MARGIN_V = 0.010
LOADED_ON_DELAY_S = 5.0

CHARGING_C_RATE = 0.02

# Near empty a healthy group's resistance rises by half and more, and first that of the group that is emptiest: there
# resistance is not judged. 0.1 V above the low limit is the last fifth of the charge in the built-in curves.
RESISTANCE_ABOVE_LOW_V = 0.10


class Per(Enum):
    """What a rule is judged for: each group has an alarm of its own, sensors share the pack's one."""

    GROUP = "group"
    SENSOR = "sensor"
    PACK = "pack"


class Side(Enum):
    """On which side of the limit a rule is met; REACHES counts the limit itself."""

    BELOW = "below"
    ABOVE = "above"
    REACHES = "reaches"


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """What the rules look at: readings in turn, at least one, each with its estimate.

    temperature_c: (rows, MAX_SENSORS), NaN where there is no such sensor. age_s: (rows,) since the last valid
    sample, 0 when there is one. shortfall_v: (rows, groups) or one number, 0 to 0.015: how much lower than estimated
    to take the rest voltage of a group found short of capacity. senses: what the readings say about their own
    sensors, None where nobody looks. earlier_mohm: (groups,) or (rows, groups) 25 degC resistances of earlier rides,
    NaN unknown, None without. host: what the computer says of itself, None where nobody asked it.
    """

    pack: Pack
    readings: Readings
    estimates: Estimates
    temperature_c: Floats
    age_s: Floats
    shortfall_v: Floats | float = 0.0
    senses: Senses | None = None
    earlier_mohm: Floats | None = None
    host: HostState | None = None

    def last(self) -> Facts:
        """The last row alone."""
        row, shortfall_v, earlier = slice(-1, None), self.shortfall_v, self.earlier_mohm
        return Facts(
            self.pack,
            self.readings.rows(row),
            self.estimates.rows(row),
            self.temperature_c[row],
            self.age_s[row],
            shortfall_v[row] if isinstance(shortfall_v, np.ndarray) and shortfall_v.ndim == 2 else shortfall_v,
            None if self.senses is None else self.senses.rows(row),
            earlier[row] if earlier is not None and earlier.ndim == 2 else earlier,
            self.host,
        )

    def cautious_rest_v(self) -> Floats:
        """Rest voltage less the margins that `rest_low` takes, NaN where unknown."""
        margin = np.fmin(self.estimates.rest_sigma_v, SIGMA_MARGIN_V) + self.shortfall_v
        return np.asarray(self.estimates.rest_v - margin)


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """What a rule makes of the facts; each array is (rows, groups or sensors), (rows, 1) for the whole pack, or one
    number.

    value: held against the limit; infinite where the rule has nothing to object to. shown: what an event says
    instead of it. loaded: where the value is a loaded voltage, None where that is no question. on_delay_s: in
    place of the settings'.
    """

    value: Floats | float
    shown: Floats | float | None = None
    loaded: NDArray[np.bool_] | bool | None = None
    on_delay_s: Floats | None = None


def rest_low(facts: Facts, settings: RuleSettings) -> Measured:
    """Rest voltage less the margins; where it is unknown the loaded voltage, with a longer on-delay.

    A loaded voltage under a fresh suspicion of its lead waits: within the same delay the lead is named or cleared.
    """
    rest = facts.cautious_rest_v()
    unknown = np.isnan(rest)
    loaded = facts.readings.group_v
    if facts.senses is not None:
        loaded = np.where(facts.senses.fresh > 0, np.nan, loaded)
    return Measured(
        value=np.where(unknown, loaded, rest),
        loaded=unknown,
        on_delay_s=np.where(unknown, max(settings.on_delay_s, LOADED_ON_DELAY_S), settings.on_delay_s),
    )


def loaded_floor(facts: Facts, settings: RuleSettings) -> Measured:
    """The measured voltage and nothing else: no estimate can silence it."""
    return Measured(value=facts.readings.group_v, loaded=True)


def overvoltage(facts: Facts, settings: RuleSettings) -> Measured:
    return Measured(value=facts.readings.group_v)


def spread_high(facts: Facts, settings: RuleSettings) -> Measured:
    """Highest less lowest rest voltage. With groups unknown it is at least that: it may raise, but not clear.

    Groups that are low, or whose readings are suspect, have an alarm of their own and are left out.
    """
    rest = facts.estimates.rest_v
    some_unknown = np.isnan(rest).any(axis=1)
    told = _told_of_already(facts)
    rest = np.where(told, np.nan, rest)
    spread = np.fmax.reduce(rest, axis=1) - np.fmin.reduce(rest, axis=1)
    too_wide = spread > (np.inf if settings.limit is None else settings.limit)
    return Measured(value=np.where(too_wide | ~some_unknown, spread, np.nan)[:, None])


def _told_of_already(facts: Facts) -> NDArray[np.bool_]:
    low = facts.pack.rules["rest_low"]
    told = np.zeros(facts.estimates.rest_v.shape, np.bool_)
    if low.enabled and low.limit is not None:
        told |= facts.cautious_rest_v() < low.limit
    if facts.senses is not None:
        told |= facts.senses.suspect > 0
    return told


def resistance_high(facts: Facts, settings: RuleSettings) -> Measured:
    """A group's resistance over the pack's, or over its own earlier in the ride or on earlier rides: the larger.

    Over earlier rides what the whole pack has gained is left out: that is cold, or age, and no joint.
    """
    assert facts.senses is not None, "an engine that watches this rule looks at the sensors"
    ratio = facts.senses.ratio
    if facts.earlier_mohm is not None:
        grown = facts.estimates.resistance_25c_mohm / facts.earlier_mohm
        ordered = np.sort(grown, axis=1)  # NaN comes last
        known = np.maximum(np.isfinite(grown).sum(axis=1) - 1, 0)
        common = np.take_along_axis(ordered, (known // 2)[:, None], axis=1)
        ratio = np.fmax(ratio, grown / np.fmax(common, 1.0))
    low = facts.pack.rules["rest_low"].limit
    empty = facts.estimates.rest_v < (-np.inf if low is None else low + RESISTANCE_ABOVE_LOW_V)
    return Measured(value=np.where(empty | (facts.senses.suspect > 0), np.nan, ratio))


def sense_open(facts: Facts, settings: RuleSettings) -> Measured:
    assert facts.senses is not None
    return Measured(value=facts.senses.open)


def sense_crossed(facts: Facts, settings: RuleSettings) -> Measured:
    assert facts.senses is not None
    return Measured(value=facts.senses.crossed)


def reading_stuck(facts: Facts, settings: RuleSettings) -> Measured:
    assert facts.senses is not None
    return Measured(value=facts.senses.stuck)


def current_sensor(facts: Facts, settings: RuleSettings) -> Measured:
    assert facts.senses is not None
    return Measured(value=facts.senses.current)


def temperature(facts: Facts, settings: RuleSettings) -> Measured:
    return Measured(value=facts.temperature_c)


def charge_cold(facts: Facts, settings: RuleSettings) -> Measured:
    """Temperature while charging. Lithium plates on the anode when a cold cell is charged."""
    current_a = facts.readings.current_a[:, None]
    charging = current_a < -CHARGING_C_RATE * facts.pack.capacity_ah
    value = np.where(charging, facts.temperature_c, np.inf)
    blank = np.isnan(current_a)
    return Measured(value=np.where(blank, np.nan, value), shown=np.where(blank, np.nan, facts.temperature_c))


def overcurrent(facts: Facts, settings: RuleSettings) -> Measured:
    """Discharge current over what the makers allow all cells of a group together."""
    allowed_a = (facts.pack.cell.max_discharge_a or np.nan) * facts.pack.parallel
    return Measured(value=facts.readings.current_a[:, None] / allowed_a)


def turn_back(facts: Facts, settings: RuleSettings) -> Measured:
    """Energy left above the reserve, cautiously taken, over the energy to get home, less 1: the margin that is left.

    Unknown energy neither raises nor clears. With groups unknown the pack has at most what the others say: it may
    raise, but not clear. At home there is nothing to object to.
    """
    made = facts.estimates
    home = np.broadcast_to(made.energy_home_wh, made.time_s.shape)
    way = np.where(home > 0.0, home, np.nan)
    margin = np.where(home <= 0.0, np.inf, made.energy_counted_wh / way - 1.0)
    too_little = margin < (-np.inf if settings.limit is None else settings.limit)
    return Measured(value=np.where(too_little | ~np.isnan(made.energy_left_wh), margin, np.nan)[:, None])


def link_lost(facts: Facts, settings: RuleSettings) -> Measured:
    return Measured(value=facts.age_s[:, None])


def storage(facts: Facts, settings: RuleSettings) -> Measured:
    """Unknown where nobody asked, as in a replay."""
    return Measured(value=np.nan if facts.host is None else float(facts.host.storage))


def clock_unset(facts: Facts, settings: RuleSettings) -> Measured:
    return Measured(value=np.nan if facts.host is None else float(facts.host.clock_unset))


def nothing_yet(pack: Pack) -> Facts:
    """Before the first reading: everything unknown."""
    groups, sensors, single = np.full((1, pack.series), np.nan), np.full((1, MAX_SENSORS), np.nan), np.full(1, np.nan)
    unknown = np.full((1, pack.series), Unknown.STARTING, np.int8)
    estimates = Estimates(single, groups, groups, groups, groups, groups, groups, unknown)
    return Facts(pack, Readings(single, groups, single, sensors[:, :0], single), estimates, sensors, np.zeros(1))


def _always(pack: Pack) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class Rule:
    """One row.

    low_cell: its events say on which voltage it acted. on_silence: looked at when samples fail to come, not only
    at a reading; of_silence: and what it measures is how long they do. sensing: it looks at `Facts.senses`. applies:
    whether the rule has a meaning for this pack; if not, it has no alarm at all.
    """

    name: str
    measure: Callable[[Facts, RuleSettings], Measured]
    per: Per
    side: Side
    low_cell: bool = False
    on_silence: bool = False
    of_silence: bool = False
    sensing: bool = False
    applies: Callable[[Pack], bool] = _always


TABLE: tuple[Rule, ...] = (
    Rule("rest_low", rest_low, Per.GROUP, Side.BELOW, low_cell=True),
    Rule("loaded_floor", loaded_floor, Per.GROUP, Side.BELOW, low_cell=True),
    Rule("overvoltage", overvoltage, Per.GROUP, Side.ABOVE),
    Rule("resistance_high", resistance_high, Per.GROUP, Side.ABOVE, sensing=True, applies=lambda pack: pack.series > 1),
    Rule("spread_high", spread_high, Per.PACK, Side.ABOVE, applies=lambda pack: pack.series > 1),
    Rule("temperature_high", temperature, Per.SENSOR, Side.ABOVE),
    Rule("temperature_low", temperature, Per.SENSOR, Side.BELOW),
    Rule("charge_cold", charge_cold, Per.SENSOR, Side.BELOW),
    Rule(
        "overcurrent",
        overcurrent,
        Per.PACK,
        Side.ABOVE,
        applies=lambda pack: pack.cell.max_discharge_a is not None,
    ),
    Rule("turn_back", turn_back, Per.PACK, Side.BELOW),
    Rule("sense_open", sense_open, Per.GROUP, Side.ABOVE, sensing=True),
    Rule("sense_crossed", sense_crossed, Per.GROUP, Side.ABOVE, sensing=True),
    Rule("reading_stuck", reading_stuck, Per.GROUP, Side.ABOVE, sensing=True),
    Rule("current_sensor", current_sensor, Per.PACK, Side.ABOVE, sensing=True),
    Rule("link_lost", link_lost, Per.PACK, Side.REACHES, on_silence=True, of_silence=True),
    Rule("storage", storage, Per.PACK, Side.ABOVE, on_silence=True),
    Rule("clock_unset", clock_unset, Per.PACK, Side.ABOVE, on_silence=True),
)

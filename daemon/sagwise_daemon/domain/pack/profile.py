"""Builds a `Pack` with its alarm settings. Law: one table of rules holds every default, key and allowed range.

The defaults are those of the contract. Where a default follows from the cell (its empty voltage, its curve), the
table holds None and `default_rules` computes it. Whoever checks a pack file takes the ranges from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, TypeAlias

import numpy as np

from sagwise_daemon.domain.model import Cell, Pack, Priority, RuleSettings

Range: TypeAlias = tuple[float, float]
Overrides: TypeAlias = Mapping[str, Mapping[str, float | bool | str]]

# Re-alarm: an acknowledged alarm speaks again. High: every five minutes, about 2 km of trail, so that a rider who
# pushed the button and forgot is told once more before a group that sits at its limit is harmed. Medium: every
# quarter of an hour. Low: never, it is read at the next stop. Common practice, no published source.
RE_ALARM_S: Mapping[Priority, float] = MappingProxyType(
    {Priority.HIGH: 300.0, Priority.MEDIUM: 900.0, Priority.LOW: 0.0}
)

# Allowed values of the keys that every rule has. Delays end at ten minutes: longer, an alarm is no warning.
ON_DELAY_RANGE: Range = (0.0, 600.0)
OFF_DELAY_RANGE: Range = (0.0, 600.0)
RE_ALARM_RANGE: Range = (0.0, 86400.0)

# The keys of a rule besides its limit; the limit's own key is `RuleSpec.limit_key`.
NUMBER_KEYS: Mapping[str, Range] = MappingProxyType(
    {"on_delay_s": ON_DELAY_RANGE, "off_delay_s": OFF_DELAY_RANGE, "re_alarm_s": RE_ALARM_RANGE}
)
BOOL_KEYS: tuple[str, ...] = ("latching", "enabled")
PRIORITY_KEY = "priority"
DEADBAND_KEY = "deadband"


@dataclass(frozen=True, slots=True)
class RuleSpec:
    """One row of the rule table.

    limit_key: the limit's key in a pack file, None for a rule without a limit (its settings' `limit` is None and
    a deadband has no meaning). unit: of limit and deadband, as events carry it. limit: the default, None where it
    follows from the cell. limit_range, deadband_range: what a pack file may say, both ends allowed.
    shelvable: whether a person may shelve it and the system suppress it.
    """

    limit_key: str | None
    unit: str
    limit: float | None
    limit_range: Range
    deadband: float
    deadband_range: Range
    on_delay_s: float
    off_delay_s: float
    priority: Priority
    shelvable: bool = True

    @property
    def key_names(self) -> tuple[str, ...]:
        """Every key that a pack file may give this rule."""
        limits = () if self.limit_key is None else (self.limit_key, DEADBAND_KEY)
        return (*limits, *NUMBER_KEYS, PRIORITY_KEY, *BOOL_KEYS)

    def ranges(self) -> Mapping[str, Range]:
        """The allowed range of every key that takes a number."""
        if self.limit_key is None:
            return NUMBER_KEYS
        return {self.limit_key: self.limit_range, DEADBAND_KEY: self.deadband_range, **NUMBER_KEYS}


def _volts(limit: float | None, deadband: float, on_s: float, off_s: float, priority: Priority) -> RuleSpec:
    return RuleSpec("volts", "V", limit, (1.0, 5.0), deadband, (0.0, 1.0), on_s, off_s, priority)


def _celsius(limit: float, deadband: float, on_s: float, off_s: float, priority: Priority) -> RuleSpec:
    return RuleSpec("celsius", "degC", limit, (-40.0, 100.0), deadband, (0.0, 20.0), on_s, off_s, priority)


def _ratio(limit: float, on_s: float, off_s: float) -> RuleSpec:
    return RuleSpec("ratio", "1", limit, (0.1, 10.0), 0.1, (0.0, 5.0), on_s, off_s, Priority.MEDIUM)


def _pattern(on_s: float, off_s: float, priority: Priority) -> RuleSpec:
    return RuleSpec(None, "1", None, (0.0, 0.0), 0.0, (0.0, 0.0), on_s, off_s, priority)


RULES: Mapping[str, RuleSpec] = MappingProxyType(
    {
        "rest_low": _volts(None, 0.05, 1.0, 10.0, Priority.HIGH),
        "loaded_floor": replace(_volts(None, 0.05, 0.5, 5.0, Priority.HIGH), shelvable=False),
        "resistance_high": _ratio(1.5, 60.0, 60.0),
        "spread_high": replace(_volts(0.10, 0.02, 30.0, 60.0, Priority.LOW), limit_range=(0.005, 2.0)),
        "overvoltage": _volts(None, 0.02, 1.0, 5.0, Priority.HIGH),
        "temperature_high": _celsius(60.0, 3.0, 5.0, 30.0, Priority.HIGH),
        "temperature_low": _celsius(-20.0, 3.0, 5.0, 30.0, Priority.LOW),
        "charge_cold": _celsius(0.0, 2.0, 2.0, 10.0, Priority.MEDIUM),
        "overcurrent": _ratio(1.1, 5.0, 5.0),
        "sense_open": _pattern(5.0, 5.0, Priority.MEDIUM),
        "sense_crossed": _pattern(5.0, 5.0, Priority.MEDIUM),
        "reading_stuck": _pattern(5.0, 5.0, Priority.MEDIUM),
        "current_sensor": _pattern(5.0, 5.0, Priority.MEDIUM),
        "link_lost": RuleSpec(
            "seconds", "s", 1.0, (0.2, 60.0), 0.0, (0.0, 10.0), 0.0, 0.0, Priority.HIGH, shelvable=False
        ),
        "turn_back": RuleSpec("margin", "1", 0.15, (0.0, 5.0), 0.05, (0.0, 1.0), 10.0, 30.0, Priority.MEDIUM),
        "storage": _pattern(10.0, 10.0, Priority.LOW),
        "clock_unset": _pattern(10.0, 10.0, Priority.LOW),
    }
)

REST_LOW_V: Mapping[str, float] = MappingProxyType({"nmc": 3.30, "nca": 3.30, "lipo": 3.60, "lfp": 3.10})
MEASURED_REST_LOW_SOC = 0.10
OVERVOLTAGE_MARGIN_V = 0.03


def rest_low_v(cell: Cell) -> float:
    """Default limit of `rest_low` for this cell: by chemistry, or the curve at 10 % where it was measured."""
    if cell.chemistry in REST_LOW_V:
        return REST_LOW_V[cell.chemistry]
    return float(np.interp(MEASURED_REST_LOW_SOC, cell.ocv_soc, cell.ocv_v))


def default_rules(cell: Cell, series: int) -> Mapping[str, RuleSettings]:
    """Every rule's settings before the pack file speaks.

    `overcurrent` is off where the maker's continuous discharge current is unstated, `spread_high` in a pack of
    one group.
    """
    limits = {
        "rest_low": rest_low_v(cell),
        "loaded_floor": cell.empty_v,
        "overvoltage": cell.full_v + OVERVOLTAGE_MARGIN_V,
    }
    off = set()
    if cell.max_discharge_a is None:
        off.add("overcurrent")
    if series < 2:
        off.add("spread_high")
    return {name: _settings(spec, limits.get(name, spec.limit), name not in off) for name, spec in RULES.items()}


def _settings(spec: RuleSpec, limit: float | None, enabled: bool) -> RuleSettings:
    return RuleSettings(
        limit=limit,
        deadband=spec.deadband,
        on_delay_s=spec.on_delay_s,
        off_delay_s=spec.off_delay_s,
        re_alarm_s=RE_ALARM_S[spec.priority],
        priority=spec.priority,
        latching=False,
        enabled=enabled,
    )


def build_pack(name: str, series: int, parallel: int, cell: Cell, overrides: Overrides = MappingProxyType({})) -> Pack:
    """A pack with `overrides` (rule name -> the pack file's keys and values) laid over the defaults.

    Expects values already held against `RULES[...].ranges()`. Where a priority is changed and `re_alarm_s` is
    not, the new priority's re-alarm applies. Raises KeyError for an unknown rule or key, and ValueError where
    `overcurrent` is enabled without `max_discharge_a`: there is nothing to hold the current against.
    """
    rules = default_rules(cell, series)
    return overridden(Pack(name=name, series=series, parallel=parallel, cell=cell, rules=rules), overrides)


def overridden(pack: Pack, overrides: Overrides) -> Pack:
    """The pack with other settings of some rules. Expects and raises as `build_pack`."""
    rules = dict(pack.rules)
    for rule, keys in overrides.items():
        rules[rule] = _override(RULES[rule], rules[rule], keys)
    if rules["overcurrent"].enabled and pack.cell.max_discharge_a is None:
        raise ValueError("alarm.overcurrent.enabled: true needs cell.max_discharge_a; state it or leave it off")
    return replace(pack, rules=MappingProxyType(rules))


def _override(spec: RuleSpec, settings: RuleSettings, keys: Mapping[str, float | bool | str]) -> RuleSettings:
    values: dict[str, Any] = {}
    for key, value in keys.items():
        if key not in spec.key_names:
            raise KeyError(key)
        if key == PRIORITY_KEY:
            values[key] = Priority(str(value))
            values.setdefault("re_alarm_s", RE_ALARM_S[values[key]])
        elif key in BOOL_KEYS:
            values[key] = bool(value)
        else:
            values["limit" if key == spec.limit_key else key] = float(value)
    return replace(settings, **values)

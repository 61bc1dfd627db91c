"""The rule table against the contract's defaults, and what a pack file may change."""

from __future__ import annotations

import numpy as np
import pytest

from sagwise_daemon.domain.model import Cell, Priority
from sagwise_daemon.domain.pack.chemistry import built_in_curve
from sagwise_daemon.domain.pack.profile import RULES, build_pack, default_rules, rest_low_v


def cell(chemistry: str = "nmc", max_discharge_a: float | None = 30.0) -> Cell:
    if chemistry == "measured":
        soc, volts = np.array([0.0, 0.05, 0.2, 1.0]), np.array([2.95, 3.20, 3.50, 4.18])
    else:
        soc, volts = built_in_curve(chemistry)
    return Cell(chemistry, 4.5, 4.20, 2.80, 14.0, max_discharge_a, soc, volts)


# The contract's table: rule, limit, deadband, on, off, priority.
CONTRACT = [
    ("rest_low", 3.30, 0.05, 1, 10, "high"),
    ("loaded_floor", 2.80, 0.05, 0.5, 5, "high"),
    ("resistance_high", 1.5, 0.1, 60, 60, "medium"),
    ("spread_high", 0.10, 0.02, 30, 60, "low"),
    ("overvoltage", 4.23, 0.02, 1, 5, "high"),
    ("temperature_high", 60, 3, 5, 30, "high"),
    ("temperature_low", -20, 3, 5, 30, "low"),
    ("charge_cold", 0, 2, 2, 10, "medium"),
    ("overcurrent", 1.1, 0.1, 5, 5, "medium"),
    ("sense_open", None, 0, 5, 5, "medium"),
    ("sense_crossed", None, 0, 5, 5, "medium"),
    ("reading_stuck", None, 0, 5, 5, "medium"),
    ("current_sensor", None, 0, 5, 5, "medium"),
    ("link_lost", 1.0, 0, 0, 0, "high"),
    ("turn_back", 0.15, 0.05, 10, 30, "medium"),
    ("storage", None, 0, 10, 10, "low"),
    ("clock_unset", None, 0, 10, 10, "low"),
]


@pytest.mark.parametrize(("rule", "limit", "deadband", "on_s", "off_s", "priority"), CONTRACT)
def test_defaults_are_the_contracts(
    rule: str, limit: float | None, deadband: float, on_s: float, off_s: float, priority: str
) -> None:
    settings = default_rules(cell(), 16)[rule]
    assert settings.limit == pytest.approx(limit)
    assert (settings.deadband, settings.on_delay_s, settings.off_delay_s) == (deadband, on_s, off_s)
    assert settings.priority == Priority(priority)
    assert settings.enabled
    assert not settings.latching


def test_table_and_contract_name_the_same_rules() -> None:
    assert list(RULES) == [row[0] for row in CONTRACT]
    assert [name for name, spec in RULES.items() if not spec.shelvable] == ["loaded_floor", "link_lost"]


@pytest.mark.parametrize(("chemistry", "limit"), [("nca", 3.30), ("lipo", 3.60), ("lfp", 3.10)])
def test_rest_low_by_chemistry(chemistry: str, limit: float) -> None:
    assert rest_low_v(cell(chemistry)) == limit


def test_rest_low_of_a_measured_curve_is_its_voltage_at_ten_percent() -> None:
    assert rest_low_v(cell("measured")) == pytest.approx(3.30)  # a third of the way from 3.20 to 3.50


def test_rules_without_meaning_are_off() -> None:
    rules = default_rules(cell(max_discharge_a=None), 1)
    assert [name for name, rule in rules.items() if not rule.enabled] == ["spread_high", "overcurrent"]


def test_every_default_lies_in_its_allowed_range() -> None:
    rules = default_rules(cell(), 16)
    for name, spec in RULES.items():
        for key, (low, high) in spec.ranges().items():
            field = "limit" if key == spec.limit_key else key
            assert low <= getattr(rules[name], field) <= high, (name, key)


def test_overrides_are_laid_over_the_defaults() -> None:
    pack = build_pack(
        "Otter", 16, 5, cell(), {"rest_low": {"volts": 3.4, "on_delay_s": 2, "latching": True, "enabled": False}}
    )
    rule = pack.rules["rest_low"]
    assert (rule.limit, rule.on_delay_s, rule.latching, rule.enabled) == (3.4, 2.0, True, False)
    assert rule.deadband == 0.05
    assert pack.rules["overvoltage"] == default_rules(cell(), 16)["overvoltage"]
    assert pack.capacity_ah == 22.5


def test_re_alarm_follows_a_changed_priority_unless_given() -> None:
    given = {"priority": "high", "re_alarm_s": 42.0}
    pack = build_pack("Otter", 16, 5, cell(), {"spread_high": {"priority": "high"}, "temperature_low": given})
    assert pack.rules["spread_high"].re_alarm_s == pack.rules["rest_low"].re_alarm_s > 0
    assert pack.rules["temperature_low"].re_alarm_s == 42.0


@pytest.mark.parametrize("overrides", [{"no_such": {"volts": 3.0}}, {"rest_low": {"celsius": 3.0}}])
def test_unknown_rule_or_key_is_refused(overrides: dict[str, dict[str, float]]) -> None:
    with pytest.raises(KeyError):
        build_pack("Otter", 16, 5, cell(), overrides)


def test_overcurrent_cannot_be_enabled_without_a_stated_current() -> None:
    with pytest.raises(ValueError, match="max_discharge_a"):
        build_pack("Otter", 16, 5, cell(max_discharge_a=None), {"overcurrent": {"enabled": True}})

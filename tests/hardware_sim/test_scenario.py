"""Scenario files: the shipped ones load, a wrong one is refused in one line that says what and where."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sagwise_sim.checks import ScenarioError
from sagwise_sim.scenario import load, parse, shipped


@pytest.mark.parametrize("name", shipped())
def test_shipped_scenario_loads(name: str) -> None:
    scenario = load(name)
    assert scenario.name == name
    assert scenario.duration_s > 30.0


def test_the_promised_ones_are_there() -> None:
    assert {"demo", "otter_morning", "otter_hills", "otter_cold", "heron_ride", "wren_commute"} <= set(shipped())


def test_the_earlier_rides_are_of_one_pack() -> None:
    rides = [load(name) for name in ("otter_morning", "otter_hills", "otter_cold")]
    assert {ride.pack.name for ride in rides} == {load("demo").pack.name} == {"Otter 16s5p"}
    assert all(1200.0 <= ride.duration_s <= 2400.0 for ride in rides)


WRONG = [
    ({"tyres": {}}, "tyres: unknown key; allowed: scenario"),
    ({"pack": {"wheels": 2}}, "pack.wheels: unknown key; allowed: name, chemistry"),
    ({"pack": {"series": 0}}, "pack.series: 0 is out of range; allowed: 1 to 48"),
    ({"pack": {"series": 16.0}}, "pack.series: 16.0 is no whole number; allowed: 1 to 48"),
    ({"pack": {"series": True}}, "pack.series: True is no whole number"),
    ({"pack": {"capacity_ah": float("nan")}}, "pack.capacity_ah: nan is out of range; allowed: 0.1 to 500"),
    ({"pack": {"chemistry": "lead"}}, "pack.chemistry: 'lead' is unknown; allowed: nmc, lipo, lfp"),
    ({"pack": {"name": ""}}, "pack.name: '' has a wrong length; allowed: text of 1 to 80 bytes"),
    ({"pack": {"name": 5}}, "pack.name: 5 is no text"),
    ({"sensors": {"rate_hz": 101}}, "sensors.rate_hz: 101.0 is out of range; allowed: 1 to 100"),
    ({"sensors": {"current": 1}}, "sensors.current: 1 is no true or false; allowed: true, false"),
    ({"board": {"name": "x" * 33}}, "board.name: '" + "x" * 33 + "' has a wrong length"),
    (
        {"board": {"fallback_low_v": 4.0, "fallback_high_v": 3.0}},
        "board.fallback_low_v: 4.0 is out of range; allowed: below",
    ),
    ({"segment": {"kind": "rest"}}, "segment: is no list of tables; write [[segment]]"),
    ({"segment": [{"kind": "fly", "duration_s": 1.0}]}, "segment[1].kind: 'fly' is unknown; allowed: rest, ride"),
    ({"segment": [{"kind": "rest"}]}, "segment[1].duration_s: is missing; allowed: 0.05 to 86400"),
    ({"segment": ["rest"]}, "segment[1]: is no table; allowed: keys kind"),
    ({"group": [{"number": 5}]}, "group[1].number: 5 is out of range; allowed: 1 to 4"),
    ({"group": [{"number": 2}, {"number": 2}]}, "group[2].number: group 2 is described twice"),
    ({"fault": [{"at_s": 1.0}]}, "fault[1].kind: is missing; allowed: unplug"),
    ({"fault": [{"kind": "rust"}]}, "fault[1].kind: 'rust' is unknown; allowed: unplug"),
    ({"fault": [{"kind": "unplug", "group": 1}]}, "fault[1].group: unknown key; allowed: kind, at_s, for_s"),
    ({"fault": [{"kind": "stuck_reading"}]}, "fault[1].group: is missing; allowed: 1 to 48"),
    ({"fault": [{"kind": "stuck_reading", "group": 5}]}, "fault[1].group: 5 is out of range; allowed: 1 to 4"),
    ({"fault": [{"kind": "broken_lead", "group": 4}]}, "fault[1].group: 4 is out of range; allowed: 1 to 3"),
    ({"fault": [{"kind": "lost_frames", "chance": 1.5}]}, "fault[1].chance: 1.5 is out of range; allowed: 0 to 1"),
    ({"fault": ["unplug"]}, "fault[1]: is no table; write [[fault]]"),
]


@pytest.mark.parametrize(("change", "message"), WRONG, ids=[message[:40] for _, message in WRONG])
def test_wrong_key_is_named_with_what_is_allowed(
    data: Callable[..., dict[str, Any]], change: dict[str, Any], message: str
) -> None:
    with pytest.raises(ScenarioError, match="^" + re.escape(message)) as caught:
        parse("test", data(**change))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("needed", ["scenario", "pack", "segment"])
def test_missing_table_is_named(data: Callable[..., dict[str, Any]], needed: str) -> None:
    tables = data()
    del tables[needed]
    with pytest.raises(ScenarioError, match=f"^{needed}: is missing"):
        parse("test", tables)


def test_unreadable_files_give_one_line(tmp_path: Path) -> None:
    broken = tmp_path / "broken.toml"
    broken.write_text("[pack\nname=")
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("tyres = 2\n")
    for path, part in [
        (broken, "is no TOML"),
        (binary, "cannot be read"),
        (wrong, "tyres: unknown key"),
        (tmp_path / "none.toml", "cannot be read"),
        (tmp_path, "cannot be read"),
    ]:
        with pytest.raises(ScenarioError, match=re.escape(f"{path}: ")) as caught:
            load(path)
        assert part in str(caught.value)
        assert "\n" not in str(caught.value)


def test_unknown_name_lists_the_shipped_ones() -> None:
    with pytest.raises(ScenarioError, match="no scenario 'otters'; shipped: demo, "):
        load("otters")

"""Scenarios: which pack, which ride, which faults. Law: a file is read whole and strictly, or refused in one line.

The shipped ones lie in `scenarios/`; `load` takes their name or the path of any other TOML file.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sagwise_sim.checks import Key, ScenarioError, join, read_table
from sagwise_sim.curves import CHEMISTRIES
from sagwise_sim.faults import KINDS as FAULT_KINDS
from sagwise_sim.faults import FaultSpec
from sagwise_sim.pack import GroupSpec, PackSpec
from sagwise_sim.rider import KINDS as SEGMENT_KINDS
from sagwise_sim.rider import BikeSpec, Segment
from sagwise_sim.sensors import SensorSpec

SHIPPED = Path(__file__).parent / "scenarios"
_DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class BoardSpec:
    """name, board_id: as told in the hello. button, buzzer: fitted. supply_mv: as told in the status.

    fallback_low_v, fallback_high_v: limits compiled in for its own alarm; None: those of the pack's chemistry.
    """

    name: str = "sagwise simulated board"
    board_id: int = 0x5A60_0001
    button: bool = True
    buzzer: bool = True
    supply_mv: int = 5020
    fallback_low_v: float | None = None
    fallback_high_v: float | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything that decides a simulated ride."""

    name: str
    title: str
    seed: int
    pack: PackSpec
    bike: BikeSpec
    sensors: SensorSpec
    board: BoardSpec
    segments: tuple[Segment, ...]
    faults: tuple[FaultSpec, ...]

    @property
    def duration_s(self) -> float:
        """Of all segments."""
        return sum(segment.duration_s for segment in self.segments)


_TEXT = {"low": 1, "high": 80}
_HEAD = {
    "title": Key(str, **_TEXT),  # type: ignore[arg-type]
    "seed": Key(int, 1, 0, 2**32 - 1),
}
_PACK = {
    "name": Key(str, **_TEXT),  # type: ignore[arg-type]
    "chemistry": Key(str, choices=CHEMISTRIES, high=80),
    "series": Key(int, low=1, high=48),
    "parallel": Key(int, low=1, high=100),
    "capacity_ah": Key(float, low=0.1, high=500.0),
    "resistance_mohm": Key(float, low=0.05, high=500.0),
    "start_soc": Key(float, 1.0, 0.0, 1.0),
    "aged_capacity": Key(float, 1.0, 0.1, 1.0),
    "aged_resistance": Key(float, 1.0, 1.0, 10.0),
    "spread_capacity": Key(float, 0.005, 0.0, 0.2),
    "spread_resistance": Key(float, 0.02, 0.0, 0.5),
    "spread_soc": Key(float, 0.002, 0.0, 0.2),
    "joint_mohm": Key(float, 0.1, 0.0, 100.0),
    "ambient_c": Key(float, 20.0, -40.0, 60.0),
    "start_c": Key(float, 20.0, -40.0, 60.0),
}
_GROUP = {
    "number": Key(int, low=1, high=48),
    "capacity": Key(float, 1.0, 0.05, 1.5),
    "resistance": Key(float, 1.0, 0.2, 20.0),
    "start_soc": Key(float, 0.0, -1.0, 1.0),
}
_BIKE = {
    "peak_a": Key(float, 150.0, 1.0, 2000.0),
    "regen_a": Key(float, 30.0, 0.0, 1000.0),
    "idle_a": Key(float, 0.1, 0.0, 20.0),
    "mass_kg": Key(float, 120.0, 30.0, 2000.0),
    "hills": Key(float, 0.04, 0.0, 0.3),
    "nominal_v": Key(float, 57.0, 1.0, 250.0),
}
_SENSORS = {
    "rate_hz": Key(float, 20.0, 1.0, 100.0),
    "temperatures": Key(int, 3, 0, 16),
    "current": Key(bool, True),
    "distance": Key(bool, True),
    "voltage_noise_v": Key(float, 0.002, 0.0, 1.0),
    "current_noise_a": Key(float, 0.5, 0.0, 100.0),
    "temperature_noise_c": Key(float, 0.05, 0.0, 10.0),
    "current_gain": Key(float, 1.0, 0.5, 2.0),
    "current_offset_a": Key(float, 0.0, -100.0, 100.0),
    "current_delay_s": Key(float, 0.0, 0.0, 2.0),
    "voltage_step_uv": Key(int, 1000, 500, 50000),
    "current_step_ma": Key(int, 50, 1, 10000),
    "temperature_step_centi_c": Key(int, 10, 1, 500),
}
_BOARD = {
    "name": Key(str, BoardSpec().name, low=1, high=32),
    "board_id": Key(int, BoardSpec().board_id, 1, 2**32 - 1),
    "button": Key(bool, True),
    "buzzer": Key(bool, True),
    "supply_mv": Key(int, BoardSpec().supply_mv, 0, 65535),
    "fallback_low_v": Key(float, None, 0.5, 6.0),
    "fallback_high_v": Key(float, None, 0.5, 6.0),
}
_SEGMENT = {
    "kind": Key(str, choices=SEGMENT_KINDS, high=80),
    "duration_s": Key(float, low=0.05, high=_DAY_S),
    "intensity": Key(float, 0.5, 0.0, 1.0),
}
_FAULT = {
    "kind": Key(str, choices=tuple(FAULT_KINDS), high=80),
    "at_s": Key(float, 0.0, 0.0, _DAY_S),
    "for_s": Key(float, float("inf"), 0.05, _DAY_S),
}
_LISTS = {"group": _GROUP, "segment": _SEGMENT}
_TABLES = {"scenario": _HEAD, "pack": _PACK, "bike": _BIKE, "sensors": _SENSORS, "board": _BOARD}
_NEEDED = ("scenario", "pack", "segment")


def shipped() -> tuple[str, ...]:
    """Names of the scenarios that come with the simulator."""
    return tuple(sorted(path.stem for path in SHIPPED.glob("*.toml")))


def load(name_or_path: str | Path) -> Scenario:
    """A shipped scenario by name, or a file. Raises ScenarioError with one line that says what is wrong where."""
    path = SHIPPED / f"{name_or_path}.toml"
    if str(name_or_path) not in shipped():
        path = Path(name_or_path)
        if path.suffix != ".toml" and not path.exists():
            raise ScenarioError(
                f"no scenario {str(name_or_path)!r}; shipped: {', '.join(shipped())}; or give the path of a .toml file"
            )
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise ScenarioError(f"{path}: cannot be read: {error}") from error
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"{path}: is no TOML: {error}") from error
    try:
        return parse(path.stem, data)
    except ScenarioError as error:
        raise ScenarioError(f"{path}: {error}") from None


def parse(name: str, data: Mapping[str, object]) -> Scenario:
    """A scenario from TOML data. Raises ScenarioError naming the key's full path and what is allowed."""
    known = (*_TABLES, *_LISTS, "fault")
    for key in data:
        if key not in known:
            raise ScenarioError(f"{key}: unknown key; allowed: {', '.join(known)}")
    for key in _NEEDED:
        if key not in data:
            raise ScenarioError(f"{key}: is missing; a scenario needs {', '.join(_NEEDED)}")
    tables = {key: read_table(key, data.get(key, {}), keys) for key, keys in _TABLES.items()}
    series = tables["pack"]["series"]
    _check_fallback(tables["board"])
    groups = _groups(data, series)
    return Scenario(
        name=name,
        **tables["scenario"],
        pack=PackSpec(**tables["pack"], groups=groups),
        bike=BikeSpec(**tables["bike"]),
        sensors=SensorSpec(**tables["sensors"]),
        board=BoardSpec(**tables["board"]),
        segments=tuple(Segment(**row) for _, row in _rows(data, "segment", _SEGMENT)),
        faults=_faults(data, series),
    )


def _rows(data: Mapping[str, object], name: str, keys: Mapping[str, Key]) -> list[tuple[str, dict[str, Any]]]:
    return [(path, read_table(path, row, keys)) for path, row in _raw_rows(data, name)]


def _raw_rows(data: Mapping[str, object], name: str) -> list[tuple[str, object]]:
    """Each row of an array of tables with its path, counted from 1 as people do."""
    rows = data.get(name, [])
    if not isinstance(rows, list):
        raise ScenarioError(f"{name}: is no list of tables; write [[{name}]]")
    return [(f"{name}[{at}]", row) for at, row in enumerate(rows, 1)]


def _groups(data: Mapping[str, object], series: int) -> tuple[GroupSpec, ...]:
    groups: list[GroupSpec] = []
    for path, row in _rows(data, "group", _GROUP):
        _check_group(join(path, "number"), row["number"], series)
        if any(row["number"] == group.number for group in groups):
            raise ScenarioError(f"{join(path, 'number')}: group {row['number']} is described twice")
        groups.append(GroupSpec(**row))
    return tuple(groups)


def _faults(data: Mapping[str, object], series: int) -> tuple[FaultSpec, ...]:
    return tuple(_fault(path, row, series) for path, row in _raw_rows(data, "fault"))


def _fault(path: str, row: object, series: int) -> FaultSpec:
    if not isinstance(row, Mapping):
        raise ScenarioError(f"{path}: is no table; write [[fault]]")
    if "kind" not in row:
        raise ScenarioError(f"{join(path, 'kind')}: is missing; {_FAULT['kind'].allowed()}")
    fault = FAULT_KINDS[str(_FAULT["kind"].read(join(path, "kind"), row["kind"]))]
    # A broken lead lies between two groups, so the last group has none above it.
    last = series - 1 if fault.kind == "broken_lead" else series
    own = dict(fault.keys) | ({"group": Key(int, low=1, high=48)} if fault.per_group else {})
    values = read_table(path, row, _FAULT | own)
    if fault.per_group:
        _check_group(join(path, "group"), values["group"], last)
    return FaultSpec(values["kind"], values["at_s"], values["for_s"], {key: values[key] for key in own})


def _check_fallback(board: Mapping[str, Any]) -> None:
    low, high = board["fallback_low_v"], board["fallback_high_v"]
    if low is not None and high is not None and low >= high:
        raise ScenarioError(f"board.fallback_low_v: {low} is out of range; allowed: below fallback_high_v, {high}")


def _check_group(path: str, number: int, last: int) -> None:
    if number > last:
        raise ScenarioError(f"{path}: {number} is out of range; allowed: 1 to {last}")

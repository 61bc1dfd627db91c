"""A pack file becomes a `Pack`. Law: a pack whose figures contradict each other or its chemistry is refused whole:
a wrong limit that loads is worse than one that does not.

The keys of the alarm tables and their ranges come from the rule table (`domain.pack.profile.RULES`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import Field, create_model, field_validator

from sagwise_daemon.config.document import Faults, Table, check, choice, number, read_toml, switch, text, whole
from sagwise_daemon.domain.model import Cell, Pack, Priority
from sagwise_daemon.domain.pack.chemistry import CHEMISTRIES, MEASURED, built_in_curve
from sagwise_daemon.domain.pack.profile import (
    BOOL_KEYS,
    DEADBAND_KEY,
    PRIORITY_KEY,
    RULES,
    RuleSpec,
    build_pack,
    overridden,
)
from sagwise_daemon.errors import PackError

BUILT_IN = Path(__file__).resolve().parent.parent / "packs"

# What `empty_v` and `full_v` may be: outside, the chemistry is surely the wrong one. Common practice, no published
# source: makers state 2.5 to 3.3 V and 4.1 to 4.45 V (lfp 2.0 to 2.8 V and 3.5 to 3.65 V), widened for care.
COBALT_RANGES = ((2.0, 3.7), (3.9, 4.5))
VOLT_RANGES: Mapping[str, tuple[tuple[float, float], tuple[float, float]]] = {
    "nmc": COBALT_RANGES,
    "nca": COBALT_RANGES,
    "lipo": COBALT_RANGES,
    "lfp": ((1.5, 3.1), (3.3, 3.9)),
}
OCV_WORDS = "two or more points [state of charge 0 to 1, volts 0.5 to 5], each higher than the one before in both"


CHEMISTRY_WORDS = (
    "one of "
    + ", ".join(f'"{name}"' for name in CHEMISTRIES)
    + f' (lfp: lithium iron phosphate; lipo: pouches of cobalt oxide; any other, as sodium: "{MEASURED}" with your own '
    "cell.ocv)"
)


class _Pack(Table):
    name: str = text(64)
    series: int = whole(1, 48)
    parallel: int = whole(1, 1000)


class _Cell(Table):
    chemistry: str = choice(CHEMISTRIES, words=CHEMISTRY_WORDS)
    capacity_ah: float = number(0.05, 2000, "Ah")
    full_v: float = number(1, 5, "V")
    empty_v: float = number(0.5, 5, "V")
    resistance_mohm: float | None = number(0.01, 1000, "mΩ", None)
    max_discharge_a: float | None = number(0.05, 10000, "A", None)
    ocv: list[list[float]] | None = Field(None, description=OCV_WORDS)

    @field_validator("ocv")
    @classmethod
    def _curve(cls, points: list[list[float]] | None) -> list[list[float]] | None:
        if points is not None:
            fault = next(_curve_faults(points), None)
            if fault is not None:
                raise ValueError(f"{fault}; write {OCV_WORDS}")
        return points


def _curve_faults(points: list[list[float]]) -> Iterator[str]:
    if len(points) < 2:
        yield f"{len(points)} points are no curve"
    for place, point in enumerate(points):
        if len(point) != 2:
            yield f"point [{place}] has {len(point)} numbers"
            return
        if not 0.0 <= point[0] <= 1.0:
            yield f"point [{place}] has a state of charge of {point[0]:g}"
        if not 0.5 <= point[1] <= 5.0:
            yield f"point [{place}] has {point[1]:g} V"
        if place and not (point[0] > points[place - 1][0] and point[1] > points[place - 1][1]):
            yield f"point [{place}] {point} does not rise from {points[place - 1]}"


def _unit(spec: RuleSpec, key: str) -> str:
    """What a key is measured in, for people; nothing for a plain ratio."""
    own = "" if spec.unit == "1" else spec.unit
    return own if key in (spec.limit_key, DEADBAND_KEY) else "s"


def _rule_table(name: str, spec: RuleSpec) -> type[Table]:
    fields: dict[str, Any] = {
        key: (float | None, number(low, high, _unit(spec, key), None)) for key, (low, high) in spec.ranges().items()
    }
    fields |= {key: (bool | None, switch(None)) for key in BOOL_KEYS}
    fields[PRIORITY_KEY] = (str | None, choice([p.value for p in Priority], None))
    return create_model(f"alarm.{name}", __base__=Table, **fields)


# One optional table a rule: an unknown rule or key is then refused with the list of those there are.
_Alarms: type[Table] = create_model(
    "alarm",
    __base__=Table,
    **{name: (_rule_table(name, spec) | None, None) for name, spec in RULES.items()},  # type: ignore[call-overload]
)


class _PackFile(Table):
    pack: _Pack
    cell: _Cell
    alarm: _Alarms = Field(default_factory=_Alarms)  # type: ignore[valid-type]


def built_in_pack(name: str) -> tuple[Path, Pack]:
    """A pack that comes with the program, and its file: "otter", "heron" or "wren". Raises PackError."""
    names = sorted(path.stem for path in BUILT_IN.glob("*.toml"))
    if name not in names:
        raise PackError(f"{name}: no such built-in pack; there are {', '.join(names)}")
    path = BUILT_IN / f"{name}.toml"
    return path, load_pack(path)


def load_pack(path: Path) -> Pack:
    """The pack that the file describes. Raises PackError with every fault, one line each."""
    try:
        return read_pack(Path(path))
    except Faults as faults:
        raise PackError(str(faults)) from None


class _Overrides(Table):
    alarm: _Alarms  # type: ignore[valid-type]


def reruled(pack: Pack, overrides: Mapping[str, Mapping[str, float | bool | str]]) -> Pack:
    """The pack with other settings of some rules, by the keys of a pack file and held against the same ranges.

    Raises PackError with every fault, one line each.
    """
    try:
        alarm = {rule: dict(keys) for rule, keys in overrides.items()}
        checked = check(Path(pack.name), _Overrides, {"alarm": alarm})
        alarms = checked.alarm.model_dump(exclude_none=True)  # type: ignore[attr-defined]
        changed = overridden(pack, alarms)
    except Faults as faults:
        raise PackError(str(faults)) from None
    except ValueError as fault:
        raise PackError(f"{pack.name}: {fault}") from None
    lines = list(_limit_faults(changed, alarms))
    if lines:
        raise PackError("\n".join(f"{pack.name}: {line}" for line in lines))
    return changed


def read_pack(path: Path) -> Pack:
    """As `load_pack`, but raises Faults."""
    file = check(path, _PackFile, read_toml(path))
    lines = list(_cell_faults(file.cell))
    if not lines:
        alarms = file.alarm.model_dump(exclude_none=True)  # type: ignore[attr-defined]
        if alarms.get("overcurrent", {}).get("enabled") and file.cell.max_discharge_a is None:
            lines.append("alarm.overcurrent.enabled: true needs cell.max_discharge_a; state it or leave this out")
        else:
            pack = build_pack(file.pack.name, file.pack.series, file.pack.parallel, _cell(file.cell), alarms)
            lines.extend(_limit_faults(pack, alarms))
    if lines:
        raise Faults([f"{path}: {line}" for line in lines])
    return pack


def _cell(cell: _Cell) -> Cell:
    if cell.ocv is None:
        soc, volts = built_in_curve(cell.chemistry)
    else:
        soc, volts = np.array(cell.ocv, dtype=np.float64).T.copy()
    return Cell(
        chemistry=cell.chemistry,
        capacity_ah=cell.capacity_ah,
        full_v=cell.full_v,
        empty_v=cell.empty_v,
        resistance_mohm=cell.resistance_mohm,
        max_discharge_a=cell.max_discharge_a,
        ocv_soc=soc,
        ocv_v=volts,
    )


def _cell_faults(cell: _Cell) -> Iterator[str]:
    if cell.empty_v >= cell.full_v:
        yield f"cell.empty_v: {cell.empty_v:g} is not allowed; write a number below cell.full_v, {cell.full_v:g}"
        return
    if cell.chemistry == MEASURED:
        yield from _measured_faults(cell)
        return
    if cell.ocv is not None:
        yield (
            f'cell.ocv: not allowed with chemistry "{cell.chemistry}", which has its own curve; '
            f'leave it out or write chemistry = "{MEASURED}"'
        )
    for key, (low, high) in zip(("empty_v", "full_v"), VOLT_RANGES[cell.chemistry], strict=True):
        value = getattr(cell, key)
        if not low <= value <= high:
            yield (
                f"cell.{key}: {value:g} is not allowed for {cell.chemistry}; write a number from {low:g} to "
                f"{high:g} V, or the right cell.chemistry"
            )


def _measured_faults(cell: _Cell) -> Iterator[str]:
    if cell.ocv is None:
        yield f'cell.ocv: missing; chemistry "{MEASURED}" needs {OCV_WORDS}'
    elif cell.ocv[-1][1] <= cell.empty_v or cell.ocv[0][1] >= cell.full_v:
        low, high = cell.ocv[0][1], cell.ocv[-1][1]
        yield (
            f"cell.ocv: volts from {low:g} to {high:g} lie outside cell.empty_v {cell.empty_v:g} to cell.full_v "
            f"{cell.full_v:g}; measure the curve of this cell"
        )


def _limit_faults(pack: Pack, given: Mapping[str, Mapping[str, object]]) -> Iterator[str]:
    """Limits that contradict the cell or each other; a rule that is off may say what it likes."""
    empty, full = pack.cell.empty_v, pack.cell.full_v
    limit = {name: rule.limit for name, rule in pack.rules.items() if rule.enabled and rule.limit is not None}

    def wrong(rule: str, allowed: str) -> str:
        key = RULES[rule].limit_key
        default = "" if key in given.get(rule, {}) else ", the default,"
        return f"alarm.{rule}.{key}: {limit[rule]:g}{default} is not allowed; write a number {allowed}"

    rest = limit.get("rest_low", empty)
    if not empty <= rest < full:
        yield wrong("rest_low", f"from {empty:g} (cell.empty_v) to below {full:g} (cell.full_v)")
    if limit.get("loaded_floor", empty) >= full:
        yield wrong("loaded_floor", f"below {full:g} (cell.full_v)")
    if limit.get("overvoltage", full) <= max(empty, rest):
        yield wrong("overvoltage", f"above {max(empty, rest):g}, best above {full:g} (cell.full_v)")
    hot = limit.get("temperature_high")
    if hot is not None and limit.get("temperature_low", -np.inf) >= hot:
        yield wrong("temperature_low", f"below {hot:g} (alarm.temperature_high.celsius)")

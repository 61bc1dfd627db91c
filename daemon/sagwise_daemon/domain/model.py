"""The words of the daemon as types. Law: values only, SI units, groups numbered from 1 at the pack's negative end.

Arrays are numpy float64, one entry a group, first entry group 1. NaN means unknown or not measured and never
leaves the process as NaN. Current is positive while discharging.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from math import nan
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]

# The wire's steps; readings are whole multiples of them (firmware_protocol/messages.toml).
VOLTAGE_STEP_V = 0.0005
CURRENT_STEP_A = 0.001
TEMPERATURE_STEP_C = 0.01
DISTANCE_STEP_M = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """What the board measured at one moment.

    time_s: seconds on the core's own clock, strictly increasing over reboots (`stamps` sees to it).
    group_v: (groups,) loaded voltage, NaN where the board calls the reading invalid.
    current_a: pack current, NaN where there is none.
    temperature_c: (sensors,), NaN where invalid. distance_m: cumulative, NaN where there is none.
    boot_id, uptime_us: the board's own stamp, kept for the store; 0 in a replay.
    """

    time_s: float
    group_v: Floats
    current_a: float = float("nan")
    temperature_c: Floats = field(default_factory=lambda: np.empty(0))
    distance_m: float = float("nan")
    boot_id: int = 0
    uptime_us: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Readings in turn, at least one, as columns: each field of `Reading` with the rows along the first axis.

    time_s, current_a, distance_m: (rows,). group_v: (rows, groups). temperature_c: (rows, sensors).
    """

    time_s: Floats
    group_v: Floats
    current_a: Floats
    temperature_c: Floats
    distance_m: Floats

    @classmethod
    def one(cls, reading: Reading) -> Readings:
        """A single reading."""
        single = np.array([[reading.time_s], [reading.current_a], [reading.distance_m]])
        return cls(single[0], reading.group_v[None], single[1], reading.temperature_c[None], single[2])

    def __len__(self) -> int:
        return len(self.time_s)

    def __iter__(self) -> Iterator[Reading]:
        singles = zip(self.time_s.tolist(), self.current_a.tolist(), self.distance_m.tolist(), strict=True)
        for row, (time_s, current_a, distance_m) in enumerate(singles):
            yield Reading(time_s, self.group_v[row], current_a, self.temperature_c[row], distance_m)

    def rows(self, which: slice) -> Readings:
        """Some of them, without a copy."""
        return Readings(
            self.time_s[which],
            self.group_v[which],
            self.current_a[which],
            self.temperature_c[which],
            self.distance_m[which],
        )


class Unknown(IntEnum):
    """Why a group has no estimate. `KNOWN` where it has one."""

    KNOWN = 0
    STARTING = 1  # not enough readings yet
    SETTLING = 2  # needs 10 s of rest, or began under load
    GAP = 3  # readings or current were missing for too long
    INVALID = 4  # this group's reading is invalid
    NO_CURRENT = 5  # current unmeasured: only the voltages speak
    COLLAPSED = 6  # the pack's voltage lies where no resistance puts it


@dataclass(frozen=True, slots=True)
class Energy:
    """Energy in Wh, NaN where unknown.

    left_wh: what the pack gives until its weakest group's rest voltage is at `rest_low`'s limit, ridden on as of late;
    left_sigma_wh its standard uncertainty; both unknown while any group is. counted_wh: what `turn_back` counts on,
    less caution where it is unsure, and by the groups that are known while others are not. home_wh: what it takes to
    get home.
    """

    left_wh: float
    left_sigma_wh: float
    counted_wh: float
    home_wh: float


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """What the estimator makes of the readings up to `time_s`; every array is (groups,), NaN where unknown.

    rest_v: the voltage after 60 s at zero current from now on; rest_sigma_v its standard uncertainty.
    ocv_v: full equilibrium. resistance_mohm: 1 s step, as now; resistance_25c_mohm: brought to 25 degC.
    soc: state of charge, 0 to 1. unknown: (groups,) int8 of `Unknown`.
    """

    time_s: float
    rest_v: Floats
    rest_sigma_v: Floats
    ocv_v: Floats
    resistance_mohm: Floats
    resistance_25c_mohm: Floats
    soc: Floats
    unknown: NDArray[np.int8]


@dataclass(frozen=True, slots=True, eq=False)
class Estimates:
    """Estimates in turn, one for each of `Readings`: the fields of `Estimate`, (rows, groups), time_s (rows,).

    energy_*_wh: the fields of `Energy`, (rows,), or NaN where nobody worked them out.
    """

    time_s: Floats
    rest_v: Floats
    rest_sigma_v: Floats
    ocv_v: Floats
    resistance_mohm: Floats
    resistance_25c_mohm: Floats
    soc: Floats
    unknown: NDArray[np.int8]
    energy_left_wh: Floats | float = nan
    energy_left_sigma_wh: Floats | float = nan
    energy_counted_wh: Floats | float = nan
    energy_home_wh: Floats | float = nan

    @classmethod
    def of(cls, estimates: Sequence[Estimate], energies: Sequence[Energy] = ()) -> Estimates:
        """At least one estimate; energies: as many, or none where nobody worked them out."""
        return cls(
            time_s=np.array([estimate.time_s for estimate in estimates]),
            rest_v=np.array([estimate.rest_v for estimate in estimates]),
            rest_sigma_v=np.array([estimate.rest_sigma_v for estimate in estimates]),
            ocv_v=np.array([estimate.ocv_v for estimate in estimates]),
            resistance_mohm=np.array([estimate.resistance_mohm for estimate in estimates]),
            resistance_25c_mohm=np.array([estimate.resistance_25c_mohm for estimate in estimates]),
            soc=np.array([estimate.soc for estimate in estimates]),
            unknown=np.array([estimate.unknown for estimate in estimates]),
            energy_left_wh=np.array([energy.left_wh for energy in energies]) if energies else nan,
            energy_left_sigma_wh=np.array([energy.left_sigma_wh for energy in energies]) if energies else nan,
            energy_counted_wh=np.array([energy.counted_wh for energy in energies]) if energies else nan,
            energy_home_wh=np.array([energy.home_wh for energy in energies]) if energies else nan,
        )

    def __len__(self) -> int:
        return len(self.time_s)

    def row(self, number: int) -> Estimate:
        """One of them; -1 is the last."""
        return Estimate(
            float(self.time_s[number]),
            self.rest_v[number],
            self.rest_sigma_v[number],
            self.ocv_v[number],
            self.resistance_mohm[number],
            self.resistance_25c_mohm[number],
            self.soc[number],
            self.unknown[number],
        )

    def rows(self, which: slice) -> Estimates:
        """Some of them, without a copy."""
        return Estimates(
            self.time_s[which],
            self.rest_v[which],
            self.rest_sigma_v[which],
            self.ocv_v[which],
            self.resistance_mohm[which],
            self.resistance_25c_mohm[which],
            self.soc[which],
            self.unknown[which],
            _rows(self.energy_left_wh, which),
            _rows(self.energy_left_sigma_wh, which),
            _rows(self.energy_counted_wh, which),
            _rows(self.energy_home_wh, which),
        )


def _rows(column: Floats | float, which: slice) -> Floats | float:
    return column[which] if isinstance(column, np.ndarray) else column


class Priority(StrEnum):
    """Alarm priority, as in the contract."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


class AlarmState(StrEnum):
    """Alarm states in the terms of IEC 62682 / ISA-18.2."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURN_UNACKNOWLEDGED = "return_unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED_BY_DESIGN = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


class Basis(StrEnum):
    """Which voltage a low-cell alarm acted on."""

    REST = "rest"
    LOADED = "loaded"


@dataclass(frozen=True, slots=True)
class AlarmEvent:
    """One transition of one alarm; `group` is None for rules of the whole pack."""

    time_s: float
    rule: str
    group: int | None
    to: AlarmState
    priority: Priority
    value: float | None
    limit: float | None
    unit: str
    basis: Basis | None = None
    by: str | None = None  # who acknowledged or shelved: "page", "button", "system"


@dataclass(frozen=True, slots=True)
class AlarmView:
    """The present standing of one alarm that is not `normal`."""

    rule: str
    group: int | None
    state: AlarmState
    priority: Priority
    value: float | None
    limit: float | None
    unit: str
    basis: Basis | None
    since_s: float
    until_s: float | None = None  # end of shelving
    cause: str | None = None  # what explains it where it is suppressed by design or was seen together with another


@dataclass(frozen=True, slots=True)
class RuleSettings:
    """One rule's settings after defaults and pack file are merged. `limit` is in the rule's own unit."""

    limit: float | None
    deadband: float
    on_delay_s: float
    off_delay_s: float
    re_alarm_s: float
    priority: Priority
    latching: bool
    enabled: bool


@dataclass(frozen=True, slots=True, eq=False)
class Cell:
    """One cell, as its maker states it. `ocv_soc`, `ocv_v`: the curve's points, rising in both."""

    chemistry: str
    capacity_ah: float
    full_v: float
    empty_v: float
    resistance_mohm: float | None
    max_discharge_a: float | None
    ocv_soc: Floats
    ocv_v: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Pack:
    """A pack as built: `series` groups of `parallel` cells, and its alarm settings by rule name."""

    name: str
    series: int
    parallel: int
    cell: Cell
    rules: Mapping[str, RuleSettings]

    @property
    def capacity_ah(self) -> float:
        """Stated capacity of one group, which is the pack's."""
        return self.parallel * self.cell.capacity_ah


# What `core.step` takes besides a Reading.


@dataclass(frozen=True, slots=True)
class Silence:
    """No valid sample for `age_s` seconds (host's monotonic clock; in a replay the gap of time_s)."""

    age_s: float


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """Somebody has seen the alarms; None means all rules, or all groups of the rule."""

    by: str
    rule: str | None = None
    group: int | None = None


@dataclass(frozen=True, slots=True)
class Shelve:
    """Silence a rule for `seconds`, counted on the core's clock; 0 ends the shelving."""

    by: str
    rule: str
    seconds: float
    group: int | None = None


@dataclass(frozen=True, slots=True)
class RideEnded:
    """The ride is over: alarms that only wait to be seen end with it."""


@dataclass(frozen=True, slots=True)
class HostState:
    """What the computer that records says of itself, until it says otherwise.

    storage: recording fails, falls behind, or will soon have no room. clock_unset: nothing has set its wall clock.
    """

    storage: bool
    clock_unset: bool


Event: TypeAlias = Reading | Silence | Acknowledge | Shelve | RideEnded | HostState


@dataclass(frozen=True, slots=True, eq=False)
class Outcomes:
    """What one step brought. `estimate` and `energy` are None unless the event was a Reading.

    sound: the highest priority among alarms in `unacknowledged`, None for silence.
    """

    estimate: Estimate | None
    events: tuple[AlarmEvent, ...]
    sound: Priority | None
    energy: Energy | None = None

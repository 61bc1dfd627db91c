"""Rides whose true rest voltage is known, and what sensors and a pack file make of them. Law: one loader for all.

The rides are simulated electrochemistry; tests/truth/PROVENANCE.md says how they were made. A `Truth` is without
noise. `measured` gives what a board would read, with the errors that `Sensors` says; `pack` what a builder would
have written down about the pack, as right or wrong as `Told` says. Both are the same for the same seed.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from sagwise_daemon.domain.model import Cell, Floats, Pack, Readings
from sagwise_daemon.domain.pack.chemistry import built_in_curve, resistance_factor
from sagwise_daemon.domain.pack.profile import REST_LOW_V, build_pack
from sagwise_daemon.io.trace import Trace

RIDES = Path(__file__).resolve().parent.parent / "truth" / "rides"
GROUP_AH = 22.0  # as many cells in parallel as come nearest to this
STEP_S = 0.1
WEAK = ("weak", "both")  # three cells of four, not told
# The nearest built-in chemistry of each published cell.
FAMILY = dict.fromkeys(("Ai2020", "Ecker2015", "Marquis2019", "Ramadass2004"), "lipo")
FAMILY |= {"NCA_Kim2011": "nca", "Prada2013": "lfp"}


@dataclass(frozen=True)
class Sensors:
    """Errors of the readings; the defaults are the rough ones of a home-made board.

    noise_v, noise_a, noise_c: rms. step_v, step_c: the converter's step. gain, offset_a, delay_s: of the current.
    lost_s: so long is the current not measured, from three quarters of the ride on. current: whether there is a
    current sensor at all.
    """

    noise_v: float = 0.002
    step_v: float = 0.001
    noise_a: float = 0.5
    gain: float = 1.01
    offset_a: float = 0.3
    delay_s: float = STEP_S
    noise_c: float = 0.2
    step_c: float = 0.5
    lost_s: float = 0.0
    current: bool = True


@dataclass(frozen=True)
class Told:
    """What the pack file says. capacity, resistance: over the true ones, resistance None where it says nothing.

    curve_v: the measured curve is off by so much. built_in: the curve of the chemistry instead of the measured one.
    """

    capacity: float = 1.0
    resistance: float | None = None
    curve_v: float = 0.0
    built_in: bool = False


@dataclass(frozen=True, eq=False)
class Truth:
    """volts: (groups, rows) at 10 Hz. rest, ocv, soc: (groups, moments) at rest_row; r_1s_mohm: at step_row, of a
    group, for a step of the ride's median size. curve_soc, curve_v: the cell's own, rising.
    """

    name: str
    about: dict[str, Any]
    volts: Floats
    current_a: Floats
    temperature_c: Floats
    rest: Floats
    ocv: Floats
    soc: Floats
    r_1s_mohm: Floats
    rest_row: np.ndarray
    step_row: np.ndarray
    curve_soc: Floats
    curve_v: Floats

    @property
    def rows(self) -> int:
        return len(self.current_a)

    @property
    def kinds(self) -> np.ndarray:
        """(groups,) healthy, weak, both, worn or resistive."""
        return np.array([group["kind"] for group in self.about["groups"]])

    @property
    def loaded(self) -> bool:
        """Whether the ride begins under load."""
        return bool(self.about.get("loaded_s"))

    @property
    def family(self) -> str:
        return FAMILY.get(self.about["set"], "nmc")

    @property
    def parallel(self) -> int:
        return max(1, round(GROUP_AH / self.about["capacity_ah"]))

    @property
    def limit_v(self) -> float:
        """Of `rest_low`: the true curve at 10 %, for LFP, whose curve is flat there, the chemistry's default."""
        if self.family == "lfp":
            return REST_LOW_V["lfp"]
        return float(np.interp(0.10, self.curve_soc, self.curve_v))

    @cached_property
    def rest_by_row(self) -> Floats:
        """(groups, rows) true rest voltage, straight lines between the moments."""
        rows = np.arange(self.rows)
        return np.array([np.interp(rows, self.rest_row, rest) for rest in self.rest])

    @property
    def cell_25c_mohm(self) -> float:
        """The 1 s resistance of one cell at 25 degC, as a maker might state it: the healthy groups' median."""
        factors = np.array([resistance_factor(float(self.temperature_c[row])) for row in self.step_row])
        healthy = self.r_1s_mohm[self.kinds == "healthy"] / factors
        return float(np.median(healthy[:, :5])) * self.parallel

    def sensors(self) -> Sensors:
        """Those drawn for this ride, the rough ones where none were."""
        drawn = self.about.get("sensors") or {}
        return Sensors(**{key: value for key, value in drawn.items() if key != "told_r"})

    def told(self) -> Told:
        """A pack file as a careful builder writes it: own curve and capacity, resistance to some tenth."""
        return Told(resistance=(self.about.get("sensors") or {}).get("told_r", 1.0))

    def from_load(self, seconds: float) -> Truth:
        """The same ride met under way: without its first seconds, and from there without all before the next pull."""
        at = int(seconds / STEP_S)
        amperes = self.about["capacity_ah"] * self.parallel
        pulls = np.flatnonzero(self.current_a[at:] > amperes)
        first = at + int(pulls[0]) if len(pulls) else at
        rests, steps = self.rest_row >= first, self.step_row >= first
        return replace(
            self,
            about=self.about | {"loaded_s": seconds},
            volts=self.volts[:, first:],
            current_a=self.current_a[first:],
            temperature_c=self.temperature_c[first:],
            rest=self.rest[:, rests],
            ocv=self.ocv[:, rests],
            soc=self.soc[:, rests],
            r_1s_mohm=self.r_1s_mohm[:, steps],
            rest_row=self.rest_row[rests] - first,
            step_row=self.step_row[steps] - first,
        )


def load(path: Path) -> Truth:
    """One ride's file."""
    file = np.load(path)
    about = json.loads(str(file["about"]))
    soc, volts = file["curve_soc"] * 1e-4, file["curve_v"] * 1e-4
    rising = np.concatenate([[True], np.diff(volts) > 0])
    parallel = max(1, round(GROUP_AH / about["capacity_ah"]))
    current = np.cumsum(file["c_diff"], dtype=np.int64) * 1e-3
    return Truth(
        name=path.stem,
        about=about,
        volts=np.cumsum(file["volts_diff"], axis=1, dtype=np.int64) * 1e-4,
        current_a=current * about["capacity_ah"] * parallel,
        temperature_c=np.repeat(file["temp"] * 0.01, 10)[: len(current)],
        rest=file["rest"] * 1e-4,
        ocv=file["ocv"] * 1e-4,
        soc=file["soc"] * 1e-4,
        r_1s_mohm=file["r_1s"] * 1e-3 / parallel,
        rest_row=file["rest_row"],
        step_row=file["step_row"],
        curve_soc=soc[rising],
        curve_v=volts[rising],
    )


def kept(*names: str) -> list[Path]:
    """The rides of the project, all or those named."""
    return sorted(path for path in RIDES.glob("*.npz") if not names or path.stem in names)


def pack_of(truth: Truth, told: Told) -> Pack:
    """The pack as its file says; `rest_low` at `Truth.limit_v` whatever is told, so that results compare."""
    about = truth.about
    soc, volts = truth.curve_soc, truth.curve_v + told.curve_v
    chemistry = "measured"
    if told.built_in:
        chemistry = truth.family
        soc, volts = built_in_curve(chemistry)
    cell = Cell(
        chemistry,
        about["capacity_ah"] * told.capacity,
        about["full_v"],
        about["empty_v"],
        None if told.resistance is None else truth.cell_25c_mohm * told.resistance,
        None,
        soc,
        volts,
    )
    limit = {"rest_low": {"volts": truth.limit_v}}
    return build_pack(truth.name, len(truth.rest), truth.parallel, cell, limit)


def measured(truth: Truth, sensors: Sensors, seed: int = 0) -> Trace:
    """What the board reads."""
    rng = np.random.default_rng(seed)
    times = np.arange(truth.rows) * STEP_S
    late = np.interp(times - sensors.delay_s, times, truth.current_a)
    current = late * sensors.gain + sensors.offset_a + rng.normal(0, sensors.noise_a, truth.rows)
    volts = _steps(truth.volts + rng.normal(0, sensors.noise_v, truth.volts.shape), sensors.step_v)
    celsius = _steps(truth.temperature_c + rng.normal(0, sensors.noise_c, truth.rows), sensors.step_c)
    lost = times - times[int(0.75 * truth.rows)]
    current[(lost >= 0) & (lost < sensors.lost_s)] = np.nan
    return Trace(times, np.ascontiguousarray(volts.T), current if sensors.current else None, celsius[:, None], None)


def readings(truth: Truth, sensors: Sensors = Sensors(), seed: int = 0) -> Readings:
    """The same for those who take the core's own values."""
    return measured(truth, sensors, seed).readings()


def _steps(values: Floats, step: float) -> Floats:
    return np.asarray(np.round(values / step) * step)

"""Random simulated rides with one sensing fault or none. Law: the same seed and fault give the same ride.

The simulator's own faults, and others laid over its healthy readings in numpy, so that rules which pass do not merely
fit that simulator. Packs of 4 to 28 groups, all its chemistries, fresh to aged, −10 to 38 degC, 5 to 50 readings a
second, several noises and converter steps, with and without current, distance and temperature.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.model import Cell, Pack, Readings
from sagwise_daemon.domain.pack.chemistry import built_in_curve
from sagwise_daemon.domain.pack.profile import build_pack
from sagwise_sim.scenario import Scenario, parse
from sagwise_sim.simulation import SimulatedRide, simulate

Floats = NDArray[np.float64]
Named = tuple[str, int | None]

DROP_V = {"nmc": (0.05, 0.10), "lipo": (0.025, 0.06), "lfp": (0.025, 0.06)}  # 1 s resistance, volts per C
NOMINAL_V = {"nmc": 3.6, "lipo": 3.7, "lfp": 3.2}
LIMITS_V = {"nmc": (2.8, 4.2), "lipo": (3.0, 4.2), "lfp": (2.5, 3.6)}  # empty, full
# Below this a controller has long cut off; what a reversed cell does is none of these rules' business.
CUT_OFF_V = {"nmc": 2.3, "lipo": 2.5, "lfp": 2.0}
LEAST_AFTER_S = 50.0  # of ride after the fault came

NEEDS_CURRENT = ("no_current_sensor", "current_offset", "current_stuck", "current_scrambled")
SIMULATORS = ("broken_lead", "crossed_leads", "stuck_reading", "no_current_sensor", "current_offset")


@dataclass(frozen=True, slots=True, eq=False)
class FaultyRide:
    """expected: the rule that names the fault and the group it names; None for a healthy ride."""

    scenario: Scenario
    pack: Pack
    readings: Readings
    truth: SimulatedRide
    fault: str
    at_s: float
    expected: Named | None


def faulty_ride(seed: int, fault: str, *, seconds: float = 180.0) -> FaultyRide:
    """A ride of about `seconds`; another seed is taken where the pack is empty too soon after the fault."""
    while True:
        rng = np.random.default_rng((seed, 77))
        data = _scenario(rng, seconds, fault in NEEDS_CURRENT)
        at_s = float(rng.uniform(0.1, 0.45) * sum(segment["duration_s"] for segment in data["segment"]))
        expected = _simulators_fault(rng, data, fault, at_s)
        scenario = parse("random", data)
        truth = _cut(simulate(scenario), CUT_OFF_V[scenario.pack.chemistry])
        if len(truth.time_s) and truth.time_s[-1] >= at_s + LEAST_AFTER_S:
            break
        seed += 100_000
    readings = _readings(truth)
    if fault in OVERLAID:
        step = scenario.sensors.voltage_step_uv * 1e-6
        readings, expected = _overlay(rng, readings, fault, at_s, scenario, step)
    return FaultyRide(scenario, pack_of(scenario), readings, truth, fault, at_s, expected)


def pack_of(scenario: Scenario) -> Pack:
    """What its builder would write in the pack file; no resistance is stated."""
    spec = scenario.pack
    soc, volts = built_in_curve(spec.chemistry)
    empty, full = LIMITS_V[spec.chemistry]
    cell = Cell(spec.chemistry, spec.capacity_ah, full, empty, None, None, soc, volts)
    return build_pack(spec.name, spec.series, spec.parallel, cell)


def _scenario(rng: np.random.Generator, seconds: float, needs_current: bool) -> dict[str, Any]:
    chemistry = str(rng.choice(list(DROP_V)))
    series, parallel = int(rng.integers(4, 29)), int(rng.integers(1, 7))
    capacity = float(rng.choice([2.5, 3.0, 4.5, 5.0, 10.0, 20.0]))
    group_ah, drop_v = parallel * capacity, rng.uniform(*DROP_V[chemistry])
    peak_a, nominal_v = rng.uniform(2.5, 6.0) * group_ah, NOMINAL_V[chemistry] * series
    pack = {
        "name": "random",
        "chemistry": chemistry,
        "series": series,
        "parallel": parallel,
        "capacity_ah": capacity,
        "resistance_mohm": drop_v / capacity * 1000.0,
        "start_soc": rng.uniform(0.12, 1.0),
        "aged_capacity": rng.uniform(0.65, 1.0),
        "aged_resistance": rng.uniform(1.0, 2.2),
        "spread_capacity": rng.uniform(0.002, 0.02),
        "spread_resistance": rng.uniform(0.01, 0.08),
        "spread_soc": rng.uniform(0.001, 0.008),
        "joint_mohm": rng.uniform(0.02, 0.3) * 14.0 / group_ah,
        "ambient_c": rng.uniform(-10.0, 38.0),
        "start_c": rng.uniform(-5.0, 35.0),
    }
    return {
        "scenario": {"title": "random", "seed": int(rng.integers(0, 2**31))},
        "pack": {key: float(value) if isinstance(value, float) else value for key, value in pack.items()},
        "group": _weak_group(rng, series),
        "bike": {
            "peak_a": float(peak_a),
            "regen_a": float(0.2 * peak_a),
            "idle_a": float(rng.uniform(0.05, 0.6)),
            "nominal_v": float(nominal_v),
            "mass_kg": float(40.0 + nominal_v * peak_a / 60.0),
        },
        "sensors": _sensors(rng, needs_current),
        "segment": _segments(rng, seconds),
    }


def _weak_group(rng: np.random.Generator, series: int) -> list[dict[str, Any]]:
    if rng.random() < 0.5:
        return []
    return [
        {
            "number": int(rng.integers(1, series + 1)),
            "capacity": float(rng.uniform(0.7, 1.0)),
            "resistance": float(rng.uniform(1.0, 1.45)),
            "start_soc": float(rng.normal(0.0, 0.01)),
        }
    ]


def _sensors(rng: np.random.Generator, needs_current: bool) -> dict[str, Any]:
    return {
        "rate_hz": float(rng.choice([5.0, 10.0, 20.0, 20.0, 50.0])),
        "temperatures": int(rng.integers(0, 5)),
        "current": needs_current or bool(rng.random() < 0.75),
        "distance": bool(rng.random() < 0.6),
        "voltage_noise_v": float(rng.choice([0.0005, 0.001, 0.002, 0.004])),
        "current_noise_a": float(rng.uniform(0.05, 1.0)),
        "current_gain": float(rng.uniform(0.97, 1.03)),
        "current_offset_a": float(rng.normal(0.0, 0.3)),
        "current_delay_s": float(rng.choice([0.0, 0.0, 0.1, 0.3])),
        "voltage_step_uv": int(rng.choice([500, 1000, 1000, 5000])),
        "current_step_ma": int(rng.choice([10, 50, 100, 500])),
    }


def _segments(rng: np.random.Generator, seconds: float) -> list[dict[str, Any]]:
    segments = [{"kind": "rest", "duration_s": float(rng.uniform(2.0, 20.0))}]
    ridden_s = 0.0
    while ridden_s < seconds:
        kind = str(rng.choice(["ride", "ride", "ride", "cruise", "climb", "coast", "regen", "rest"]))
        span_s = float(rng.uniform(8.0, 50.0) if kind in ("ride", "cruise", "climb") else rng.uniform(4.0, 20.0))
        segments.append({"kind": kind, "duration_s": span_s, "intensity": float(rng.uniform(0.25, 0.95))})
        ridden_s += span_s
    segments.append({"kind": "rest", "duration_s": float(rng.uniform(5.0, 15.0))})
    return segments


def _simulators_fault(rng: np.random.Generator, data: dict[str, Any], fault: str, at_s: float) -> Named | None:
    """Enter one of the simulator's own faults; what it is to be named."""
    series = data["pack"]["series"]
    spec: dict[str, Any] = {"kind": fault, "at_s": at_s}
    expected: Named = ("current_sensor", None)
    if fault == "broken_lead":
        spec |= {
            "group": int(rng.integers(1, series)),
            "drift_v": float(rng.choice([0.6, 0.6, rng.uniform(0.15, 2.0)])),
        }
        expected = ("sense_open", spec["group"])
    elif fault == "crossed_leads":
        spec |= {"group": int(rng.integers(1, series + 1)), "at_s": 0.0 if rng.random() < 0.7 else at_s}
        expected = ("sense_crossed", spec["group"])
    elif fault == "stuck_reading":
        spec |= {"group": int(rng.integers(1, series + 1))}
        expected = ("reading_stuck", spec["group"])
    elif fault == "current_offset":
        size = max(rng.uniform(0.15, 0.8) * data["pack"]["parallel"] * data["pack"]["capacity_ah"], 3.0)
        spec |= {"amperes": float(rng.choice([-1.0, 1.0]) * size)}
    elif fault != "no_current_sensor":
        return None
    data["fault"] = [spec]
    return expected


def _cut(ride: SimulatedRide, cut_off_v: float) -> SimulatedRide:
    """The ride up to the moment a controller would have cut off."""
    empty = ride.loaded_v.min(axis=1) < cut_off_v
    end = int(np.argmax(empty)) if empty.any() else len(ride.time_s)
    names = [name for name in SimulatedRide.__slots__ if getattr(ride, name) is not None]
    return replace(ride, **{name: getattr(ride, name)[:end] for name in names})


def _readings(ride: SimulatedRide) -> Readings:
    blank = np.full(len(ride.time_s), np.nan)
    current = blank if ride.current_a is None else ride.current_a
    distance = blank if ride.distance_m is None else ride.distance_m
    return Readings(ride.time_s, ride.group_v.copy(), current.copy(), ride.temperature_c, distance)


# --- faults laid over healthy readings


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """The rows from the fault on, which a fault changes in place; since_s counts from the fault."""

    rng: np.random.Generator
    volts: Floats
    current: Floats
    since_s: Floats
    hz: float
    group_ah: float

    def wander(self, sigma: float, seconds: float) -> Floats:
        """An Ornstein-Uhlenbeck walk."""
        keep = np.exp(-1.0 / self.hz / seconds)
        steps = sigma * np.sqrt(1.0 - keep * keep) * self.rng.standard_normal(len(self.since_s))
        out, now = np.empty_like(steps), 0.0
        for row, step in enumerate(steps.tolist()):
            now = out[row] = keep * now + step
        return out

    def share(self, at: int, shift: Floats) -> Named:
        """A floating tap above group `at` (from 0): its two groups share their sum."""
        self.volts[:, at] += shift
        self.volts[:, at + 1] -= shift
        return "sense_open", at + 1

    def inner(self) -> int:
        return int(self.rng.integers(0, self.volts.shape[1] - 1))

    def end(self) -> int:
        return int(self.rng.choice([0, self.volts.shape[1] - 1]))


def _creeping_tap(rows: _Rows) -> Named:
    rng = rows.rng
    ramp = np.minimum(rows.since_s * rng.uniform(0.004, 0.02), rng.uniform(0.2, 0.5))
    return rows.share(rows.inner(), ramp * rng.choice([-1.0, 1.0]) + rows.wander(0.003, 1.0))


def _clamped_tap(rows: _Rows) -> Named:
    """Drawn to its neighbour: one group reads nothing, the other both."""
    at = rows.inner()
    return rows.share(at, -rows.volts[:, at] if rows.rng.random() < 0.5 else rows.volts[:, at + 1])


def _intermittent_tap(rows: _Rows) -> Named:
    """Good most of the time, gone for a moment every few seconds."""
    shift, row = np.zeros(len(rows.since_s)), 0
    while row < len(shift):
        row += max(1, int(rows.rng.exponential(3.0) * rows.hz))
        shift[row : row + max(1, int(rows.rng.uniform(0.1, 0.8) * rows.hz))] = rows.rng.normal(0.0, 0.4)
    return rows.share(rows.inner(), shift)


def _static_tap(rows: _Rows) -> Named:
    """Off by a constant."""
    shift = rows.rng.choice([-1.0, 1.0]) * rows.rng.uniform(0.3, 0.8)
    return rows.share(rows.inner(), np.full(len(rows.since_s), shift))


def _wild_end(rows: _Rows) -> Named:
    at = rows.end()
    rows.volts[:, at] += rows.wander(rows.rng.uniform(0.2, 0.7), rows.rng.uniform(0.3, 3.0))
    return "sense_open", at + 1


def _empty_end(rows: _Rows) -> Named:
    at = rows.end()
    rows.volts[:, at] = np.abs(rows.rng.normal(0.0, 0.004, len(rows.since_s)))
    return "sense_open", at + 1


def _invalid_end(rows: _Rows) -> Named:
    at = rows.end()
    rows.volts[:, at] = np.nan
    return "sense_open", at + 1


def _invalid_pair(rows: _Rows) -> Named:
    at = rows.inner()
    rows.volts[:, at : at + 2] = np.nan
    return "sense_open", at + 1


def _stuck(rows: _Rows) -> Named:
    at = int(rows.rng.integers(1, rows.volts.shape[1] - 1))
    rows.volts[:, at] = 0.0 if rows.rng.random() < 0.5 else rows.volts[0, at]
    return "reading_stuck", at + 1


def _stuck_current(rows: _Rows) -> Named:
    """Frozen, or frozen but for noise."""
    noise = rows.rng.normal(0.0, 0.05, len(rows.since_s)) * (rows.rng.random() < 0.5)
    rows.current[:] = rows.current[0] + np.round(noise, 2)
    return "current_sensor", None


def _scrambled_current(rows: _Rows) -> Named:
    rows.current[:] = rows.group_ah * (rows.rng.normal(0.0, 0.3, len(rows.since_s)) + rows.wander(1.0, 2.0))
    return "current_sensor", None


OVERLAID: Mapping[str, Callable[[_Rows], Named]] = {
    "creeping_tap": _creeping_tap,
    "clamped_tap": _clamped_tap,
    "intermittent_tap": _intermittent_tap,
    "static_tap": _static_tap,
    "wild_end": _wild_end,
    "empty_end": _empty_end,
    "invalid_end": _invalid_end,
    "invalid_pair": _invalid_pair,
    "stuck_digits": _stuck,
    "current_stuck": _stuck_current,
    "current_scrambled": _scrambled_current,
}


def _overlay(
    rng: np.random.Generator, readings: Readings, fault: str, at_s: float, scenario: Scenario, step_v: float
) -> tuple[Readings, Named]:
    first = 0 if fault == "static_tap" else int(np.searchsorted(readings.time_s, at_s))
    volts, current = readings.group_v.copy(), readings.current_a.copy()
    rows = _Rows(
        rng,
        volts[first:],
        current[first:],
        readings.time_s[first:] - readings.time_s[first],
        scenario.sensors.rate_hz,
        scenario.pack.parallel * scenario.pack.capacity_ah,
    )
    expected = OVERLAID[fault](rows)
    volts[first:] = np.round(volts[first:] / step_v) * step_v
    return replace(readings, group_v=volts, current_a=current), expected

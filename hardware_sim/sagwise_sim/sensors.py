"""What the board's sensors make of the truth. Law: readings are whole steps of converter and wire, or invalid.

A `Reading` holds volts and amperes with NaN for invalid until `to_sample` turns it into the wire's integers.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from sagwise_protocol import Sample, SampleOtherValid
from sagwise_sim.curves import Floats

VOLTAGE_STEP_V = 0.0005
CURRENT_STEP_A = 0.001
TEMPERATURE_STEP_C = 0.01
DISTANCE_STEP_M = 0.01

_CURRENT, _DISTANCE = int(SampleOtherValid.CURRENT), int(SampleOtherValid.DISTANCE)
_I16 = 32767
_I32 = 2**31 - 1


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """rate_hz: samples a second. temperatures: sensors, spread evenly over the groups. current, distance: fitted.

    *_noise_*: standard deviation. current_gain multiplies and current_offset_a adds to the true current;
    current_delay_s: how much later than the voltages it is taken. *_step_*: the converter's steps.
    """

    rate_hz: float = 20.0
    temperatures: int = 3
    current: bool = True
    distance: bool = True
    voltage_noise_v: float = 0.002
    current_noise_a: float = 0.5
    temperature_noise_c: float = 0.05
    current_gain: float = 1.0
    current_offset_a: float = 0.0
    current_delay_s: float = 0.0
    voltage_step_uv: int = 1000
    current_step_ma: int = 50
    temperature_step_centi_c: int = 10


@dataclass(slots=True, eq=False)
class Reading:
    """One moment as measured: group_v (groups,), temperature_c (sensors,); NaN is invalid. Faults alter it."""

    group_v: Floats
    temperature_c: Floats
    current_a: float
    distance_m: float


class Sensors:
    """Noise, error, steps. One call of `measure` a sample."""

    def __init__(self, spec: SensorSpec, groups: int, rng: np.random.Generator) -> None:
        self.spec = spec
        self._rng = rng
        self._groups = groups
        self._cover = sensor_cover(groups, spec.temperatures)
        self._past: deque[tuple[int, float]] = deque()

    def follow(self, at_us: int, current_a: float) -> None:
        """Tell the current that flowed up to `at_us`; kept as long as the delay needs."""
        if self.spec.current_delay_s <= 0.0:
            self._past.clear()
        self._past.append((at_us, current_a))
        wanted = at_us - round(self.spec.current_delay_s * 1e6)
        while len(self._past) > 1 and self._past[0][0] < wanted:
            self._past.popleft()

    def measure(self, group_v: Floats, temperature_c: Floats, distance_m: float) -> Reading:
        """The sensors' reading of the truth: (groups,) volts, (groups,) degC, metres."""
        spec, groups = self.spec, self._groups
        noise = self._rng.standard_normal(groups + 1 + spec.temperatures)
        current = self._past[0][1] if self._past else 0.0
        amperes = current * spec.current_gain + spec.current_offset_a + spec.current_noise_a * noise[groups]
        degrees = self._cover @ temperature_c
        return Reading(
            group_v=group_v + spec.voltage_noise_v * noise[:groups],
            temperature_c=degrees + spec.temperature_noise_c * noise[groups + 1 :],
            current_a=float(amperes) if spec.current else math.nan,
            distance_m=distance_m if spec.distance else math.nan,
        )

    def to_sample(self, reading: Reading) -> Sample:
        """The wire's integers, through the converter's steps."""
        spec = self.spec
        stepped = Reading(
            _rounded(reading.group_v, spec.voltage_step_uv * 1e-6),
            _rounded(reading.temperature_c, spec.temperature_step_centi_c * 0.01),
            _rounded_one(reading.current_a, spec.current_step_ma * 1e-3),
            reading.distance_m,
        )
        return to_wire(stepped)


def sensor_cover(groups: int, sensors: int) -> Floats:
    """Share of each group in each temperature sensor, spread evenly; (sensors, groups)."""
    cover = np.zeros((sensors, groups))
    for at in range(sensors):
        low = groups * at // sensors
        high = max(groups * (at + 1) // sensors, low + 1)
        cover[at, low:high] = 1.0 / (high - low)
    return cover


def to_wire(reading: Reading) -> Sample:
    """A reading as the wire's integers; NaN becomes invalid with value 0. What does not fit is clipped."""
    volts, volts_valid = _integers(reading.group_v, VOLTAGE_STEP_V)
    degrees, degrees_valid = _integers(reading.temperature_c, TEMPERATURE_STEP_C)
    valid = 0 if math.isnan(reading.current_a) else _CURRENT
    valid |= 0 if math.isnan(reading.distance_m) else _DISTANCE
    return Sample(
        group_valid=volts_valid,
        temperature_valid=degrees_valid,
        other_valid=valid,
        current_ma=_integer(reading.current_a, CURRENT_STEP_A, -_I32, _I32),
        distance_cm=_integer(reading.distance_m, DISTANCE_STEP_M, 0, 2**32 - 1),
        group_500uv=volts,
        temperature_centi_c=degrees,
    )


def _rounded(values: Floats, step: float) -> Floats:
    return np.asarray(np.rint(values / step) * step)


def _rounded_one(value: float, step: float) -> float:
    return value if math.isnan(value) else round(value / step) * step


def _integers(values: Floats, step: float) -> tuple[tuple[int, ...], int]:
    """Whole steps, and a bit for each valid entry."""
    invalid = np.isnan(values)
    valid = (1 << len(values)) - 1
    if invalid.any():
        valid = sum(1 << at for at, bad in enumerate(invalid.tolist()) if not bad)
        values = np.where(invalid, 0.0, values)
    whole = np.minimum(np.maximum(np.rint(values / step), -_I16), _I16).astype(int)
    return tuple(whole.tolist()), valid


def _integer(value: float, step: float, low: int, high: int) -> int:
    return 0 if math.isnan(value) else max(low, min(round(value / step), high))

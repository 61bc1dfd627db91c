"""A scenario brought to life. Law: one clock in whole microseconds drives rider, pack, sensors and faults.

`build` gives a board over living physics for a port to play; `simulate` runs the same physics with neither port
nor waiting and returns arrays with the truth beside the readings.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sagwise_protocol import BoardHelloFeatures, FallbackLimits, Sample, SampleOtherValid, StatusFaults
from sagwise_sim.board import Ability, Board, random_boot_id
from sagwise_sim.cell import Row, ocv, rest_after
from sagwise_sim.curves import Floats
from sagwise_sim.fallback import BUILT_IN_SILENCE_MS
from sagwise_sim.faults import Rig, Schedule
from sagwise_sim.pack import Pack, build_pack
from sagwise_sim.rider import TICK_US, Rider
from sagwise_sim.scenario import Scenario
from sagwise_sim.sensors import (
    CURRENT_STEP_A,
    DISTANCE_STEP_M,
    TEMPERATURE_STEP_C,
    VOLTAGE_STEP_V,
    Sensors,
)

# The board's own alarm while no host has told limits: lowest and highest measured voltage of a group.
_FALLBACK_V = {"nmc": (2.80, 4.23), "lipo": (3.00, 4.23), "lfp": (2.50, 3.68)}
_FALLBACK_DELAY_MS = 1000
RATE_MIN_MHZ, RATE_MAX_MHZ = 1_000, 100_000


class World:
    """Everything outside the board: implements `board.Source`. Times are microseconds since the scenario began."""

    def __init__(self, scenario: Scenario) -> None:
        pack, rider, sensors = (np.random.default_rng(seed) for seed in np.random.SeedSequence(scenario.seed).spawn(3))
        self.rider = Rider(scenario.segments, scenario.bike, rider)
        self.sensors = Sensors(scenario.sensors, scenario.pack.series, sensors)
        self.rig = Rig(build_pack(scenario.pack, pack))
        self.schedule = Schedule(scenario.faults, scenario.seed)
        self.ability = _ability(scenario)
        self.rate_mhz = round(scenario.sensors.rate_hz * 1000)
        self._counted_from_us = 0
        self._tick_end_us = 0
        self.now_us = 0
        self.loaded_v = self.pack.loaded_v(self.rider.current_a)  # the truth of the last sample

    @property
    def pack(self) -> Pack:
        """The cells, with the truth about them."""
        return self.rig.pack

    @property
    def ill(self) -> StatusFaults:
        """What the board's own checks find."""
        return self.rig.ill

    def advance_to(self, at_us: int) -> None:
        """Let time pass until `at_us`; earlier moments change nothing."""
        while self.now_us < at_us:
            if self.now_us >= self._tick_end_us:
                self._tick_end_us += TICK_US
                self.schedule.tick(self.rig, self.now_us / 1e6)
                self.rider.tick()
            until = min(at_us, self._tick_end_us)
            current = self.rider.current_a
            self.pack.step(current, (until - self.now_us) / 1e6)
            self.now_us = until
            self.sensors.follow(until, current)

    def next_us(self, after_us: int) -> int:
        """When the first sample after a moment is due."""
        done = (after_us - self._counted_from_us) * self.rate_mhz // 1_000_000_000
        due = self._sample_us(done)
        while due <= after_us:
            done += 1
            due = self._sample_us(done)
        return due

    def sample(self) -> Sample:
        """What the sensors say now."""
        self.loaded_v = self.pack.loaded_v(self.rider.current_a)
        reading = self.sensors.measure(self.loaded_v, self.pack.temperature_c(), self.rider.distance_m)
        self.schedule.measure(reading)
        return self.sensors.to_sample(reading)

    def set_rate(self, rate_mhz: int) -> None:
        """Sample at another rate from now on."""
        self._counted_from_us = self.now_us
        self.rate_mhz = rate_mhz

    def host_spoke(self, at_us: int) -> None:
        """The ride goes on whoever listens."""

    def _sample_us(self, count: int) -> int:
        return self._counted_from_us + count * 1_000_000_000 // self.rate_mhz


def _fallback(scenario: Scenario) -> FallbackLimits:
    """The limits that the board's builder compiled in."""
    low_v, high_v = _FALLBACK_V[scenario.pack.chemistry]
    low_v = low_v if scenario.board.fallback_low_v is None else scenario.board.fallback_low_v
    high_v = high_v if scenario.board.fallback_high_v is None else scenario.board.fallback_high_v
    low, high = round(low_v / VOLTAGE_STEP_V), round(high_v / VOLTAGE_STEP_V)
    return FallbackLimits(low, high, _FALLBACK_DELAY_MS, BUILT_IN_SILENCE_MS)


def _ability(scenario: Scenario) -> Ability:
    sensors, board = scenario.sensors, scenario.board
    fitted = {
        BoardHelloFeatures.CURRENT: sensors.current,
        BoardHelloFeatures.DISTANCE: sensors.distance,
        BoardHelloFeatures.BUTTON: board.button,
        BoardHelloFeatures.BUZZER: board.buzzer,
        BoardHelloFeatures.FALLBACK_ALARM: board.buzzer,
    }
    features = BoardHelloFeatures(0)
    for feature, there in fitted.items():
        features |= feature if there else BoardHelloFeatures(0)
    return Ability(
        groups=scenario.pack.series,
        temperatures=sensors.temperatures,
        features=features,
        voltage_step_uv=sensors.voltage_step_uv,
        current_step_ma=sensors.current_step_ma if sensors.current else 0,
        temperature_step_centi_c=sensors.temperature_step_centi_c if sensors.temperatures else 0,
        distance_step_cm=1 if sensors.distance else 0,
        rate_min_mhz=RATE_MIN_MHZ,
        rate_max_mhz=RATE_MAX_MHZ,
        fallback=_fallback(scenario) if board.buzzer else None,
    )


@dataclass(slots=True)
class Simulation:
    """A living scenario: the board to talk to, and the world behind it with the truth."""

    scenario: Scenario
    world: World
    board: Board

    @property
    def pack(self) -> Pack:
        """The cells, with the truth about them."""
        return self.world.pack


def build(scenario: Scenario, draw_boot_id: Callable[[], int] = random_boot_id) -> Simulation:
    """A scenario with its board, at time 0. `draw_boot_id` is for tests that need the same one each time."""
    world = World(scenario)
    board = Board(world, scenario.board, line=world.schedule.transmit, draw_boot_id=draw_boot_id)
    world.rig.board = board
    return Simulation(scenario, world, board)


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedRide:
    """A whole ride in memory. Readings are as the wire carries them, NaN where invalid; the truth is exact.

    time_s: (n,). group_v, loaded_v, rest_v, ocv_v, soc: (n, groups); rest_v after 60 s at zero current from each
    moment on. temperature_c: (n, sensors). current_a, distance_m: (n,), None without that sensor.
    true_current_a: (n,).
    """

    time_s: Floats
    group_v: Floats
    current_a: Floats | None
    temperature_c: Floats
    distance_m: Floats | None
    loaded_v: Floats
    rest_v: Floats
    ocv_v: Floats
    soc: Floats
    true_current_a: Floats


def simulate(scenario: Scenario) -> SimulatedRide:
    """Ride the scenario from end to end without a board: faults of board and line have no effect."""
    world = World(scenario)
    samples: list[Sample] = []
    states: list[Floats] = []
    truth: list[tuple[int, float, Floats]] = []
    end_us = round(scenario.duration_s * 1e6)
    while (due_us := world.next_us(world.now_us)) <= end_us:
        world.advance_to(due_us)
        samples.append(world.sample())
        states.append(world.pack.state)
        truth.append((due_us, world.rider.current_a, world.loaded_v))
    return _ride(scenario, world, samples, states, truth)


def _ride(
    scenario: Scenario,
    world: World,
    samples: list[Sample],
    states: list[Floats],
    truth: list[tuple[int, float, Floats]],
) -> SimulatedRide:
    state = np.stack(states, axis=1) if states else np.empty((len(Row), 0, scenario.pack.series))
    groups = world.pack.groups
    volts, current, degrees, distance = _columns(samples, scenario.pack.series, scenario.sensors.temperatures)
    return SimulatedRide(
        time_s=np.array([at_us for at_us, _, _ in truth]) / 1e6,
        group_v=volts,
        current_a=current if scenario.sensors.current else None,
        temperature_c=degrees,
        distance_m=distance if scenario.sensors.distance else None,
        loaded_v=np.array([loaded for _, _, loaded in truth]).reshape(len(truth), -1),
        rest_v=rest_after(groups, state),
        ocv_v=ocv(groups, state),
        soc=state[Row.CHARGE],
        true_current_a=np.array([current_a for _, current_a, _ in truth]),
    )


def _columns(samples: list[Sample], groups: int, sensors: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Volts, amperes, degC and metres of many samples, NaN where invalid."""
    count = len(samples)
    volts = np.array([sample.group_500uv for sample in samples], float).reshape(count, groups) * VOLTAGE_STEP_V
    degrees = np.array([sample.temperature_centi_c for sample in samples], float).reshape(count, sensors)
    volts[~_bits([sample.group_valid for sample in samples], groups)] = np.nan
    degrees[~_bits([sample.temperature_valid for sample in samples], sensors)] = np.nan
    other = np.array([sample.other_valid for sample in samples], int)
    current = np.array([sample.current_ma for sample in samples], float) * CURRENT_STEP_A
    distance = np.array([sample.distance_cm for sample in samples], float) * DISTANCE_STEP_M
    current[(other & SampleOtherValid.CURRENT) == 0] = np.nan
    distance[(other & SampleOtherValid.DISTANCE) == 0] = np.nan
    return volts, current, degrees * TEMPERATURE_STEP_C, distance


def _bits(masks: list[int], width: int) -> NDArray[np.bool_]:
    words = np.array(masks, np.uint64).reshape(-1, 1)
    return np.asarray((words >> np.arange(width, dtype=np.uint64)) & np.uint64(1), bool)

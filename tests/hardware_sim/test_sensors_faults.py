"""Sensors, and each fault in what a host sees of it. Law: a fault that did nothing would fail its test."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sagwise_protocol import (
    BoardHello,
    BoardHelloBootCause,
    Frame,
    Rejected,
    Sample,
    SampleOtherValid,
    Status,
    StatusFaults,
)
from sagwise_sim.faults import KINDS
from sagwise_sim.scenario import Scenario
from sagwise_sim.sensors import Reading, Sensors, SensorSpec, sensor_cover, to_wire
from sagwise_sim.simulation import SimulatedRide, simulate

Make = Callable[..., Scenario]


def sensors(groups: int = 4, seed: int = 1, **spec: Any) -> Sensors:
    return Sensors(SensorSpec(**spec), groups, np.random.default_rng(seed))


def readings(which: Sensors, volts: float, amps: float, count: int) -> list[Sample]:
    """What the sensors say of one unchanging truth."""
    out = []
    for at in range(count):
        which.follow(at * 50_000, amps)
        out.append(which.to_sample(which.measure(np.full(4, volts), np.full(4, 20.0), 12.3456)))
    return out


# --- sensors ----------------------------------------------------------------------------------------------------


def test_noise_has_the_stated_size_and_no_bias() -> None:
    taken = readings(sensors(voltage_step_uv=500), 3.6, 40.0, 4000)
    volts = np.array([sample.group_500uv for sample in taken]) * 0.0005
    current = np.array([sample.current_ma for sample in taken]) * 0.001
    assert volts.std() == pytest.approx(0.002, rel=0.05)
    assert volts.mean() == pytest.approx(3.6, abs=1e-4)
    assert current.std() == pytest.approx(0.5, rel=0.05)
    assert current.mean() == pytest.approx(40.0, abs=0.04)


def test_readings_are_whole_steps_of_the_converter() -> None:
    taken = readings(sensors(voltage_step_uv=1500, current_step_ma=250), 3.6, 40.0, 50)
    assert all(value % 3 == 0 for sample in taken for value in sample.group_500uv)
    assert all(sample.current_ma % 250 == 0 for sample in taken)
    assert taken[0].distance_cm == 1235


def test_gain_offset_and_delay_of_the_current() -> None:
    which = sensors(current_gain=1.01, current_offset_a=0.3, current_delay_s=0.2, current_noise_a=0.0)
    for at_ms in range(0, 1000, 50):
        which.follow(at_ms * 1000, 100.0 if at_ms >= 700 else 0.0)
        reading = which.measure(np.full(4, 3.6), np.full(4, 20.0), 0.0)
        assert reading.current_a == pytest.approx(101.3 if at_ms >= 900 else 0.3), at_ms


def test_sensors_not_fitted_are_invalid() -> None:
    sample = readings(sensors(current=False, distance=False, temperatures=0), 3.6, 5.0, 1)[0]
    assert (sample.other_valid, sample.current_ma, sample.distance_cm) == (0, 0, 0)
    assert sample.temperature_centi_c == ()


def test_temperature_sensors_share_the_groups_evenly() -> None:
    cover = sensor_cover(16, 3)
    assert cover.sum(axis=1) == pytest.approx([1.0, 1.0, 1.0])
    assert (cover > 0.0).sum(axis=1).tolist() == [5, 5, 6]
    assert ((cover > 0.0).sum(axis=0) == 1).all()


def test_wire_carries_what_a_crossed_lead_reads_and_marks_the_invalid() -> None:
    nan = math.nan
    sample = to_wire(Reading(np.array([-4.1, 8.3, nan, 20.0]), np.array([nan, -12.34]), -31.5, nan))
    assert sample.group_500uv == (-8200, 16600, 0, 32767)
    assert sample.group_valid == 0b1011
    assert (sample.temperature_centi_c, sample.temperature_valid) == ((0, -1234), 0b10)
    assert (sample.current_ma, sample.other_valid) == (-31500, int(SampleOtherValid.CURRENT))


# --- faults in the readings -------------------------------------------------------------------------------------


def ride_pair(make_scenario: Make, **fault: Any) -> tuple[SimulatedRide, SimulatedRide]:
    """The same ride without and with one fault from 8 s on."""
    scenario = make_scenario(sensors={"voltage_noise_v": 0.0, "current_noise_a": 0.0})
    spoilt = make_scenario(sensors={"voltage_noise_v": 0.0, "current_noise_a": 0.0}, fault=[{"at_s": 8.0} | fault])
    return simulate(scenario), simulate(spoilt)


def after(ride: SimulatedRide, seconds: float = 8.5) -> np.ndarray:
    return ride.time_s > seconds


def test_every_kind_has_a_scenario_and_a_test() -> None:
    from sagwise_sim.scenario import shipped

    assert {f"fault_{kind}" for kind in KINDS} <= set(shipped())
    tested = {name.removeprefix("test_fault_") for name in globals() if name.startswith("test_fault_")}
    assert set(KINDS) == tested


def test_fault_broken_lead(make_scenario: Make) -> None:
    sound, spoilt = ride_pair(make_scenario, kind="broken_lead", group=2)
    shift = (spoilt.group_v - sound.group_v)[after(sound)]
    assert abs(shift[:, [0, 3]]).max() == 0.0
    assert abs(shift[:, 1] + shift[:, 2]).max() <= 0.0021  # their sum is true to the converter's steps
    assert np.corrcoef(shift[:, 1], shift[:, 2])[0, 1] < -0.99
    assert 0.2 < abs(shift[:, 1]).max() < 1.5
    assert shift[:, 1].std() > 0.05
    assert (spoilt.group_v == sound.group_v)[~after(sound, 7.9)].all()


@pytest.mark.parametrize("group", [1, 2, 4])
def test_fault_crossed_leads(make_scenario: Make, group: int) -> None:
    sound, spoilt = ride_pair(make_scenario, kind="crossed_leads", group=group)
    true, read, at = sound.group_v[after(sound)], spoilt.group_v[after(sound)], group - 1
    expected = true.copy()
    expected[:, at] = -true[:, at]
    if at > 0:
        expected[:, at - 1] = true[:, at - 1] + true[:, at]
    if at < 3:
        expected[:, at + 1] = true[:, at + 1] + true[:, at]
    assert read == pytest.approx(expected, abs=0.0021)
    assert read[:, at].max() < -2.5


def test_fault_stuck_reading(make_scenario: Make) -> None:
    sound, spoilt = ride_pair(make_scenario, kind="stuck_reading", group=3)
    held = spoilt.group_v[after(sound), 2]
    assert np.ptp(held) == 0.0
    assert np.ptp(sound.group_v[after(sound), 2]) > 0.005


def test_fault_weak_group(make_scenario: Make) -> None:
    sound, spoilt = ride_pair(make_scenario, kind="weak_group", group=3, capacity=0.8, resistance=1.5)
    start = np.searchsorted(sound.time_s, 8.0)
    lost = spoilt.soc[start, 2] - spoilt.soc[-1, 2]
    assert lost / (sound.soc[start, 2] - sound.soc[-1, 2]) == pytest.approx(1.25, rel=0.01)
    assert (sound.group_v - spoilt.group_v)[-1, 2] > 0.03
    assert abs(sound.group_v - spoilt.group_v)[:, [0, 1, 3]].max() == 0.0


def test_fault_rising_joint(make_scenario: Make) -> None:
    sound, spoilt = ride_pair(make_scenario, kind="rising_joint", group=1, mohm=4.0, over_s=8.0)
    drop = (sound.loaded_v - spoilt.loaded_v)[:, 0]
    ohm = drop / sound.true_current_a
    half, full = np.searchsorted(sound.time_s, 12.0), np.searchsorted(sound.time_s, 16.2)
    assert ohm[half] == pytest.approx(2.0e-3, rel=0.02)
    assert ohm[full:] == pytest.approx(4.0e-3, rel=1e-6)


def test_fault_current_offset(make_scenario: Make) -> None:
    sound, spoilt = ride_pair(make_scenario, kind="current_offset", amperes=4.0, for_s=8.0)
    shift = spoilt.current_a - sound.current_a
    assert shift[(sound.time_s > 8.1) & (sound.time_s < 15.9)] == pytest.approx(4.0, abs=1e-6)
    assert shift[sound.time_s > 16.1] == pytest.approx(0.0, abs=1e-6)


# --- faults of board and line -----------------------------------------------------------------------------------


def test_fault_no_current_sensor(make_host: Callable[..., Any]) -> None:
    _, host = make_host(fault=[{"kind": "no_current_sensor", "at_s": 5.0, "for_s": 5.0}])
    host.listen(20.0)
    valid = [(f.stamp.uptime_us / 1e6, f.message.other_valid & SampleOtherValid.CURRENT) for f in host.frames(Sample)]
    assert all(bool(ok) == (not 5.06 < at < 10.0) for at, ok in valid if not 4.9 < at < 5.1 and not 9.9 < at < 10.1)
    told = [(f.stamp.uptime_us / 1e6, f.message.faults) for f in host.frames(Status)]
    changes = [at for (_, was), (at, now) in itertools.pairwise(told) if was != now]
    assert changes == pytest.approx([5.05, 10.05], abs=0.11)  # at once, not at the next whole second
    assert StatusFaults.CURRENT_SENSOR in {faults for _, faults in told}


def test_fault_corrupt_bytes(make_host: Callable[..., Any]) -> None:
    _, host = make_host(fault=[{"kind": "corrupt_bytes", "at_s": 0.0, "chance": 0.01}])
    host.listen(30.0)
    spoilt = [event for event in host.events if isinstance(event, Rejected)]
    whole = host.frames(Sample)
    assert 0.2 < len(whole) / 600 < 0.9
    assert len(spoilt) > 100
    assert all(3.0 < value * 0.0005 < 4.3 for frame in whole for value in frame.message.group_500uv)


def test_fault_lost_frames(make_host: Callable[..., Any]) -> None:
    _, host = make_host(fault=[{"kind": "lost_frames", "at_s": 0.0, "chance": 0.3}])
    host.listen(60.0)
    assert not [event for event in host.events if isinstance(event, Rejected)]
    sequences = [event.stamp.sequence for event in host.events]
    missing = sum((b - a - 1) % 65536 for a, b in itertools.pairwise(sequences))
    assert missing / sequences[-1] == pytest.approx(0.3, abs=0.05)


def test_fault_reboot(make_host: Callable[..., Any]) -> None:
    fault = {"kind": "reboot", "at_s": 5.0, "for_s": 15.0, "every_s": 10.0, "dark_s": 0.8, "cause": "watchdog"}
    _, host = make_host(fault=[fault])
    host.listen(25.0)
    hellos = host.frames(BoardHello)
    boots = list(dict.fromkeys(frame.stamp.boot_id for frame in hellos))
    assert len(boots) == 3
    for boot in boots[1:]:
        frames = [event for event in host.events if isinstance(event, Frame) and event.stamp.boot_id == boot]
        assert isinstance(frames[0].message, BoardHello)
        assert frames[0].stamp.uptime_us == 0
        assert frames[0].stamp.sequence == 0
        assert frames[0].message.boot_cause == BoardHelloBootCause.WATCHDOG
    lost = 25 * 20 - len(host.frames(Sample))
    assert lost == pytest.approx(2 * 0.8 * 20, abs=4)


def test_fault_unplug(make_host: Callable[..., Any]) -> None:
    simulation, host = make_host(fault=[{"kind": "unplug", "at_s": 5.0, "for_s": 3.0}])
    host.listen(20.0)
    ups = [frame.stamp.uptime_us / 1e6 for frame in host.frames(Sample)]
    assert not [at for at in ups if 5.1 < at < 7.9]
    assert len({frame.stamp.boot_id for frame in host.frames(Sample)}) == 1
    assert host.of(Status)[-1].samples_dropped == pytest.approx(60, abs=2)
    marks = [(mark.kind, mark.what, mark.at_s) for mark in simulation.world.schedule.marks]
    assert marks == [("unplug", "begin", 5.0), ("unplug", "end", 8.0)]


def test_faults_do_not_change_each_others_draws(make_scenario: Make) -> None:
    """A fault added later in the file leaves the ride itself as it was."""
    scenario = make_scenario()
    spoilt = make_scenario(fault=[{"kind": "stuck_reading", "group": 1, "at_s": 10.0}])
    current = simulate(scenario).true_current_a
    assert (current == simulate(spoilt).true_current_a).all()
    assert not (current == simulate(replace(scenario, seed=6)).true_current_a).all()

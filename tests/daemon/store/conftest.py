"""A store in a fresh folder, a pack, and rides made up for it. Law: seeded, so that a failure can be repeated."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.domain.model import (
    AlarmEvent,
    AlarmState,
    Cell,
    Estimate,
    Pack,
    Priority,
    Reading,
    RuleSettings,
)
from sagwise_daemon.io.store import RideStart, Store


def make_pack(series: int = 4, name: str = "Otter 16s5p") -> Pack:
    cell = Cell("nmc", 4.5, 4.2, 2.8, 14.0, 30.0, np.array([0.0, 0.5, 1.0]), np.array([2.95, 3.7, 4.18]))
    rule = RuleSettings(3.3, 0.05, 1.0, 10.0, 0.0, Priority.HIGH, False, True)
    return Pack(name, series, 5, cell, {"rest_low": rule})


def make_start(series: int = 4, time_s: float = 100.0, boot_id: int = 7, uptime_us: int = 1_000_000) -> RideStart:
    return RideStart(make_pack(series), boot_id, 1_760_000_000.0, True, uptime_us, time_s)


def make_reading(number: int, series: int = 4, time_s: float = 100.0, boot_id: int = 7, hz: float = 20.0) -> Reading:
    """The n-th reading of a ride that began at `time_s`; every value a multiple of the wire's step."""
    rng = np.random.default_rng(number)
    volts = np.round((3.9 - 0.0001 * number + rng.normal(0, 0.002, series)) * 2000) / 2000
    if number % 37 == 5:
        volts[number % series] = np.nan
    return Reading(
        time_s + number / hz,
        volts,
        current_a=round(40 + 30 * float(np.sin(number / 9)), 3),
        temperature_c=np.array([25.0 + round(number / 5000, 2), np.nan if number % 50 == 3 else 26.5]),
        distance_m=round(number * 0.25, 2),
        boot_id=boot_id,
        uptime_us=1_000_000 + round(number / hz * 1e6),
    )


def make_estimate(number: int, series: int = 4, time_s: float = 100.0, hz: float = 20.0) -> Estimate:
    full = np.full(series, 3.85 - 0.0005 * (number // 20))
    return Estimate(
        time_s + number / hz,
        rest_v=full,
        rest_sigma_v=np.full(series, 0.008),
        ocv_v=full + 0.01,
        resistance_mohm=np.full(series, 2.87),
        resistance_25c_mohm=np.full(series, 2.9),
        soc=np.full(series, 0.731),
        unknown=np.zeros(series, np.int8),
    )


def make_event(time_s: float = 100.5, to: AlarmState = AlarmState.UNACKNOWLEDGED, group: int | None = 3) -> AlarmEvent:
    return AlarmEvent(time_s, "rest_low", group, to, Priority.HIGH, 3.291, 3.3, "V")


@pytest.fixture
def store(fresh: Path) -> Iterator[Store]:
    with Store.open(fresh) as opened:
        yield opened


@pytest.fixture
def ridden() -> Callable[..., int]:
    """Records a ride of some readings (with estimates) into a store; leaves it open unless `ended_by` is given."""

    def record(store: Store, count: int = 200, series: int = 4, ended_by: str | None = None) -> int:
        ride_id = store.recorder.begin_ride(make_start(series))
        for number in range(count):
            store.recorder.append(ride_id, make_reading(number, series))
            store.recorder.append_estimate(ride_id, make_estimate(number, series))
            if number % 1000 == 999:
                store.recorder.flush()
        if ended_by is not None:
            store.recorder.end_ride(ride_id, ended_by)
        store.recorder.flush()
        return ride_id

    return record


@pytest.fixture(scope="session")
def readings() -> Callable[..., Reading]:
    return make_reading


@pytest.fixture(scope="session")
def estimates() -> Callable[..., Estimate]:
    return make_estimate


@pytest.fixture(scope="session")
def event() -> Callable[..., AlarmEvent]:
    return make_event


@pytest.fixture(scope="session")
def start() -> Callable[..., RideStart]:
    return make_start

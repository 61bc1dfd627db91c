"""Ride, charge and standing through the live path into a real store. Law: each begins and ends by itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.model import Reading
from sagwise_daemon.domain.ports import Ride
from sagwise_daemon.domain.ride.bounds import RideSettings
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.flow import Flow
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.history import History

_, OTTER = built_in_pack("otter")
BEGAN_UNIX_S = 1.76e9
SETTINGS = RideSettings(end_after_s=20, link_end_s=30, preroll_s=5, charge_after_s=10, stand_after_s=60)


@dataclass
class Bike:
    """A pack of 2.9 mOhm a group behind a `Flow`, two readings a second."""

    store: Store
    time_s: float = 100.0
    soc: float = 0.60
    boot_id: int = 5
    flow: Flow = field(init=False)

    def __post_init__(self) -> None:
        self.flow = Flow(OTTER, self.store.recorder, SETTINGS, self.wall)

    def wall(self) -> WallTime:
        return WallTime(BEGAN_UNIX_S + self.time_s, True, self.time_s, "boot")

    def go(self, seconds: float, current_a: float = 0.0) -> None:
        for _ in range(round(2 * seconds)):
            self.time_s += 0.5
            self.soc -= current_a * 0.5 / 3600 / OTTER.capacity_ah
            volts = np.full(OTTER.series, float(np.interp(self.soc, OTTER.cell.ocv_soc, OTTER.cell.ocv_v)))
            uptime_us = round(self.time_s * 1e6)
            reading = Reading(
                self.time_s, volts - current_a * 0.0029, current_a, np.array([22.0]), 0.0, self.boot_id, uptime_us
            )
            self.flow.take(reading)
            if uptime_us % 100_000_000 == 0:
                self.store.recorder.flush()

    def records(self) -> list[Ride]:
        """Oldest first."""
        self.store.recorder.flush()
        return list(reversed(self.store.rides.rides()))


@pytest.fixture
def bike(fresh: Path) -> Iterator[Bike]:
    with Store.open(fresh) as store:
        yield Bike(store)


@pytest.mark.slow
def test_a_day_of_a_bike(bike: Bike) -> None:
    """Ridden, charged at once, left standing, and ridden again."""
    bike.go(10)
    bike.go(60, 40.0)
    bike.go(30)
    bike.go(120, -5.0)
    bike.go(30)
    bike.go(320)
    bike.go(60, 40.0)
    bike.go(30)
    told = bike.records()
    assert [(ride.kind, ride.ended_by) for ride in told] == [
        ("ride", "standstill"),
        ("charge", "standstill"),
        ("standing", "ride"),
        ("ride", "standstill"),
    ]
    ride, charge, standing, second = told
    assert charge.charge_ah == pytest.approx(-5.0 * 120 / 3600, rel=0.01), "from its first current on"
    assert charge.started_unix_s == pytest.approx(BEGAN_UNIX_S + 200.5, abs=0.6)
    assert standing.samples == pytest.approx(standing.duration_s / 60 + 1, abs=1.5), "one reading a minute"
    assert ride.samples == pytest.approx(2 * (5 + 60 + 20), abs=3), "with its pre-roll and its standstill"
    assert second.started_unix_s == pytest.approx(standing.started_unix_s + standing.duration_s, abs=66)


def test_a_charge_has_its_figures_in_its_summary(bike: Bike) -> None:
    bike.go(5)
    bike.go(200, -18.0)
    bike.go(25)
    (charge,) = bike.records()
    history = History(bike.store._readers, bike.store.path)
    told = history.summary(charge.ride_id)
    history.close()
    assert told is not None and told["kind"] == "charge"
    assert told["charge"]["charge_ah"] == pytest.approx(1.0, rel=0.01)
    assert told["charge"]["end_spread_v"] == 0.0 and told["charge"]["first_full"] == []


def test_a_charge_cut_off_goes_on_as_a_charge(bike: Bike) -> None:
    bike.go(5)
    bike.go(60, -5.0)
    bike.store.close()
    with Store.open(bike.store.path) as store:
        again = Bike(store, time_s=bike.time_s + 3, soc=bike.soc)
        again.go(60, -5.0)
        again.go(25)
        (charge,) = again.records()
    assert (charge.kind, charge.ended_by) == ("charge", "standstill")
    assert charge.duration_s == pytest.approx(5 + 120 + 3 + 20 - 5, abs=2)


def test_two_boots_on_one_day_are_two_records_with_their_own_dates(bike: Bike) -> None:
    bike.go(5)
    bike.go(60, 30.0)
    bike.go(25)
    bike.time_s += 4000.0
    bike.boot_id = 6
    bike.go(60, 30.0)
    bike.go(25)
    first, second = bike.records()
    assert second.started_unix_s - first.started_unix_s == pytest.approx(4090, abs=10)
    assert [boot.boot_id for ride in (first, second) for boot in bike.store.rides.boots(ride.ride_id)] == [5, 6]

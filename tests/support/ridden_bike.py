"""A daemon process with rides in its store and a simulated board on its line. Law: only the rides are made up.

The rides go through the live path (`earlier.record` does the same), so that store, summaries and alarms are the real
ones; each is short, so that a test need not wait for it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
from daemon_process import PACK, Daemon, wait_for
from ride_scenario import pull_and_coast

from sagwise_daemon.config import load_pack
from sagwise_daemon.domain.model import Pack, Readings
from sagwise_daemon.domain.ride.bounds import RideSettings
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.flow import Flow
from sagwise_daemon.io.store import Store
from sagwise_sim import PtyPort, build, load

HZ, RIDE_S = 10, 120
STARTED_UNIX_S = 1.79e9
WEAK = 7


def pulls(pack: Pack, seed: int) -> Readings:
    """Pulls and coasting at 10 Hz with a group that resists more, and a stretch in which current was not measured."""
    dice = np.random.default_rng(seed)
    time_s = np.arange(RIDE_S * HZ) / HZ
    current = np.where(time_s % 8.0 < 4.0, 90.0, 0.0) + dice.normal(0.0, 0.3, len(time_s))
    current[600:640] = np.nan
    resistance = np.full(pack.series, 0.0034)
    resistance[WEAK - 1] *= 1.6
    drawn_v = np.nan_to_num(current, nan=90.0)[:, None] * resistance
    rest_v = np.linspace(3.72, 3.28, len(time_s))[:, None] + dice.normal(0.0, 0.004, pack.series)
    celsius = 24.0 + time_s[:, None] / 60.0
    return Readings(time_s, rest_v - drawn_v, current, celsius, np.cumsum(np.nan_to_num(current)) * 0.004)


def store_ride(store: Store, pack: Pack, number: int) -> None:
    """One ride through the live path; days lie between one and the next."""
    started = STARTED_UNIX_S + 2 * 86_400.0 * number
    clock = [0.0]
    flow = Flow(
        pack, store.recorder, RideSettings(), lambda: WallTime(started + clock[0], True, clock[0], ""), memory=None
    )
    for reading in pulls(pack, number):
        clock[0] = reading.time_s
        flow.take(replace(reading, boot_id=1000 + number, uptime_us=round(reading.time_s * 1e6)))
    flow.end_ride("standstill")
    store.recorder.flush(30)


@contextmanager
def ridden_bike(folder: Path, rides: int = 3, config: str = "") -> Iterator[Daemon]:
    """A daemon that answers and hears its board."""
    daemon = Daemon(folder, folder / "board", PACK.format(name="Otter", series=16, extra=""), config)
    pack = load_pack(folder / "pack.toml")
    with Store.open(daemon.store) as store:
        for number in range(rides):
            store_ride(store, pack, number)
    port = PtyPort(build(load(pull_and_coast(folder / "ride.toml"))).board, folder / "board")
    port.start()
    try:
        daemon.start()
        wait_for(daemon.answers, 20, "the page")
        yield daemon
    finally:
        if daemon.alive():
            daemon.stop()
        port.stop()

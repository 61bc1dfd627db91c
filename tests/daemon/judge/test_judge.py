"""Stored rides judged anew. Law: the other process says what the command line says of the same ride."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.ride.settings_grid import Setting
from sagwise_daemon.io.store import RideStart, Store
from sagwise_daemon.io.trace import Trace
from sagwise_daemon.judge import Judge, grid_of
from sagwise_daemon.replay import replay

SECONDS = 60


def falling(pack) -> Trace:
    """A minute at rest in which every group falls from 3.5 to 3.1 V, group 7 a little ahead."""
    time_s = np.arange(0, SECONDS, 0.1).round(3)
    volts = np.repeat((3.5 - 0.4 * time_s / SECONDS)[:, None], pack.series, axis=1)
    volts[:, 6] -= 0.05
    volts = (volts * 2000).round() / 2000  # the wire's resolution
    current_a = np.zeros(len(time_s))
    return Trace(time_s, volts, current_a, np.full((len(time_s), 1), 25.0), None)


@pytest.fixture
def stored(tmp_path: Path):
    """A store with that ride, and one that goes on; the store, the trace and the ride's number."""
    pack = built_in_pack("otter")[1]
    trace = falling(pack)
    with Store.open(tmp_path / "rides.sqlite") as store:
        ids = []
        for _ in range(2):
            ride_id = store.recorder.begin_ride(RideStart(pack, 1, 1.8e9, True, 0, 0.0))
            for reading in trace.readings():
                store.recorder.append(ride_id, reading)
            ids.append(ride_id)
            if len(ids) == 1:
                store.recorder.end_ride(ride_id, "standstill")
        store.recorder.flush()
        yield store, pack, trace, ids


@pytest.mark.slow
def test_the_other_process_judges_as_the_command_line_does(stored) -> None:
    store, pack, trace, (ride_id, _) = stored
    judge = Judge(store.path, lambda name: Setting(3.25, 2.0) if name == pack.name else None)
    try:
        found = judge.judge(ride_id)
        again = judge.judge(ride_id)
    finally:
        judge.close()
    direct = {one.setting: one for one in replay(trace, pack, settings=grid_of(pack)).tried}
    assert {one.setting for one in found.tried} == set(direct)
    for one in found.tried:
        assert one.rest.count == direct[one.setting].rest.count
        assert one.rest.first_s == pytest.approx(direct[one.setting].rest.first_s, abs=1e-3)
        if one.setting.on_delay_s == 1.0:
            assert one.plain.count == direct[one.setting].plain.count
    own = next(one for one in found.tried if one.setting == Setting(3.3, 1.0))
    assert own.rest.first_group == 7
    assert found.now == Setting(3.25, 2.0), "what is set now, not what was set then"
    assert again.tried is found.tried, "judged once, remembered"


@pytest.mark.slow
def test_what_cannot_be_judged_is_said(stored) -> None:
    store, _, _, (_, going) = stored
    judge = Judge(store.path, lambda name: None)
    try:
        with pytest.raises(KeyError):
            judge.judge(99)
        with pytest.raises(ValueError, match="goes on"):
            judge.judge(going)
    finally:
        judge.close()


def test_the_grid_holds_the_packs_own_setting_and_stays_within_the_cell() -> None:
    for name in ("otter", "heron", "wren"):
        pack = built_in_pack(name)[1]
        grid = grid_of(pack)
        own = pack.rules["rest_low"]
        assert Setting(own.limit, own.on_delay_s) in grid
        assert all(pack.cell.empty_v <= one.limit_v < pack.cell.full_v for one in grid)
        assert 100 < len(grid) <= 300

"""Stored rides judged by other settings, for the page. Law: the live estimator and engine over the ride as it was, in a
process of its own; what was judged once is remembered, for a stored ride does not change.

A ride is judged by its pack as ridden, by a grid of limits and delays: whoever drags a limit on the page is answered
from the grid at once.
"""

from __future__ import annotations

import sys
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from sagwise_daemon.domain.model import Pack
from sagwise_daemon.domain.owner import TriedRide
from sagwise_daemon.domain.pack.profile import rest_low_v
from sagwise_daemon.domain.ride.settings_grid import RULE, Setting, Tried, Warnings
from sagwise_daemon.io.export import trace_of
from sagwise_daemon.io.store.engine import reader_engine
from sagwise_daemon.io.store.known_packs import lost, pack_or_none
from sagwise_daemon.io.store.other_process import OtherProcess, serve
from sagwise_daemon.io.store.rides import StoredRides
from sagwise_daemon.replay import replay

STEP_V = 0.02
ABOVE_V = 0.3  # over the chemistry's own limit: far more cautious than anybody wants
DELAYS_S = (0.5, 1.0, 2.0, 5.0, 10.0)
PLAIN_DELAY_S = 1.0
REMEMBERED = 24
IDLE_S = 120.0


def grid_of(pack: Pack) -> tuple[Setting, ...]:
    """Limits from the empty voltage upwards, each with every delay; the pack's own among them."""
    own = pack.rules[RULE]
    top_v = min(rest_low_v(pack.cell) + ABOVE_V, pack.cell.full_v - STEP_V)
    limits = {round(float(volts), 3) for volts in np.arange(pack.cell.empty_v, top_v + 1e-9, STEP_V)}
    limits |= {round(own.limit, 3)} if own.limit is not None else set()
    delays = sorted({*DELAYS_S, own.on_delay_s})
    return tuple(Setting(volts, seconds) for volts in sorted(limits) for seconds in delays)


def judge(rides: StoredRides, ride_id: int) -> TriedRide:
    """Raises KeyError for an unknown ride, ValueError for one that goes on or has no samples at full rate."""
    ride = rides.ride(ride_id)
    if ride.ended_by is None:
        raise ValueError(f"ride {ride_id} goes on: judge it when it is over")
    readings = rides.readings(ride_id)
    if readings is None:
        raise ValueError(f"ride {ride_id} has no samples at full rate any more, so it cannot be judged anew")
    pack = pack_or_none(rides.pack(ride_id))
    if pack is None:
        raise ValueError(lost(ride_id))
    found = replay(trace_of(readings), pack, settings=grid_of(pack))
    own = pack.rules[RULE]
    now = Setting(pack.cell.empty_v if own.limit is None else own.limit, own.on_delay_s)
    floors = [event.time_s for event in found.events if event.rule == "loaded_floor" and event.to == "unacknowledged"]
    tried = tuple(_short(one) for one in found.tried)
    return TriedRide(ride_id, pack.name, ride.duration_s, now, min(floors, default=None), tried)


def _short(tried: Tried) -> Tried:
    """No more than a page can show: a plain buzzer's raises by the hundred, and only with its own delay."""
    plain = tried.plain if tried.setting.on_delay_s == PLAIN_DELAY_S else Warnings(())
    return replace(tried, plain=plain)


class Judge:
    """Implements `domain.owner.WhatIf`. settings_of: a known pack's present settings by its name, None if unknown."""

    def __init__(self, path: Path, settings_of: Callable[[str], Setting | None]) -> None:
        self._process = OtherProcess("sagwise_daemon.judge", path)
        self._settings_of = settings_of
        self._guard = threading.Lock()
        self._judged: OrderedDict[int, TriedRide] = OrderedDict()

    def judge(self, ride_id: int) -> TriedRide:
        """Raises as the function of that name, and StoreError when the other process fails twice."""
        with self._guard:
            found = self._judged.get(ride_id)
        if found is None:
            found = self._process.ask(ride_id)
            assert isinstance(found, TriedRide)
            self._remember(found)
        return replace(found, now=self._settings_of(found.pack) or found.now)

    def _remember(self, found: TriedRide) -> None:
        with self._guard:
            self._judged[found.ride_id] = found
            while len(self._judged) > REMEMBERED:
                self._judged.popitem(last=False)

    def close(self) -> None:
        """End the other process."""
        self._process.close()


def settings_among(packs: Callable[[], Sequence[Pack]]) -> Callable[[str], Setting | None]:
    """For `Judge`: the present settings of the packs that are known."""

    def settings_of(name: str) -> Setting | None:
        pack = next((one for one in packs() if one.name == name), None)
        rule = None if pack is None else pack.rules[RULE]
        return None if rule is None or rule.limit is None else Setting(rule.limit, rule.on_delay_s)

    return settings_of


def main(path: Path) -> None:
    """Answer the daemon's wishes until it closes, or has none for a while."""
    engine = reader_engine(path)
    rides = StoredRides(engine)
    serve(lambda ride_id: judge(rides, ride_id), IDLE_S)
    engine.dispose()


if __name__ == "__main__":
    main(Path(sys.argv[1]))

"""Fakes of the ports, and clients for the app. Law: what a fake says is what the test set, nothing is patched."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from typing import TypeVar

import httpx
import numpy as np
import pytest
from fastapi import FastAPI

from sagwise_api import PageServer, PageSettings, create_app
from sagwise_daemon.domain.chart import encode_chart
from sagwise_daemon.domain.estimate import Kind, Weakness
from sagwise_daemon.domain.model import (
    AlarmEvent,
    AlarmState,
    AlarmView,
    Basis,
    Cell,
    Pack,
    Priority,
    RuleSettings,
)
from sagwise_daemon.domain.ports import ALL_RIDES, Envelope, LiveState, Ride, RideFilter, StoredEvent

NAN = float("nan")
HOST = "127.0.0.1:8480"
ORIGIN = f"http://{HOST}"
CODE = "4711-0815"
LOCKED = PageSettings(pairing_code=CODE)
T = TypeVar("T")

WREN = Pack(
    "Wren 16s",
    16,
    1,
    Cell("lfp", 20.0, 3.65, 2.5, None, None, np.array([0.0, 1.0]), np.array([2.5, 3.4])),
    {"rest_low": RuleSettings(3.1, 0.05, 1.0, 10.0, 0.0, Priority.HIGH, False, True)},
)
STATE = LiveState(
    sequence=1,
    bike="Otter",
    pack="Otter 16s5p",
    link="up",
    age_s=0.04,
    time_s=12.3,
    loaded_v=(3.51, None, NAN),
    rest_v=(3.72, 3.70, None),
    rest_sigma_v=(0.006, float("inf"), None),
    resistance_mohm=(3.1, 3.3, NAN),
    soc=(0.61, 0.6, NAN),
    unknown=(None, None, "settling: 10 s of rest needed"),
    current_a=118.0,
    temperature_c=(31.0, NAN),
    distance_m=NAN,
    rest_limit_v=3.3,
    floor_v=2.8,
    full_v=4.2,
    alarms=(AlarmView("rest_low", 2, AlarmState.UNACKNOWLEDGED, Priority.HIGH, NAN, 3.3, "V", Basis.REST, 11.0, None),),
    sound="high",
    ride_id=3,
    notice=None,
    weak=(Weakness(2, Kind.RESISTANCE, NAN, NAN, 35.42, 2.0),),
)


class FakeLive:
    def __init__(self) -> None:
        self.state = STATE
        self.waiting = 0

    def latest(self) -> LiveState:
        return self.state

    async def changed(self, sequence: int, timeout_s: float) -> LiveState:
        self.waiting += 1
        loop = asyncio.get_running_loop()
        ends = loop.time() + timeout_s
        while self.state.sequence <= sequence and loop.time() < ends:  # noqa: ASYNC110
            await asyncio.sleep(0.005)
        return self.state

    def advance(self) -> None:
        self.state = replace(self.state, sequence=self.state.sequence + 1)


@dataclass
class FakeCommands:
    done: list[tuple[object, ...]] = field(default_factory=list)

    def acknowledge(self, by: str, rule: str | None = None, group: int | None = None) -> None:
        if rule not in (None, "rest_low"):
            raise KeyError(rule)
        if group is not None and group > 16:
            raise ValueError(f"group: {group} is not in this pack; groups are 1 to 16")
        self.done.append(("acknowledge", by, rule, group))

    def shelve(self, by: str, rule: str, seconds: float, group: int | None = None) -> None:
        if rule == "loaded_floor":
            raise ValueError("loaded_floor may not be shelved: it guards the cells whatever the estimate says")
        if rule != "spread_high":
            raise KeyError(rule)
        self.done.append(("shelve", by, rule, seconds, group))


class FakeRides:
    """Rides 1 to 120; `wait` is called in `envelope`, so that a test can hold a worker."""

    def __init__(self) -> None:
        self.wait: Callable[[], object] = lambda: None

    def _ride(self, ride_id: int) -> Ride:
        return Ride(
            ride_id, "Otter 16s5p", 16, 1.7e9 + ride_id, True, 600.0, 6000, None, NAN, 2.5, None, 131.0, 3.1, NAN, 1
        )

    def rides(self, limit: int = 100, before_id: int | None = None, wanted: RideFilter = ALL_RIDES) -> Sequence[Ride]:
        newest = 120 if before_id is None else self.ride(before_id).ride_id - 1
        return [self._ride(number) for number in range(newest, max(0, newest - limit), -1)]

    def ride(self, ride_id: int) -> Ride:
        if not 1 <= ride_id <= 120:
            raise KeyError(ride_id)
        return self._ride(ride_id)

    def channels(self, ride_id: int) -> Sequence[str]:
        self.ride(ride_id)
        return ["group_01_v", "loaded_v", "rest_v"]

    def envelope(
        self, ride_id: int, channels: Sequence[str], points: int, start_s: float | None, end_s: float | None
    ) -> Envelope:
        self.wait()
        known = self.channels(ride_id)
        for name in channels:
            if name not in known:
                raise ValueError(f"channel {name!r} is not one of this ride's: {', '.join(known)}")
        first, last = start_s or 0.0, 600.0 if end_s is None else end_s
        if last <= first:
            raise ValueError(f"the span from {first} s to {last} s is empty")
        time_s = first + (np.arange(points) + 0.5) * (last - first) / points
        low = np.array([3.0 + number + np.sin(time_s) for number in range(len(channels))])
        low[:, 1] = NAN
        return Envelope(tuple(channels), time_s, low, low + 0.25)

    def overview(self, ride_id: int, channels: Sequence[str]) -> bytes:
        return encode_chart(self.envelope(ride_id, channels, 1000, None, None))

    def events(self, ride_id: int | None = None, limit: int = 200) -> Sequence[StoredEvent]:
        event = AlarmEvent(9.0, "rest_low", 7, AlarmState.UNACKNOWLEDGED, Priority.HIGH, NAN, 3.3, "V", Basis.REST)
        return [StoredEvent(number, ride_id, 1.7e9, event, 4.5) for number in range(3, 0, -1)][:limit]


class FakePacks:
    def packs(self) -> Sequence[Pack]:
        return [WREN]

    def fitted(self) -> Pack:
        return WREN


@dataclass
class House:
    """The app with its fakes, and clients that ask it as somebody at `address` would."""

    live: FakeLive = field(default_factory=FakeLive)
    commands: FakeCommands = field(default_factory=FakeCommands)
    rides: FakeRides = field(default_factory=FakeRides)
    packs: FakePacks = field(default_factory=FakePacks)

    def app(self, settings: PageSettings) -> FastAPI:
        return create_app(self.live, self.commands, self.rides, self.packs, settings)

    @asynccontextmanager
    async def asked(
        self, settings: PageSettings | None = None, address: str = "127.0.0.1", host: str = HOST
    ) -> AsyncIterator[httpx.AsyncClient]:
        app = self.app(settings or PageSettings(paired_on_loopback=True))
        transport = httpx.ASGITransport(app, client=(address, 50000))
        async with httpx.AsyncClient(transport=transport, base_url=f"http://{host}") as client:
            yield client

    def talk(
        self,
        talker: Callable[[httpx.AsyncClient], Awaitable[T]],
        settings: PageSettings = LOCKED,
        address: str = "127.0.0.1",
    ) -> T:
        """What a client at `address` has to tell after talking to the app; by default the bike wants its code."""

        async def run() -> T:
            async with self.asked(settings, address) as client:
                return await talker(client)

        return asyncio.run(run())

    @asynccontextmanager
    async def served(self, settings: PageSettings | None = None) -> AsyncIterator[tuple[PageServer, httpx.AsyncClient]]:
        """A real server on a free port, and a client of it."""
        server = PageServer(self.app(settings or PageSettings(paired_on_loopback=True)), "127.0.0.1", 0)
        serving = asyncio.create_task(server.run())
        await server.ready()
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{server.port}", timeout=5) as client:
            yield server, client
        server.stop()
        await asyncio.wait_for(serving, 4)


@pytest.fixture
def house() -> House:
    return House()

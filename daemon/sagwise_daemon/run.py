"""The `run` verb: the parts of the daemon joined and kept going. Law: it ends within five seconds of being asked, with
the ride closed, everything stored and nothing left running.

The order at the end: page and link stop, then the ride is closed, then the store writes what it has.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
import sys
import time
from argparse import ArgumentParser, Namespace
from collections.abc import Awaitable, Callable
from pathlib import Path

from sagwise_api import PageServer, PageSettings, create_app
from sagwise_daemon.config import Config, load_config
from sagwise_daemon.domain.model import Pack
from sagwise_daemon.domain.ride.bounds import RideSettings
from sagwise_daemon.flow import Flow
from sagwise_daemon.io.clock import wall_time
from sagwise_daemon.io.mqtt import MqttOutlet, MqttSettings
from sagwise_daemon.io.serial_link import SerialLink
from sagwise_daemon.io.store import Store
from sagwise_daemon.outlets import LiveOutlet
from sagwise_daemon.pipeline import BoardPipeline, board_pipeline
from sagwise_daemon.supervisor import run_until, stop_on_signals

log = logging.getLogger(__name__)

TICK_S = 0.05
# How long a worker thread (a chart, the store) may keep the interpreter from the alarm path; Python's default is 5 ms.
SWITCH_S = 0.0005

Part = Callable[[], Awaitable[None]]
OnPage = Callable[[str, Store], None]


class FittedPack:
    """The packs that are known: the configured one. Implements `domain.ports.Packs`."""

    def __init__(self, pack: Pack) -> None:
        self._pack = pack

    def packs(self) -> tuple[Pack, ...]:
        return (self._pack,)

    def fitted(self) -> Pack:
        return self._pack


class Daemon:
    """All parts of one daemon. Made inside a running event loop; `run` until `stop` is set."""

    def __init__(self, config: Config, page: PageSettings, store: Store) -> None:
        loop = asyncio.get_running_loop()
        self._config, self._page, self._store = config, page, store
        self.live = LiveOutlet(config.bike.name, config.pack)
        self._mqtt = self._make_mqtt()
        flow = Flow(
            config.pack,
            store.recorder,
            ride_settings(config),
            wall_time,
            outlets=() if self._mqtt is None else (self._mqtt,),
        )
        self._pipeline: BoardPipeline = board_pipeline(
            config.pack,
            flow,
            self.live,
            rate_hz=config.serial.rate_hz,
            host_id=secrets.randbits(31) + 1,
            clock=time.monotonic,
            wall=wall_time,
            wake=lambda: loop.call_soon_threadsafe(self._pipeline.settle),
        )
        self._link = SerialLink(
            config.serial.device,
            config.serial.baud,
            on_bytes=self._pipeline.on_bytes,
            on_up=self._pipeline.on_up,
            on_down=self._pipeline.on_down,
        )
        self._pipeline.attach(self._link)

    async def run(self, stop: asyncio.Event, on_page: OnPage) -> None:
        """Keep everything going until `stop`; `on_page` is told the address once the page answers."""
        parts: dict[str, Part] = {"serial link": self._link.run, "tick": self._tick}
        if self._config.page.enabled:
            parts["page"] = lambda: self._serve(on_page)
        if self._mqtt is not None:
            parts["mqtt"] = self._mqtt.run
        try:
            await run_until(stop, parts)
        finally:
            self._pipeline.close()

    async def _tick(self) -> None:
        while True:
            self._pipeline.tick(time.monotonic())
            await asyncio.sleep(TICK_S)

    async def _serve(self, on_page: OnPage) -> None:
        page = self._config.page
        packs = FittedPack(self._config.pack)
        app = create_app(self.live, self._pipeline, self._store.rides, packs, self._page)
        server = PageServer(app, page.host, page.port)

        async def announce() -> None:
            await server.ready()
            on_page(address(page.host, server.port), self._store)

        ready = asyncio.create_task(announce())
        try:
            await server.run()
        finally:
            ready.cancel()

    def _make_mqtt(self) -> MqttOutlet | None:
        mqtt = self._config.mqtt
        if not mqtt.enabled:
            return None
        settings = MqttSettings(mqtt.host, mqtt.port, mqtt.username, self._config.mqtt_password)
        return MqttOutlet(self._config.bike.name, settings, self.live)


def address(host: str, port: int) -> str:
    """What a person types to reach the page."""
    shown = "127.0.0.1" if host in ("0.0.0.0", "::") else host  # noqa: S104 - shown, not bound
    return f"http://[{shown}]:{port}/" if ":" in shown else f"http://{shown}:{port}/"


def ride_settings(config: Config) -> RideSettings:
    """The configuration's ride section as the domain takes it."""
    ride = config.ride
    return RideSettings(
        begin_current_a=ride.begin_current_a,
        begin_after_s=ride.begin_after_s,
        end_after_s=ride.end_after_s,
        link_end_s=ride.link_end_s,
        preroll_s=ride.preroll_s,
    )


def add_arguments(parser: ArgumentParser) -> None:
    """The verb's options."""
    parser.add_argument("--config", type=Path, required=True, metavar="FILE", help="the bike's configuration (TOML)")


def run(args: Namespace) -> int:
    """The verb. Returns 0 after SIGTERM or SIGINT; raises InputError and StoreError before anything has started."""
    config = load_config(args.config)
    page = PageSettings(pairing_code=config.page.pairing_code, paired_on_loopback=False)
    asyncio.run(serve(config, page, lambda url, _store: log.info("page on %s", url)))
    return 0


async def serve(
    config: Config,
    page: PageSettings,
    on_page: OnPage,
) -> None:
    """Open the store, run the daemon until a signal, close the store."""
    stop = asyncio.Event()
    stop_on_signals(stop)
    sys.setswitchinterval(SWITCH_S)
    config.store_path.parent.mkdir(parents=True, exist_ok=True)
    budget_bytes = config.store.budget_mb * 1_000_000
    store = await asyncio.to_thread(Store.open, config.store_path, budget_bytes)
    try:
        await Daemon(config, page, store).run(stop, on_page)
    finally:
        await asyncio.to_thread(store.close)

"""The `run` verb: the parts of the daemon joined and kept going. Law: it ends within five seconds of being asked, with
the ride closed, everything stored and nothing left running.

The order at the end: page and link stop, then the ride is closed, then the store writes what it has.
"""

from __future__ import annotations

import asyncio
import gc
import logging
import secrets
import sys
import time
from argparse import ArgumentParser, Namespace
from collections.abc import Awaitable, Callable
from pathlib import Path

from sagwise_api import PageServer, PageSettings, create_app
from sagwise_daemon.config import Config, load_config
from sagwise_daemon.domain.model import HostState, Pack
from sagwise_daemon.domain.owner import SetBy
from sagwise_daemon.domain.pack.cautions import cautions
from sagwise_daemon.domain.ride.bounds import RideSettings
from sagwise_daemon.errors import PageError, StoreError
from sagwise_daemon.flow import Flow
from sagwise_daemon.garage import Garage
from sagwise_daemon.io.addresses import own_addresses
from sagwise_daemon.io.changes import SETTINGS_FILE
from sagwise_daemon.io.clock import Clock
from sagwise_daemon.io.mqtt import MqttOutlet, MqttSettings
from sagwise_daemon.io.serial_link import SerialLink
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.archive import ArchiveAside
from sagwise_daemon.io.store.charts import RidesAside
from sagwise_daemon.io.store.holding import held
from sagwise_daemon.io.store.standin import open_or_stand_in
from sagwise_daemon.io.store.trouble import trouble
from sagwise_daemon.judge import Judge, settings_among
from sagwise_daemon.outlets import LiveOutlet
from sagwise_daemon.pipeline import BoardPipeline, board_pipeline
from sagwise_daemon.supervisor import run_until, stop_on_signals

log = logging.getLogger(__name__)

TICK_S = 0.05
DEVICES_FILE = "devices.json"  # beside the rides, as the settings
CODE_DIGITS = 8
SUMMARIES_EVERY_S = 5.0
DATING_EVERY_S = 1.0
WATCH_EVERY_S = 1.0
# How long a worker thread (a chart, the store) may keep the interpreter from the alarm path; Python's default is 5 ms.
SWITCH_S = 0.0005

Part = Callable[[], Awaitable[None]]
OnPage = Callable[[str, Store], None]


class Daemon:
    """All parts of one daemon. Made inside a running event loop; `run` until `stop` is set."""

    def __init__(self, config: Config, page: PageSettings, store: Store, clock: Clock) -> None:
        loop = asyncio.get_running_loop()
        self._config, self._page, self._store = config, page, store
        self._archive, self._rides = ArchiveAside(store.path), RidesAside(store.path)
        self._loop, self._clock, self._link_up = loop, clock, False
        self._garage = Garage(
            config.pack_path,
            config.store_path.with_name(SETTINGS_FILE),
            lambda: self._clock.wall().unix_s,
            on_pack=self._on_pack,
            riding=lambda: self._pipeline.riding,
        )
        self._judge = Judge(store.path, settings_among(self._garage.packs))
        self._pack = self._garage.fitted()
        caution(self._pack)
        self.live = LiveOutlet(config.bike.name, self._pack)
        self._mqtt = self._make_mqtt()
        self._pipeline = self._make_pipeline()
        self._link = SerialLink(
            config.serial.device,
            config.serial.baud,
            on_bytes=self._bytes,
            on_up=self._up,
            on_down=self._down,
        )
        self._pipeline.attach(self._link)

    def _make_pipeline(self) -> BoardPipeline:
        """For the pack that is fitted now."""
        flow = Flow(
            self._pack,
            self._store.recorder,
            ride_settings(self._config),
            self._clock.wall,
            outlets=() if self._mqtt is None else (self._mqtt,),
            memory=self._store.memory,
        )
        return board_pipeline(
            self._pack,
            flow,
            self.live,
            rate_hz=self._config.serial.rate_hz,
            host_id=secrets.randbits(31) + 1,
            clock=time.monotonic,
            wall=self._clock.wall,
            wake=lambda: self._loop.call_soon_threadsafe(self._settle),
        )

    def _settle(self) -> None:
        self._pipeline.settle()

    def _bytes(self, data: bytes, heard_s: float) -> None:
        self._pipeline.on_bytes(data, heard_s)

    def _up(self) -> None:
        self._link_up = True
        self._pipeline.on_up()

    def _down(self, reason: str) -> None:
        self._link_up = False
        self._pipeline.on_down(reason)

    def _on_pack(self, pack: Pack) -> None:
        """Called by the garage, from any thread."""
        self._loop.call_soon_threadsafe(self._fit, pack)

    def _fit(self, pack: Pack) -> None:
        """Other settings go on with what is known; another pack begins anew, as after a start."""
        same, self._pack = pack.name == self._pack.name, pack
        caution(pack)
        if same:
            self._pipeline.retune(pack)
            return
        self._pipeline.close()
        self.live.fit(pack)
        self._pipeline = self._make_pipeline()
        self._pipeline.attach(self._link)
        if self._link_up:
            self._pipeline.on_up()

    # From people; implements `domain.ports.Commands` whatever pipeline there is.

    def acknowledge(self, by: str, rule: str | None = None, group: int | None = None) -> None:
        self._pipeline.acknowledge(by, rule, group)

    def shelve(self, by: str, rule: str, seconds: float, group: int | None = None) -> None:
        self._pipeline.shelve(by, rule, seconds, group)

    async def run(self, stop: asyncio.Event, on_page: OnPage) -> None:
        """Keep everything going until `stop`; `on_page` is told the address once the page answers."""
        parts: dict[str, Part] = {"serial link": self._link.run, "tick": self._tick}
        parts |= {"summaries": self._summaries, "dating": self._dating, "own state": self._watch}
        if self._config.page.enabled:
            parts["page"] = lambda: self._serve(on_page)
        if self._mqtt is not None:
            parts["mqtt"] = self._mqtt.run
        spare_the_collector()
        try:
            await run_until(stop, parts)
        finally:
            self._pipeline.close()
            for aside in (self._archive, self._rides, self._judge):
                await asyncio.to_thread(aside.close)

    async def _tick(self) -> None:
        while True:
            self._pipeline.tick(time.monotonic())
            await asyncio.sleep(TICK_S)

    async def _dating(self) -> None:
        """As soon as something has set the clock, what was recorded before is dated."""
        dated_by: SetBy = "nothing"
        while True:
            set_by = self._clock.look()[1]
            if set_by not in ("nothing", dated_by):
                self._store.recorder.date(self._clock.wall())
                log.info("the clock is set by %s: rides of this start are dated", set_by)
                dated_by = set_by
            await asyncio.sleep(DATING_EVERY_S)

    async def _watch(self) -> None:
        """Whether recording goes on and the clock is set, for the rules `storage` and `clock_unset`."""
        said: str | None = None
        while True:
            found = self._store.not_kept or await asyncio.to_thread(trouble, self._store.path, self._store.recorder)
            if found is not None and said is None:
                log.warning("%s", found)
            self._pipeline.host(HostState(found is not None, not self._clock.wall().trusted), found)
            said = found
            await asyncio.sleep(WATCH_EVERY_S)

    async def _summaries(self) -> None:
        """A ride that has ended gets its summary soon, by another process."""
        while True:
            await asyncio.sleep(SUMMARIES_EVERY_S)
            try:
                while await asyncio.to_thread(self._archive.catch_up) is not None:
                    pass
            except StoreError as fault:
                log.warning("summaries have to wait: %s", fault)

    async def _serve(self, on_page: OnPage) -> None:
        page = self._config.page
        app = create_app(
            self.live,
            self,
            self._rides,
            self._garage,
            self._page,
            archive=self._archive,
            garage=self._garage,
            what_if=self._judge,
            clock=self._clock,
        )
        server = PageServer(app, page.host, page.port)
        spare_the_collector()

        async def announce() -> None:
            await server.ready()
            on_page(address(page.host, server.port), self._store)

        ready = asyncio.create_task(announce())
        try:
            await server.run()
        except OSError as fault:
            raise PageError(
                f"{page.host}:{page.port} cannot be had ({fault.strerror}): end what uses it, or change page.host and"
                " page.port"
            ) from fault
        finally:
            ready.cancel()

    def _make_mqtt(self) -> MqttOutlet | None:
        mqtt = self._config.mqtt
        if not mqtt.enabled:
            return None
        settings = MqttSettings(mqtt.host, mqtt.port, mqtt.username, self._config.mqtt_password)
        return MqttOutlet(self._config.bike.name, settings, self.live)


def spare_the_collector() -> None:
    """What stands now stays, so nobody need look through it again: a full collection holds the interpreter, and an
    alarm with it, for 60 ms where the page's 100 000 objects are among what is looked through."""
    gc.collect()
    gc.freeze()


def address(host: str, port: int) -> str:
    """What a person types to reach the page; every address where it listens on all: a phone cannot use 127.0.0.1."""
    anywhere = host in ("0.0.0.0", "::")  # noqa: S104 - shown, not bound
    shown = [*own_addresses(), "127.0.0.1"] if anywhere else [host]
    return ", ".join(f"http://[{one}]:{port}/" if ":" in one else f"http://{one}:{port}/" for one in shown)


def caution(pack: Pack) -> None:
    """Say in the log what should make the pack's builder look twice."""
    for words in cautions(pack):
        log.warning("%s, a caution: %s", pack.name, words)


def ride_settings(config: Config) -> RideSettings:
    """The configuration's ride section as the domain takes it."""
    return RideSettings(**config.ride.model_dump())


def add_arguments(parser: ArgumentParser) -> None:
    """The verb's options."""
    parser.add_argument("--config", type=Path, required=True, metavar="FILE", help="the bike's configuration (TOML)")


def run(args: Namespace) -> int:
    """The verb. Returns 0 after SIGTERM or SIGINT; raises InputError and StoreError before anything has started."""
    config = load_config(args.config)
    with held(config.store_path):
        asyncio.run(serve(config, page_settings(config), lambda url, _store: log.info("page on %s", url)))
    return 0


def page_settings(config: Config) -> PageSettings:
    """As the configuration has it; a bike without a code draws one for this run and shows it on its terminal only."""
    code = config.page.pairing_code
    if code is None and config.page.enabled:
        code = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}}"
        print(f"Pairing code until the next start: {code[:4]} {code[4:]}", file=sys.stderr, flush=True)  # noqa: T201
    return PageSettings(
        pairing_code=code,
        allowed_hosts=config.page.names,
        anyone_may_look=config.page.anyone_may_look,
        devices_path=config.store_path.with_name(DEVICES_FILE),
    )


async def serve(
    config: Config,
    page: PageSettings,
    on_page: OnPage,
    clock: Clock | None = None,
) -> None:
    """Open the store, or a stand-in where it cannot be; run the daemon until a signal, close the store. clock: the
    host's by default."""
    stop = asyncio.Event()
    stop_on_signals(stop)
    sys.setswitchinterval(SWITCH_S)
    store = await asyncio.to_thread(open_or_stand_in, config.store_path, config.store.budget_mb * 1_000_000)
    try:
        await Daemon(config, page, store, clock or Clock()).run(stop, on_page)
    finally:
        await asyncio.to_thread(store.close)

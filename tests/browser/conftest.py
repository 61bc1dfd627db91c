"""A made-up bike behind the real page, server and browser. Law: what the page shows is decided by the test.

Run as a script it serves the same bike for a look by hand: `python tests/browser/conftest.py --port 8480`.
"""

from __future__ import annotations

import argparse
import asyncio
import math
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest
from made_archive import MadeArchive, MadeJudge
from playwright.sync_api import Browser, Page, Request, sync_playwright

from sagwise_api import PageServer, PageSettings, create_app
from sagwise_daemon.config.pack import BUILT_IN
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
from sagwise_daemon.domain.owner import SetBy, Teller
from sagwise_daemon.domain.ports import ALL_RIDES, Envelope, LiveState, Ride, RideFilter, StoredEvent
from sagwise_daemon.domain.ride.settings_grid import Setting
from sagwise_daemon.garage import Garage

CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
REST_LIMIT_V, FLOOR_V, FULL_V = 3.30, 2.80, 4.20
WEAK = 7
DAY_S = 1_700_000_000.0  # 2023-11-14 22:13:20 UTC


def rule(limit: float, priority: Priority) -> RuleSettings:
    return RuleSettings(limit, 0.05, 1.0, 10.0, 0.0, priority, False, True)


OTTER = Pack(
    "Otter 16s5p",
    16,
    5,
    Cell("nmc", 4.5, FULL_V, FLOOR_V, 14.0, 30.0, np.array([0.0, 1.0]), np.array([2.8, 4.2])),
    {"rest_low": rule(REST_LIMIT_V, Priority.HIGH), "loaded_floor": rule(FLOOR_V, Priority.HIGH)},
)


def alarm(
    name: str = "rest_low",
    group: int | None = WEAK,
    state: AlarmState = AlarmState.UNACKNOWLEDGED,
    priority: Priority = Priority.HIGH,
    value: float | None = 3.28,
    limit: float | None = REST_LIMIT_V,
    unit: str = "V",
    basis: Basis | None = Basis.REST,
) -> AlarmView:
    return AlarmView(name, group, state, priority, value, limit, unit, basis, 100.0)


def weak_group(
    group: int = WEAK, kind: Kind = Kind.CAPACITY, capacity: float = 80.0, resistance: float = 4.0
) -> Weakness:
    return Weakness(group, kind, capacity, 3.0, resistance, 2.0)


@dataclass
class Scene:
    """What the bike does now; tests change it. `held`: the board is silent; `mute`: the whole stream is."""

    rest_v: float = 3.74
    current_a: float | None = 118.0
    known: bool = True
    link: str = "up"
    alarms: tuple[AlarmView, ...] = ()
    notice: str | None = None
    held_at: float | None = None
    mute: bool = False
    sound: str | None = None
    distance_m: float | None = 4120.0
    energy: tuple[float | None, float | None, float | None] = (412.0, 20.0, 180.0)  # left, its sigma, home
    home_margin: float = 0.15
    moving: bool = False
    ride_id: int | None = 4
    weak: tuple[Weakness, ...] = ()
    acknowledged: list[tuple[str | None, int | None]] = field(default_factory=list)
    shelved: list[tuple[str, float, int | None]] = field(default_factory=list)

    def hold(self) -> None:
        self.held_at = time.monotonic()


class FakeLive:
    """Implements `ports.Live` from the scene, ten states a second."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene

    def sequence(self) -> int:
        return int((self.scene.held_at or time.monotonic()) * 10)

    def latest(self) -> LiveState:
        scene, now = self.scene, time.monotonic()
        age = 0.04 if scene.held_at is None else now - scene.held_at
        current = scene.current_a
        if scene.moving and current is not None:
            current = max(-20.0, 90 * math.sin(now * 0.9) + 50 * math.sin(now * 2.3))
        rest = [scene.rest_v + 0.012 * math.sin(1.7 * g) - (0.05 if g == WEAK else 0.0) for g in range(1, 17)]
        sag = [(current or 0.0) * (0.0031 + 0.0002 * math.sin(g) + (0.0012 if g == WEAK else 0)) for g in range(1, 17)]
        loaded = tuple(round(r - s, 4) for r, s in zip(rest, sag, strict=True))
        known = scene.known
        return LiveState(
            sequence=self.sequence(),
            bike="Otter",
            pack=OTTER.name,
            link=scene.link,
            age_s=None if scene.link == "waiting" else age,
            time_s=now,
            loaded_v=loaded,
            rest_v=tuple(rest) if known else (None,) * 16,
            rest_sigma_v=(0.006,) * 16 if known else (None,) * 16,
            resistance_mohm=(3.1,) * 16,
            soc=(0.6,) * 16,
            unknown=(None,) * 16 if known else ("settling: 10 s of rest needed",) * 16,
            current_a=current,
            temperature_c=(31.0, 33.4),
            distance_m=scene.distance_m,
            rest_limit_v=REST_LIMIT_V,
            floor_v=FLOOR_V,
            full_v=FULL_V,
            alarms=scene.alarms,
            sound=scene.sound,
            ride_id=scene.ride_id,
            notice=scene.notice,
            energy_left_wh=scene.energy[0],
            energy_left_sigma_wh=scene.energy[1],
            energy_home_wh=scene.energy[2],
            home_margin=scene.home_margin,
            weak=scene.weak,
        )

    async def changed(self, sequence: int, timeout_s: float) -> LiveState:
        while self.scene.mute:  # noqa: ASYNC110
            await asyncio.sleep(0.05)
        ends = time.monotonic() + timeout_s
        while self.sequence() <= sequence and time.monotonic() < ends:  # noqa: ASYNC110
            await asyncio.sleep(0.02)
        return self.latest()


class FakeCommands:
    """Implements `ports.Commands`: acknowledging works at once."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene

    def acknowledge(self, by: str, rule: str | None = None, group: int | None = None) -> None:
        assert by == "page"
        self.scene.acknowledged.append((rule, group))
        self.scene.alarms = tuple(replace(a, state=AlarmState.ACKNOWLEDGED) for a in self.scene.alarms)

    def shelve(self, by: str, rule: str, seconds: float, group: int | None = None) -> None:
        self.scene.shelved.append((rule, seconds, group))
        ends = time.monotonic() + seconds
        to = {"state": AlarmState.SHELVED, "until_s": ends} if seconds else {"state": AlarmState.UNACKNOWLEDGED}
        self.scene.alarms = tuple(
            replace(one, **to) if (one.rule, one.group) == (rule, group) else one  # type: ignore[arg-type]
            for one in self.scene.alarms
        )


def made_ride(
    ride_id: int, started: float, long_s: float, ended_by: str, figures: tuple[float | None, ...], alarms: int
) -> Ride:
    return Ride(ride_id, OTTER.name, 16, started, True, long_s, int(long_s * 10), ended_by, *figures, alarms)


class FakeRides:
    """Implements `ports.Rides`: three rides on two days, the newest with two alarms."""

    def __init__(self) -> None:
        self.spans: list[tuple[float, float, int]] = []
        self._rides = [
            made_ride(3, DAY_S + 86400, 2280.0, "standstill", (612.4, 10.4, 11800.0, 131.0, 2.94, 3.27), 2),
            made_ride(2, DAY_S, 1500.0, "standstill", (388.0, 6.6, 8100.0, 118.0, 3.21, 3.58), 0),
            made_ride(1, DAY_S - 9000, 640.0, "power", (None, None, None, None, 3.4, None), 0),
        ]

    def rides(self, limit: int = 100, before_id: int | None = None, wanted: RideFilter = ALL_RIDES) -> Sequence[Ride]:
        chosen = [ride for ride in self._rides if ride.deleted == wanted.deleted and wanted.kind in (None, ride.kind)]
        return [ride for ride in chosen if before_id is None or ride.ride_id < before_id][:limit]

    def ride(self, ride_id: int) -> Ride:
        return next((r for r in self._rides if r.ride_id == ride_id), None) or self._missing(ride_id)

    def replace(self, ride_id: int, **changes: object) -> None:
        self._rides = [replace(r, **changes) if r.ride_id == ride_id else r for r in self._rides]  # type: ignore[arg-type]

    def _missing(self, ride_id: int) -> Ride:
        raise KeyError(ride_id)

    def channels(self, ride_id: int) -> Sequence[str]:
        self.ride(ride_id)
        return ["loaded_v", "rest_v", "current_a", "temperature_1_c"]

    def envelope(
        self, ride_id: int, channels: Sequence[str], points: int, start_s: float | None, end_s: float | None
    ) -> Envelope:
        ride = self.ride(ride_id)
        first, last = start_s or 0.0, end_s or ride.duration_s
        time_s = first + (np.arange(points) + 0.5) * (last - first) / points
        rng = np.random.default_rng(ride_id)
        self.spans.append((first, last, points))
        pull = np.clip(70 * np.sin(time_s / 23) + 60 * np.sin(time_s / 7.1) + rng.normal(0, 14, points), -15, 131)
        rest = 4.05 - 0.78 * (time_s / 2280.0) ** 1.15
        table = {
            "loaded_v": (rest - 0.0036 * np.maximum(pull, 0) - 0.02, rest + 0.02 - 0.0024 * np.maximum(pull - 20, -10)),
            "rest_v": (rest, rest + 0.03),
            "current_a": (pull - 12, pull),
            "temperature_1_c": (22 + time_s / 200, 22.5 + time_s / 200),
        }
        low, high = (np.array([table[name][side] for name in channels]) for side in (0, 1))
        gap = (time_s > ride.duration_s / 3) & (time_s < ride.duration_s / 3 + 12)
        low[:, gap] = high[:, gap] = np.nan
        return Envelope(tuple(channels), time_s, low, high)

    def overview(self, ride_id: int, channels: Sequence[str]) -> bytes:
        return encode_chart(self.envelope(ride_id, channels, 1000, None, None))

    def events(self, ride_id: int | None = None, limit: int = 200) -> Sequence[StoredEvent]:
        if ride_id not in (None, 3):
            return []
        steps = [
            (1410.0, "spread_high", None, AlarmState.UNACKNOWLEDGED, Priority.LOW, 0.11, 0.10, None, None),
            (1450.0, "spread_high", None, AlarmState.ACKNOWLEDGED, Priority.LOW, 0.11, 0.10, None, "page"),
            (2105.0, "rest_low", WEAK, AlarmState.UNACKNOWLEDGED, Priority.HIGH, 3.29, 3.30, Basis.REST, None),
            (2121.0, "rest_low", WEAK, AlarmState.ACKNOWLEDGED, Priority.HIGH, 3.28, 3.30, Basis.REST, "button"),
        ]
        kept = [
            StoredEvent(number, 3, DAY_S + 86400 + at, AlarmEvent(at, *rule_to, value, limit, "V", basis, by), at)
            for number, (at, *rule_to, value, limit, basis, by) in enumerate(steps, 1)
        ]
        return kept[::-1][:limit]


class UnsetClock:
    """Implements `owner.WallClock`: nothing has set it until somebody does."""

    def __init__(self) -> None:
        self.told: list[float] = []
        self.teller: SetBy = "nothing"

    def look(self) -> tuple[float, SetBy]:
        return (self.told[-1] if self.told else DAY_S, self.teller)

    def tell(self, unix_s: float, by: Teller) -> None:
        self.told.append(unix_s)
        self.teller = by


class FakeBike:
    """The page's server in a thread of its own, over a scene. Packs and settings are the real ones, in `folder`."""

    def __init__(self, settings: PageSettings, folder: Path, port: int = 0) -> None:
        self.scene, self.rides = Scene(), FakeRides()
        for file in BUILT_IN.glob("*.toml"):
            shutil.copy(file, folder)
        self.garage = Garage(folder / "otter.toml", folder / "settings.jsonl", time.time)
        self.judge, self.clock = MadeJudge(self._now), UnsetClock()
        app = create_app(
            FakeLive(self.scene),
            FakeCommands(self.scene),
            self.rides,
            self.garage,
            settings,
            garage=self.garage,
            what_if=self.judge,
            archive=MadeArchive(self.rides.replace),
            clock=self.clock,
        )
        self._server = PageServer(app, "127.0.0.1", port)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name="fake bike")

    def _now(self) -> Setting:
        rule = self.garage.fitted().rules["rest_low"]
        assert rule.limit is not None
        return Setting(rule.limit, rule.on_delay_s)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(self._server.run())

    def start(self) -> FakeBike:
        self._thread.start()
        asyncio.run_coroutine_threadsafe(self._server.ready(), self._loop).result(10)
        return self

    def stop(self) -> None:
        self.scene.mute = False
        self._loop.call_soon_threadsafe(self._server.stop)
        self._thread.join(10)
        assert not self._thread.is_alive(), "the page's server did not end"
        self._loop.close()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.port}"


@pytest.fixture
def bike(tmp_path: Path) -> Iterator[FakeBike]:
    """A bike whose page needs no pairing on this machine, as in the demo."""
    running = FakeBike(PageSettings(paired_on_loopback=True), tmp_path).start()
    yield running
    running.stop()


@pytest.fixture
def locked_bike(tmp_path: Path) -> Iterator[FakeBike]:
    """A bike that wants its code."""
    running = FakeBike(PageSettings(pairing_code="4711-0815"), tmp_path).start()
    yield running
    running.stop()


@pytest.fixture
def watched_bike(tmp_path: Path) -> Iterator[FakeBike]:
    """A bike that anyone on its network may look at."""
    running = FakeBike(PageSettings(pairing_code="4711-0815", anyone_may_look=True), tmp_path).start()
    yield running
    running.stop()


@pytest.fixture
def alarm_of() -> Callable[..., AlarmView]:
    """Makes the view of an alarm; by default group 7 low at rest, unacknowledged."""
    return alarm


@pytest.fixture
def weak_of() -> Callable[..., Weakness]:
    """Makes what the daemon says of a weak group; by default group 7, which holds a fifth less."""
    return weak_group


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    path = shutil.which("chromium")
    if path is None:
        pytest.fail("the browser tests need Chromium: apt-get install chromium", pytrace=False)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=CHROMIUM_FLAGS)
        yield browser
        browser.close()


@dataclass
class Watch:
    """What a page asked for and complained of. `allowed`: parts of console errors that the test brings about."""

    base: str
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)
    allowed: list[str] = field(default_factory=list)

    def request(self, request: Request) -> None:
        self.requests.append(request.url)

    def check(self) -> None:
        outside = [url for url in self.requests if not url.startswith(self.base) and not url.startswith("data:")]
        assert outside == [], f"the page asked elsewhere: {outside}"
        unexpected = [text for text in self.complaints if not any(part in text for part in self.allowed)]
        assert unexpected == [], f"console: {unexpected}"


class Phones:
    """Opens pages as a phone does, and checks each at the end."""

    def __init__(self, browser: Browser) -> None:
        self._browser = browser
        self._open: list[tuple[Page, Watch]] = []

    def open(
        self,
        base: str,
        path: str = "/",
        *,
        width: int = 390,
        height: int = 844,
        theme: str = "light",
        touch: bool = True,
        script: str = "",
    ) -> tuple[Page, Watch]:
        context = self._browser.new_context(
            viewport={"width": width, "height": height},
            has_touch=touch,
            is_mobile=touch,
            color_scheme=theme,
            device_scale_factor=2,
        )
        page = context.new_page()
        if script:
            page.add_init_script(script)
        watch = Watch(base)
        page.on("request", watch.request)
        page.on("console", lambda m: watch.complaints.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: watch.complaints.append(str(error)))
        page.goto(base + path)
        self._open.append((page, watch))
        return page, watch

    def close(self) -> None:
        for page, watch in self._open:
            page.context.close()
            watch.check()


@pytest.fixture
def phones(chromium: Browser) -> Iterator[Phones]:
    opened = Phones(chromium)
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def shots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the screenshots go; pytest prints and keeps its last three folders."""
    return tmp_path_factory.mktemp("screenshots")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--port", type=int, default=8480)
    parser.add_argument("--code", help="ask for this pairing code")
    arguments = parser.parse_args()
    settings = PageSettings(pairing_code=arguments.code, paired_on_loopback=arguments.code is None)
    bike = FakeBike(settings, Path(tempfile.mkdtemp()), arguments.port).start()
    bike.scene.moving = True
    print(bike.url)
    try:
        threading.Event().wait()
    except KeyboardInterrupt:
        bike.stop()


if __name__ == "__main__":
    main()

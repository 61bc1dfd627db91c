"""A real Mosquitto on a free loopback port, a watcher that notes what it hands out, and a live state to tell."""

from __future__ import annotations

import asyncio
import importlib.util
import json
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from sagwise_daemon.domain.model import AlarmEvent
from sagwise_daemon.io.mqtt import MqttOutlet, MqttSettings

FAKES = Path(__file__).with_name("fakes.py")
_spec = importlib.util.spec_from_file_location("mqtt_fakes", FAKES)
assert _spec is not None and _spec.loader is not None
fakes = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(fakes)

SEARCH = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"])


class Broker:
    """A broker that keeps nothing over a restart. `anonymous=False` wants user "otter", password "secret"."""

    def __init__(self, folder: Path, *, anonymous: bool = True) -> None:
        self.port = free_port()
        self._folder = folder
        lines = [f"listener {self.port} 127.0.0.1", f"allow_anonymous {str(anonymous).lower()}", "persistence false"]
        if os.geteuid() == 0:
            lines.append("user root")
        if not anonymous:
            passwords = folder / "passwords"
            subprocess.run([tool("mosquitto_passwd"), "-b", "-c", str(passwords), "otter", "secret"], check=True)
            lines.append(f"password_file {passwords}")
        self._config = folder / "mosquitto.conf"
        self._config.write_text("\n".join(lines) + "\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        log = (self._folder / "mosquitto.log").open("ab")
        command = [tool("mosquitto"), "-c", str(self._config)]
        self._process = subprocess.Popen(command, stdout=log, stderr=log)
        log.close()
        until = time.monotonic() + 10.0
        while time.monotonic() < until:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            assert self._process.poll() is None, (self._folder / "mosquitto.log").read_text()
            time.sleep(0.02)
        raise AssertionError("mosquitto does not listen")

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


class Watcher:
    """Everything that the broker hands out under a bike's topics: (topic, payload, retained)."""

    def __init__(self, port: int, **login: str) -> None:
        self._port, self._login = port, login
        self.seen: list[tuple[str, str, bool]] = []

    async def watch(self) -> None:
        async with aiomqtt.Client("127.0.0.1", self._port, **self._login) as client:  # type: ignore[arg-type]
            await client.subscribe("sagwise/#", qos=1)
            async for message in client.messages:
                payload = bytes(message.payload).decode()  # type: ignore[arg-type]
                self.seen.append((str(message.topic), payload, bool(message.retain)))

    def of(self, topic: str) -> list[str]:
        return [payload for name, payload, _ in self.seen if name == f"sagwise/otter/{topic}"]

    def states(self, topic: str) -> list[str]:
        return [json.loads(payload)["state"] for payload in self.of(topic)]

    async def until(self, done: Callable[[], bool], seconds: float = 8.0) -> None:
        try:
            async with asyncio.timeout(seconds):
                while not done():  # noqa: ASYNC110 - the tests watch plain lists
                    await asyncio.sleep(0.01)
        except TimeoutError:
            raise AssertionError(f"not seen in {seconds} s; seen: {self.seen}") from None


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def tool(name: str) -> str:
    found = shutil.which(name, path=SEARCH)
    if found is None:
        pytest.fail(f"{name} is missing; install the Debian package `mosquitto`")
    return found


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    running = Broker(tmp_path)
    running.start()
    yield running
    running.stop()


@pytest.fixture
def make_broker(tmp_path: Path) -> Iterator[Callable[..., Broker]]:
    made: list[Broker] = []

    def make(**options: bool) -> Broker:
        made.append(Broker(tmp_path, **options))
        return made[-1]

    yield make
    for running in made:
        running.stop()


@pytest.fixture
def live() -> Any:
    return fakes.FakeLive()


@pytest.fixture
def event() -> Callable[..., AlarmEvent]:
    return fakes.event


@pytest.fixture
def start_child() -> Callable[[int], subprocess.Popen[bytes]]:
    """The MQTT part in a process of its own, for the tests that kill it."""
    return lambda port: subprocess.Popen([sys.executable, str(FAKES), str(port)])


@pytest.fixture
def outlet_on(live: Any) -> Callable[..., MqttOutlet]:
    return lambda port, **login: MqttOutlet("otter", MqttSettings("127.0.0.1", port, **login), live)


@pytest.fixture
def watcher_on() -> Callable[..., Watcher]:
    return Watcher


@pytest.fixture
def run_with() -> Callable[..., Any]:
    """Runs background coroutines beside a test's body and cancels them at the end, waiting for each."""

    async def both(body: Callable[[], Awaitable[None]], parts: list[Callable[[], Awaitable[None]]]) -> None:
        tasks = [asyncio.ensure_future(part()) for part in parts]
        try:
            await body()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    return lambda body, *parts: asyncio.run(both(body, list(parts)))

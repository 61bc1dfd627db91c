"""A real pseudo-terminal under a stable name that can be pulled out and put back, and a link that is watched."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sagwise_daemon.io.serial_link import SerialLink


class Plug:
    """The board's end. While plugged, it holds the master and a slave descriptor; the name is a symbolic link."""

    def __init__(self, name: Path) -> None:
        self.name = name
        self._ends: tuple[int, int] | None = None

    def plug(self) -> None:
        master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        fresh = self.name.with_suffix(".new")
        fresh.symlink_to(os.ttyname(slave))
        fresh.replace(self.name)
        self._ends = master, slave

    def unplug(self) -> None:
        if self._ends is not None:
            self.name.unlink(missing_ok=True)
            for end in self._ends:
                os.close(end)
            self._ends = None

    def write(self, data: bytes) -> None:
        assert self._ends is not None
        assert os.write(self._ends[0], data) == len(data)

    def read(self) -> bytes:
        assert self._ends is not None
        heard = b""
        with contextlib.suppress(BlockingIOError):
            while True:
                heard += os.read(self._ends[0], 65_536)
        return heard


class Watched:
    """A link with everything it called noted down."""

    def __init__(self, link_of: Callable[..., SerialLink]) -> None:
        self.heard = bytearray()
        self.stamps: list[float] = []
        self.ups = 0
        self.downs: list[str] = []
        self.link = link_of(self._bytes, self._up, self.downs.append)

    def _bytes(self, data: bytes, monotonic_s: float) -> None:
        self.heard += data
        self.stamps.append(monotonic_s)

    def _up(self) -> None:
        self.ups += 1

    async def until(self, done: Callable[[], bool], seconds: float = 5.0) -> None:
        async with asyncio.timeout(seconds):
            while not done():  # noqa: ASYNC110 - the tests watch plain figures
                await asyncio.sleep(0.002)


@pytest.fixture
def plug(tmp_path: Path) -> Iterator[Plug]:
    board = Plug(tmp_path / "board")
    yield board
    board.unplug()


@pytest.fixture
def watch(plug: Plug) -> Callable[[], Watched]:
    return lambda: Watched(lambda *calls: SerialLink(str(plug.name), 115_200, *calls))


@pytest.fixture
def watched_with() -> Callable[..., Watched]:
    return Watched


@pytest.fixture
def descriptors() -> Callable[[], int]:
    return lambda: sum(1 for _ in Path("/proc/self/fd").iterdir())


@pytest.fixture
def run_linked() -> Callable[..., None]:
    """Runs the link beside a test's coroutine and cancels it at the end."""

    async def both(watched: Watched, body: Callable[[], object]) -> None:
        task = asyncio.create_task(watched.link.run())
        try:
            await body()  # type: ignore[misc]
            assert not task.done(), task
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    return lambda watched, body: asyncio.run(both(watched, body))

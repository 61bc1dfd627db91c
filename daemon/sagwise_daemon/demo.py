"""The `demo` verb: a simulated board, the daemon and the page, with nothing to configure. Law: whatever way it ends,
no process of it is left running.

The board is a process of its own on a pseudo-terminal and ends when this one's pipe to it closes. Earlier rides are
made by another, at low priority, once the page is up.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import socket
import subprocess
import sys
import threading
import time
from argparse import ArgumentParser, Namespace
from dataclasses import dataclass
from pathlib import Path
from typing import IO, BinaryIO, cast

from sagwise_api import PageSettings
from sagwise_daemon import earlier
from sagwise_daemon.config import Bike, Config, Mqtt, Page, RideSettings, Serial, built_in_pack
from sagwise_daemon.config import Store as StoreSection
from sagwise_daemon.errors import InputError, LinkError, StoreError
from sagwise_daemon.io.clock import Clock
from sagwise_daemon.io.store import Recorder, Store
from sagwise_daemon.io.store.holding import held
from sagwise_daemon.run import serve

SCENARIO = "demo"
PACK = "otter"
STORE = "rides.sqlite"
BOARD_WAIT_S = 15.0
END_WAIT_S = 2.0
HOST = "127.0.0.1"
DEFAULT_PORT = 8480


def add_arguments(parser: ArgumentParser) -> None:
    """The verb's options."""
    parser.add_argument("--port", type=int, default=DEFAULT_PORT, help=f"port of the page ({DEFAULT_PORT})")
    parser.add_argument("--data", type=Path, default=None, metavar="DIR", help="where the demo keeps its rides")


def run(args: Namespace) -> int:
    """The verb. Returns 0 after SIGTERM or SIGINT."""
    folder = args.data or default_folder()
    _make(folder)
    _check_port(args.port)
    with held(folder / STORE):
        _ride(folder, args.port)
    return 0


def _ride(folder: Path, port: int) -> None:
    children: list[Child] = []
    try:
        board = start_board(folder)
        children.append(board)
        config = demo_config(board.device, folder, port)
        page = PageSettings(paired_on_loopback=True)
        clock = Clock()
        clock.tell(time.time(), "computer")  # whoever tries the demo sits before this clock, whatever has set it
        asyncio.run(serve(config, page, lambda url, store: _page_up(url, config, store, children), clock))
    finally:
        for child in children:
            child.end()


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"--data: {folder} cannot be made ({error.strerror}); choose another folder") from None


def default_folder() -> Path:
    """Under the user's state folder, as the XDG base directory specification has it."""
    state = os.environ.get("XDG_STATE_HOME") or "~/.local/state"
    return Path(state).expanduser() / "sagwise" / "demo"


def demo_config(device: str, folder: Path, port: int) -> Config:
    """The configuration that a user would write for the demo's bike."""
    pack_path, pack = built_in_pack(PACK)
    return Config(
        path=folder / "demo",
        bike=Bike(name="otter", pack=str(pack_path)),
        serial=Serial(device=device),
        store=StoreSection(path=STORE),
        page=Page(host=HOST, port=port),
        mqtt=Mqtt(),
        ride=RideSettings(),
        pack=pack,
        pack_path=pack_path,
        store_path=folder / STORE,
        mqtt_password=None,
    )


@dataclass(slots=True)
class Child:
    """A process that ends when its standard input closes, or is ended."""

    process: subprocess.Popen[bytes]
    device: str = ""

    def end(self) -> None:
        """Close its input, ask it to end, and see to it."""
        if self.process.stdin is not None:
            self.process.stdin.close()
        if self.process.poll() is None:
            self.process.terminate()
        try:
            self.process.wait(END_WAIT_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


def spawn(*arguments: str) -> Child:
    """This program again with another verb, in a process group of its own so that Ctrl-C reaches it through us."""
    command = [sys.executable, "-m", "sagwise_daemon", *arguments]
    process = subprocess.Popen(  # noqa: S603 - our own program
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
    )
    return Child(process)


def start_board(folder: Path) -> Child:
    """The simulated board. Raises LinkError when it does not come up."""
    link = folder / "board"
    child = spawn("board", "--scenario", SCENARIO, "--pty-link", str(link), "--until-stdin-closes")
    assert child.process.stdout is not None
    ready, _, _ = select.select([child.process.stdout], [], [], BOARD_WAIT_S)
    child.device = child.process.stdout.readline().decode().strip() if ready else ""
    if not child.device:
        child.end()
        raise LinkError("the simulated board did not start; run `sagwise board --scenario demo` to see why")
    return child


def _page_up(url: str, config: Config, store: Store, children: list[Child]) -> None:
    """Announce the page and start on the earlier rides; a page that was started again changes nothing."""
    if len(children) > 1:
        return
    print(f"The page is on {url}", flush=True)  # noqa: T201 - what the demo is asked for
    print(f"Rides are kept in {store.path}. Ctrl-C ends the demo.", flush=True)  # noqa: T201
    made = sum(ride.started_unix_s < time.time() - earlier.DAY_S / 2 for ride in store.rides.rides(limit=1000))
    maker = spawn("earlier", "--pack", str(config.pack_path), "--made", str(made))
    children.append(maker)
    assert maker.process.stdout is not None
    threading.Thread(target=_play, args=(maker.process.stdout, store.recorder), daemon=True).start()


def _play(source: IO[bytes], recorder: Recorder) -> None:
    """The demo may end while rides are being made; those are then cut short, as a ride without power is."""
    with contextlib.suppress(StoreError):
        earlier.play(cast(BinaryIO, source), recorder)


def _check_port(port: int) -> None:
    """Raises InputError where the page's port is taken, before anything has started."""
    if not 1 <= port <= 65535:
        raise InputError(f"--port: {port} is not allowed; write a whole number from 1 to 65535")
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError as error:
            raise InputError(
                f"--port: {HOST}:{port} cannot be had ({error.strerror}); end what uses it, or choose another port"
            ) from None

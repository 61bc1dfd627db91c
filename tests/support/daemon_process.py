"""A real daemon process on a real pseudo-terminal. Law: nothing inside the daemon is reached but through its ports."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

SAGWISE = [sys.executable, "-m", "sagwise_daemon"]

PACK = """
[pack]
name = "{name}"
series = {series}
parallel = 5
[cell]
chemistry = "nmc"
capacity_ah = 4.5
full_v = 4.20
empty_v = 2.80
{extra}
"""


def wait_for(condition: Callable[[], Any], timeout_s: float, what: str, every_s: float = 0.05) -> Any:
    """The first truthy value of `condition`; fails naming `what` after the timeout."""
    end = time.monotonic() + timeout_s
    while time.monotonic() < end:
        value = condition()
        if value:
            return value
        time.sleep(every_s)
    raise AssertionError(f"{what}: not within {timeout_s} s")


class Daemon:
    """`sagwise run` as a child process, with its files in `folder`."""

    def __init__(self, folder: Path, device: Path, pack_text: str, config_extra: str = "") -> None:
        self.folder = folder
        self.port = free_port()
        self.store = folder / "rides.sqlite"
        self.config = folder / "bike.toml"
        self.log = folder / "daemon.log"
        self.process: subprocess.Popen[bytes] | None = None
        (folder / "pack.toml").write_text(pack_text)
        self.config.write_text(
            f'[bike]\nname = "otter"\npack = "pack.toml"\n'
            f'[serial]\ndevice = "{device}"\n'
            f'[store]\npath = "rides.sqlite"\n'
            f'[page]\nport = {self.port}\npairing_code = "otter-2468"\n{config_extra}'
        )

    def start(self) -> None:
        with self.log.open("ab") as log:
            command = [*SAGWISE, "run", "--config", str(self.config)]
            self.process = subprocess.Popen(command, stdout=log, stderr=log, start_new_session=True)

    def stop(self, number: int = signal.SIGTERM, timeout_s: float = 10.0) -> int:
        assert self.process is not None
        self.process.send_signal(number)
        return self.process.wait(timeout_s)

    def alive(self) -> bool:
        return self.process is not None and self.process.poll() is None

    @property
    def pid(self) -> int:
        assert self.process is not None
        return self.process.pid

    def pair(self) -> str:
        """A session cookie."""
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.port}/api/v1/pair",
            data=json.dumps({"code": "otter-2468"}).encode(),
            headers={"Content-Type": "application/json", "Origin": f"http://127.0.0.1:{self.port}"},
        )
        with urllib.request.urlopen(request, timeout=5) as answer:
            return str(answer.headers["Set-Cookie"]).split(";")[0]

    def get(self, path: str, cookie: str) -> Any:
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}/api/v1{path}", headers={"Cookie": cookie})
        with urllib.request.urlopen(request, timeout=5) as answer:
            return json.load(answer)

    def answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def descriptors(pid: int) -> int:
    """Open descriptors but for pipes: those to the process that reads whole rides come and go with it."""
    count = 0
    for link in Path(f"/proc/{pid}/fd").iterdir():
        with suppress(FileNotFoundError):  # closed since it was listed
            count += not str(link.readlink()).startswith("pipe:")
    return count


def cpu_s(pid: int) -> float:
    """User and system seconds of the process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

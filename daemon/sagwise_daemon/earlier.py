"""Makes the demo's earlier rides. Law: they take the same way as a live ride, only faster, and are made once.

Each is a scenario written as a trace by the simulator, then sent through `Flow`. All of that is a process of its own
at low priority, since a store has one recorder: what `Flow` records there goes through a pipe (`PipeRecorder`) and is
played into the live daemon's recorder here (`play`). However it ends, neither a simulator nor a trace is left behind.
"""

from __future__ import annotations

import copyreg
import logging
import os
import pickle
import signal
import subprocess
import sys
import tempfile
import threading
import time
from argparse import ArgumentParser, Namespace
from collections.abc import Iterable
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, BinaryIO, NoReturn

from sagwise_daemon.config import load_pack
from sagwise_daemon.domain.model import AlarmEvent, Estimate, Pack, Reading
from sagwise_daemon.domain.ride.bounds import RideSettings
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.errors import SagwiseError
from sagwise_daemon.flow import Flow
from sagwise_daemon.io.store import Recorder, RideStart
from sagwise_daemon.io.trace import Trace, read_trace

DAY_S = 86_400.0
EARLIER = (("otter_morning", 6 * DAY_S), ("otter_hills", 3 * DAY_S), ("otter_cold", 1 * DAY_S))  # name, how long ago
FLUSH_CALLS = 400  # the recorder's inbox is bounded; the pipe holds the maker back while it empties
IDLE = 15


def _read_only(rules: dict[str, Any]) -> MappingProxyType[str, Any]:
    return MappingProxyType(rules)


# A pack's rules are a read-only view of a dict, which pickle does not know by itself.
copyreg.pickle(MappingProxyType, lambda view: (_read_only, (dict(view),)))

Call = tuple[str, tuple[Any, ...]]

_simulators: list[subprocess.Popen[str]] = []  # at work now


def add_arguments(parser: ArgumentParser) -> None:
    """The verb's options; it serves the demo and is not listed."""
    parser.add_argument("--pack", type=Path, required=True)
    parser.add_argument("--made", type=int, default=0, help="how many of the rides there are already")


def run(args: Namespace) -> int:
    """Make the rides that are missing, written to standard output; ends early when standard input closes."""
    os.nice(IDLE)
    logging.getLogger().setLevel(logging.WARNING)  # rides are numbered anew here: told beside the demo's they confuse
    signal.signal(signal.SIGTERM, lambda _number, _frame: _end())
    threading.Thread(target=_end_with_parent, daemon=True).start()
    pack = load_pack(args.pack)
    recorder = PipeRecorder(sys.stdout.buffer)
    for scenario, ago_s in EARLIER[args.made :]:
        record(recorder, pack, make_trace(scenario, pack), time.time() - ago_s)
    sys.stdout.buffer.flush()
    return 0


def make_trace(scenario: str, pack: Pack) -> Trace:
    """The scenario's ride, by the simulator in a process of its own, into a file without a name."""
    with tempfile.TemporaryFile() as file:
        path = f"/dev/fd/{file.fileno()}"
        command = [sys.executable, "-m", "sagwise_daemon", "board", "--scenario", scenario, "--to-trace", path]
        with subprocess.Popen(  # noqa: S603 - our own program
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            pass_fds=[file.fileno()],
            text=True,
        ) as simulator:
            _simulators.append(simulator)
            _, told = simulator.communicate()
            _simulators.remove(simulator)
        if simulator.returncode:
            raise SagwiseError(f"the earlier ride {scenario} cannot be made: {told.strip()}")
        return read_trace(Path(path), pack.series)


def record(recorder: PipeRecorder, pack: Pack, trace: Trace, started_unix_s: float) -> None:
    """Send a trace through the live path, dated from `started_unix_s`."""
    clock = _TraceClock(started_unix_s)
    flow = Flow(pack, recorder, RideSettings(), clock)
    for reading in readings(trace, boot_id=int(started_unix_s) & 0x7FFFFFFF):
        clock.time_s = reading.time_s
        flow.take(reading)
    flow.end_ride("standstill")


def readings(trace: Trace, boot_id: int) -> Iterable[Reading]:
    """The trace's rows with a board's stamp, as if a board had sent them."""
    for reading in trace.readings():
        yield replace(reading, boot_id=boot_id, uptime_us=round(reading.time_s * 1e6))


class PipeRecorder:
    """Writes every call as a pickle into `out`. Rides are numbered from 1 here; `play` gives them their real ids."""

    def __init__(self, out: BinaryIO) -> None:
        self._out = out
        self._rides = 0

    def begin_ride(self, start: RideStart) -> int:
        self._rides += 1
        self._put("begin_ride", start)
        return self._rides

    def append(self, ride_id: int, reading: Reading) -> None:
        self._put("append", ride_id, reading)

    def append_estimate(self, ride_id: int, estimate: Estimate) -> None:
        self._put("append_estimate", ride_id, estimate)

    def event(
        self, event: AlarmEvent, ride_id: int | None, unix_s: float, *, trusted: bool = True
    ) -> tuple[int, Future[None]]:
        self._put("event", event, ride_id, unix_s)
        done: Future[None] = Future()
        done.set_result(None)
        return 0, done

    def end_ride(self, ride_id: int, ended_by: str) -> None:
        self._put("end_ride", ride_id, ended_by)

    def unfinished(self) -> None:
        """No earlier ride was ever cut off: its maker begins anew."""

    def _put(self, name: str, *arguments: Any) -> None:
        pickle.dump((name, arguments), self._out, protocol=pickle.HIGHEST_PROTOCOL)


def play(source: BinaryIO, recorder: Recorder) -> None:
    """Play the maker's calls into the store until the pipe ends; blocks, so give it a thread of its own."""
    rides: dict[int | None, int] = {}
    begun = 0
    for number, (name, arguments) in enumerate(_calls(source)):
        if name == "begin_ride":
            begun += 1
            rides[begun] = recorder.begin_ride(*arguments)
        elif name == "end_ride":
            recorder.end_ride(rides.pop(arguments[0]), arguments[1])
        elif name == "event":
            event, ride_id, unix_s = arguments
            recorder.event(event, rides.get(ride_id), unix_s)
        else:
            getattr(recorder, name)(rides[arguments[0]], *arguments[1:])
        if number % FLUSH_CALLS == 0:
            recorder.flush()
    for ride_id in rides.values():
        recorder.end_ride(ride_id, "stopped")


def _calls(source: BinaryIO) -> Iterable[Call]:
    """What the maker wrote; a last call that was cut off is no call."""
    while True:
        try:
            yield pickle.load(source)  # noqa: S301 - from our own child
        except (EOFError, pickle.UnpicklingError):
            return


class _TraceClock:
    """The wall clock of a ride that was: the trace's own time behind its start."""

    def __init__(self, started_unix_s: float) -> None:
        self._started_unix_s = started_unix_s
        self.time_s = 0.0

    def __call__(self) -> WallTime:
        return WallTime(self._started_unix_s + self.time_s, trusted=True, monotonic_s=self.time_s, host_boot="")


def _end_with_parent() -> None:
    """The demo holds the other end of standard input; when it is gone so are we. Rides are safe at any moment."""
    while os.read(sys.stdin.fileno(), 4096):
        pass
    _end()


def _end() -> NoReturn:
    """Without waiting for anybody to read what is written."""
    for simulator in _simulators:
        simulator.kill()
    os._exit(0)

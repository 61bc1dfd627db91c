"""The verb `board`. Law: standard output carries one line, the device to open; all else goes to standard error.

Exit status: 0 done, also on SIGTERM and SIGINT; 2 unusable input, one clear line.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import select
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any, TextIO

from sagwise_sim.board import Board
from sagwise_sim.checks import ScenarioError
from sagwise_sim.faults import FaultMark
from sagwise_sim.pty_port import HOLD_S, PtyPort
from sagwise_sim.scenario import BoardSpec, load, shipped
from sagwise_sim.simulation import build, simulate
from sagwise_sim.trace import TracePlayer, read_rows, write_trace, write_truth

_log = logging.getLogger(__name__)
_POLL_S = 0.02
_GRACE_S = 2.0  # after a trace's last row
_PATIENCE_S = 10.0  # for a host that still has rows to read


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `board`."""
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--scenario", metavar="NAME|FILE", help="simulate: " + ", ".join(shipped()))
    what.add_argument("--trace", metavar="FILE", type=Path, help="play a trace CSV instead of physics")
    parser.add_argument("--to-trace", metavar="FILE", type=Path, help="write the scenario as a trace CSV, no waiting")
    parser.add_argument("--truth", metavar="FILE", type=Path, help="with --to-trace: what no board can know, as CSV")
    parser.add_argument("--pty-link", metavar="PATH", type=Path, help="stable name for the pseudo-terminal")
    parser.add_argument("--speed", metavar="X", type=_speed, default=1.0, help="how many times faster than real time")
    parser.add_argument("--log", metavar="FILE", type=Path, help="JSON lines: what the board was told, and its faults")
    parser.add_argument("--until-stdin-closes", action="store_true", help="end when standard input ends")


def run(args: argparse.Namespace) -> int:
    """Do what the options say; the exit status."""
    try:
        if args.to_trace or args.truth:
            return _write_files(args)
        return _serve(args)
    except ScenarioError as error:
        print(f"board: {error}", file=sys.stderr)  # noqa: T201
    except OSError as error:
        where = f"{error.filename}: {error.strerror}; choose another path" if error.filename else error.strerror
        print(f"board: {where}", file=sys.stderr)  # noqa: T201
    return 2


def _speed(text: str) -> float:
    try:
        speed = float(text)
    except ValueError:
        speed = -1.0
    if not 0.01 <= speed <= 1000.0:
        raise argparse.ArgumentTypeError(f"{text!r} is out of range; allowed: 0.01 to 1000")
    return speed


def _write_files(args: argparse.Namespace) -> int:
    if not (args.scenario and args.to_trace):
        raise ScenarioError("--to-trace and --truth write a simulated ride; give --scenario and --to-trace")
    ride = simulate(load(args.scenario))
    write_trace(args.to_trace, ride)
    if args.truth:
        write_truth(args.truth, ride)
    _log.info("wrote %d samples to %s", len(ride.time_s), args.to_trace)
    return 0


@dataclass(slots=True)
class _Play:
    """What is being played: a board, the marks its faults leave, and the trace behind it if there is one."""

    board: Board
    marks: list[FaultMark] = field(default_factory=list)
    trace: TracePlayer | None = None


def _played(args: argparse.Namespace) -> _Play:
    if args.trace:
        player = TracePlayer(read_rows(args.trace))
        return _Play(Board(player, BoardSpec(name="sagwise trace player")), trace=player)
    simulation = build(load(args.scenario))
    return _Play(simulation.board, simulation.world.schedule.marks)


def _serve(args: argparse.Namespace) -> int:
    play = _played(args)
    port = PtyPort(play.board, args.pty_link, args.speed, hold_s=_PATIENCE_S if play.trace else HOLD_S)
    with _stop_signals() as stopping, _Diary(args.log, play) as diary:
        port.start()
        try:
            print(port.device, flush=True)  # noqa: T201
            _until_done(args, port, play, stopping, diary)
        finally:
            port.stop()
            diary.write()
    if port.failure is not None:
        raise RuntimeError("the board's thread failed") from port.failure
    return 0


def _until_done(args: argparse.Namespace, port: PtyPort, play: _Play, stopping: threading.Event, diary: _Diary) -> None:
    over = _Over(port, play.trace) if play.trace else None
    while not stopping.wait(_POLL_S) and port.failure is None:
        diary.write()
        if args.until_stdin_closes and _stdin_closed():
            return
        if over and over.now(time.monotonic()):
            print("board: the trace has been played to its end", file=sys.stderr)  # noqa: T201
            return


class _Over:
    """Whether a trace is over: played, read by the host, and a grace gone by."""

    def __init__(self, port: PtyPort, trace: TracePlayer) -> None:
        self._port = port
        self._trace = trace
        self._since: float | None = None

    def now(self, monotonic_s: float) -> bool:
        if not self._trace.finished:
            return False
        if self._since is None:
            self._since = monotonic_s
        waited = monotonic_s - self._since
        return waited >= _PATIENCE_S or (waited >= _GRACE_S and not self._port.unread)


def _stdin_closed() -> bool:
    """Whether standard input has ended; what is typed there is thrown away."""
    readable, _, _ = select.select([sys.stdin], [], [], 0.0)
    return bool(readable) and not os.read(sys.stdin.fileno(), 4096)


@contextmanager
def _stop_signals() -> Iterator[threading.Event]:
    """An event that SIGTERM and SIGINT set; their former handlers come back afterwards."""
    stopping = threading.Event()

    def stop(_number: int, _frame: FrameType | None) -> None:
        stopping.set()

    former = {number: signal.signal(number, stop) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield stopping
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)


class _Diary:
    """Appends JSON lines to the log file as things happen."""

    def __init__(self, path: Path | None, play: _Play) -> None:
        self._path = path
        self._play = play
        self._file: TextIO | None = None
        self._told = self._marks = 0

    def __enter__(self) -> _Diary:
        if self._path:
            self._file = self._path.open("a", encoding="utf-8")
        return self

    def __exit__(self, *_: object) -> None:
        if self._file:
            self._file.close()

    def write(self) -> None:
        """Write what is new."""
        for told in self._play.board.told[self._told :]:
            self._told += 1
            pattern = told.pattern.name.lower()
            self._line({"what": "told", "uptime_us": told.uptime_us, "pattern": pattern, "event_id": told.event_id})
        for mark in self._play.marks[self._marks :]:
            self._marks += 1
            _log.info("fault %s %s at %.2f s", mark.kind, mark.what, mark.at_s)
            self._line({"what": f"fault_{mark.what}", "at_s": mark.at_s, "kind": mark.kind, "group": mark.group})

    def _line(self, entry: dict[str, Any]) -> None:
        if self._file:
            self._file.write(json.dumps(entry) + "\n")
            self._file.flush()

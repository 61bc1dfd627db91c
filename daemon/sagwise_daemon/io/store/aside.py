"""Charts are worked out in a process of their own. Law: however long a chart takes, it never holds the interpreter that
judges readings.

A thread would not do: numpy and the decoder keep Python's lock for milliseconds at a time, and an alarm would wait for
it. The process is started with the first chart, runs at low priority, and ends when its standard input closes, which
is also what happens when the daemon is killed.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sagwise_daemon.domain.ports import Envelope
from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store.engine import reader_engine
from sagwise_daemon.io.store.rides import StoredRides

LOW_PRIORITY = 10
END_WAIT_S = 2.0


class RidesAside:
    """Implements `domain.ports.Rides`: everything as `StoredRides`, envelopes by the other process, one at a time."""

    def __init__(self, rides: StoredRides, path: Path) -> None:
        self._rides = rides
        self._path = path
        self._guard = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self.rides, self.ride = rides.rides, rides.ride
        self.channels, self.events = rides.channels, rides.events

    def envelope(
        self,
        ride_id: int,
        channels: Sequence[str],
        points: int,
        start_s: float | None = None,
        end_s: float | None = None,
    ) -> Envelope:
        """As `StoredRides.envelope`, with the same errors; StoreError when the process fails twice."""
        wish = (ride_id, tuple(channels), points, start_s, end_s)
        with self._guard:
            answer = self._ask(wish) or self._ask(wish)
        if answer is None:
            raise StoreError(f"{self._path}: the process that works out charts fails; the log says why")
        if isinstance(answer, BaseException):
            raise answer
        assert isinstance(answer, Envelope)
        return answer

    def close(self) -> None:
        """End the process. Later envelopes start another."""
        with self._guard:
            self._end()

    def _ask(self, wish: tuple[Any, ...]) -> Envelope | BaseException | None:
        """None where the process is gone; it is started anew at the next call."""
        process = self._running()
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            pickle.dump(wish, process.stdin)
            process.stdin.flush()
            answer: Envelope | BaseException = pickle.load(process.stdout)  # noqa: S301 - from our own child
        except (OSError, EOFError, pickle.UnpicklingError):
            self._end()
            return None
        return answer

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self._end()
            command = [sys.executable, "-m", "sagwise_daemon.io.store.aside", str(self._path)]
            self._process = subprocess.Popen(  # noqa: S603 - our own program
                command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
            )
        return self._process

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()
        try:
            process.wait(END_WAIT_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def main(path: Path) -> None:
    """Answer wishes from standard input until it closes."""
    os.nice(LOW_PRIORITY)
    engine = reader_engine(path)
    rides = StoredRides(engine)
    while True:
        try:
            wish = pickle.load(sys.stdin.buffer)  # noqa: S301 - from our own parent
        except EOFError:
            break
        pickle.dump(_answer(rides, wish), sys.stdout.buffer)
        sys.stdout.buffer.flush()
    engine.dispose()


def _answer(rides: StoredRides, wish: tuple[Any, ...]) -> Envelope | Exception:
    try:
        return rides.envelope(*wish)
    except (KeyError, ValueError, StoreError) as fault:
        return fault


if __name__ == "__main__":
    main(Path(sys.argv[1]))

"""A process of our own that answers wishes, one at a time. Law: however long an answer takes, it never holds the
interpreter that judges readings, and nothing is left running when the daemon is killed.

It is started with the first wish, runs at low priority, and ends when its standard input closes, or by itself when
nobody has asked for a while. It stays in the daemon's session, as the kernel's automatic grouping shares the processor
out by sessions first, and priority counts within one only; in a process group of its own a terminal's Ctrl-C does not
reach it.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import select
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sagwise_daemon.errors import StoreError

LOW_PRIORITY = 10
END_WAIT_S = 2.0


class OtherProcess:
    """`python -m module path`, asked with pickles. Safe from any thread."""

    def __init__(self, module: str, path: Path) -> None:
        self._module, self._path = module, path
        self._guard = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._closed = False

    def ask(self, *wish: Any) -> Any:
        """The answer, or its exception raised here; StoreError when the process fails twice."""
        with self._guard:
            answer = self._ask(wish) or self._ask(wish)
        if answer is None:
            raise StoreError(f"{self._path}: the process that reads its rides fails; the log says why")
        if isinstance(answer[0], BaseException):
            raise answer[0]
        return answer[0]

    def warm(self) -> None:
        """Start the process ahead of a wish that is likely to come, if it can be. Waits for no answer."""
        if not self._guard.acquire(blocking=False):
            return
        try:
            if not self._closed:
                with contextlib.suppress(StoreError):
                    self._running()
        finally:
            self._guard.release()

    def close(self) -> None:
        """End the process, also in the middle of an answer: whoever waits for that, or asks later, gets StoreError."""
        self._closed = True
        process = self._process
        if not self._guard.acquire(blocking=False):
            if process is not None:
                process.kill()
            self._guard.acquire()
        self._end()
        self._guard.release()

    def _ask(self, wish: tuple[Any, ...]) -> tuple[Any] | None:
        """None where the process is gone; it is started anew at the next call."""
        if self._closed:
            return None
        process = self._running()
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            pickle.dump(wish, process.stdin)
            process.stdin.flush()
            answer: tuple[Any] = pickle.load(process.stdout)  # noqa: S301 - from our own child
        except (OSError, EOFError, pickle.UnpicklingError):
            self._end()
            return None
        return answer

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self._end()
            command = [sys.executable, "-m", self._module, str(self._path)]
            try:
                self._process = subprocess.Popen(  # noqa: S603 - our own program
                    command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, process_group=0
                )
            except OSError as fault:
                raise StoreError(f"{self._path}: the process that reads it cannot be started: {fault}") from fault
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


def serve(answer: Callable[..., Any], idle_s: float | None = None) -> None:
    """In the other process: answer wishes from standard input until it closes, or nothing comes for `idle_s`."""
    os.nice(LOW_PRIORITY)
    while select.select([sys.stdin.buffer], [], [], idle_s)[0]:
        try:
            wish = pickle.load(sys.stdin.buffer)  # noqa: S301 - from our own parent
        except EOFError:
            return
        try:
            found = answer(*wish)
        except (LookupError, ValueError, StoreError) as fault:
            found = fault
        pickle.dump((found,), sys.stdout.buffer)
        sys.stdout.buffer.flush()

"""The board's serial port on the event loop. Law: whatever the cable does, the link comes back by itself, holds no
dead descriptor, never spins and never blocks the loop.

An unplugged adapter shows itself in four ways: an empty read, a plain OSError, pyserial's SerialException and
`termios.error`, which is no OSError. All end the same: the reader is removed, the port closed, and the device
opened again by its name after a wait that doubles from 0.1 s to 2 s. Bytes that arrive start the waits anew.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import termios
import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import Protocol

import serial

FIRST_WAIT_S = 0.1
LONGEST_WAIT_S = 2.0
READ_BYTES = 65_536
# About a quarter of a second at 115200 baud: what a board has not drained by then is old news.
LARGEST_BACKLOG_BYTES = 2_560

REMEDIES: Mapping[int | None, str] = {
    errno.ENOENT: "plug the board in, or correct serial.device",
    errno.EACCES: "let this user use it (on Debian: the group dialout)",
    errno.EAGAIN: "another program uses it: end that one",
    errno.EBUSY: "another program uses it: end that one",
    errno.ENOTTY: "it is no serial port: correct serial.device",
    errno.EISDIR: "it is no serial port: correct serial.device",
}

# How a lost port shows itself; SerialException is an OSError.
LOST = (OSError, termios.error)


class Port(Protocol):
    """An open port that never blocks."""

    def fileno(self) -> int: ...

    def read(self) -> bytes:
        """What has arrived. Empty: the device is gone. Raises BlockingIOError where there is nothing yet."""
        ...

    def write(self, data: bytes) -> int:
        """The number of bytes taken. Raises BlockingIOError where none can be."""
        ...

    def close(self) -> None: ...


class TtyPort:
    """A tty opened by pyserial, for this process alone. Opening raises OSError, ValueError or termios.error."""

    def __init__(self, device: str, baud: int) -> None:
        # An inter-byte time-out of 0 makes an empty read mean "gone"; without it one also means "nothing yet".
        self._serial = serial.Serial(device, baud, timeout=0, write_timeout=0, inter_byte_timeout=0, exclusive=True)
        self._fd: int = self._serial.fileno()
        # Only some USB adapters know it, and none needs it: half their latency is better than none.
        with contextlib.suppress(NotImplementedError, ValueError, *LOST):
            self._serial.set_low_latency_mode(True)

    def fileno(self) -> int:
        return self._fd

    def read(self) -> bytes:
        return os.read(self._fd, READ_BYTES)

    def write(self, data: bytes) -> int:
        return os.write(self._fd, data)

    def close(self) -> None:
        """Drops what is unsent first: closing would wait for it, for up to half a minute on some ports."""
        with contextlib.suppress(*LOST):
            self._serial.reset_output_buffer()
        with contextlib.suppress(*LOST):
            self._serial.close()


class SerialLink:
    """One board on one device, for as long as `run` runs. Everything is called on the event loop's thread.

    on_bytes(data, monotonic_s): bytes as they arrive. on_up(): the port is open. on_down(reason): it was lost, or
    cannot be opened; said once, and again when the reason changes. `send` may be called at any time; what cannot
    be sent is dropped, oldest first and whole, and counted in `dropped`.
    """

    def __init__(
        self,
        device: str,
        baud: int,
        on_bytes: Callable[[bytes, float], None],
        on_up: Callable[[], None],
        on_down: Callable[[str], None],
        *,
        open_port: Callable[[str, int], Port] = TtyPort,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.dropped = 0
        self._device, self._baud = device, baud
        self._on_bytes, self._on_up, self._on_down = on_bytes, on_up, on_down
        self._open_port, self._clock = open_port, clock
        self._port: Port | None = None
        self._lost: asyncio.Future[str] | None = None
        self._backlog: deque[bytes] = deque()
        self._backlog_bytes = 0
        self._begun = False  # the first of the backlog is partly sent and must be finished
        self._writing = False
        self._wait_s = FIRST_WAIT_S

    @property
    def up(self) -> bool:
        """Whether the port is open."""
        return self._port is not None

    async def run(self) -> None:
        """Keep the link up until cancelled; the port is closed then."""
        told: str | None = None
        while True:
            try:
                reason = await self._session()
                told = None
            except (*LOST, ValueError, OverflowError) as error:
                reason = _not_opened(self._device, error)
            if reason != told:
                told = reason
                self._on_down(reason)
            await asyncio.sleep(self._wait_s)
            self._wait_s = min(self._wait_s * 2, LONGEST_WAIT_S)

    def send(self, data: bytes) -> None:
        """Send whole messages as soon as the port takes them."""
        if self._port is None:
            self.dropped += 1
            return
        self._backlog.append(data)
        self._backlog_bytes += len(data)
        if not self._writing:
            self._write()
        while self._backlog_bytes > LARGEST_BACKLOG_BYTES and len(self._backlog) > 1 + self._begun:
            self._drop_oldest()

    async def _session(self) -> str:
        """One life of the port, and why it ended. Raises what opening raises."""
        loop = asyncio.get_running_loop()
        self._port = await self._open()
        self._lost = loop.create_future()
        try:
            loop.add_reader(self._port.fileno(), self._read)
            self._on_up()
            return await self._lost
        finally:
            self._close(loop)

    async def _open(self) -> Port:
        """Opens in a thread, since an ailing adapter can take seconds; a port that comes too late is closed."""
        opening = asyncio.get_running_loop().run_in_executor(None, self._open_port, self._device, self._baud)
        try:
            return await asyncio.shield(opening)
        except asyncio.CancelledError:
            opening.add_done_callback(_close_late)
            raise

    def _close(self, loop: asyncio.AbstractEventLoop) -> None:
        port, self._port, self._lost = self._port, None, None
        self._backlog.clear()
        self._backlog_bytes, self._begun, self._writing = 0, False, False
        if port is not None:
            loop.remove_reader(port.fileno())
            loop.remove_writer(port.fileno())
            port.close()

    def _read(self) -> None:
        if self._port is None:
            return
        try:
            data = self._port.read()
        except BlockingIOError:
            return
        except LOST as error:
            self._lose(_words(error))
            return
        if not data:
            self._lose("the device is gone")
            return
        self._wait_s = FIRST_WAIT_S
        self._on_bytes(data, self._clock())

    def _write(self) -> None:
        """Write until the port takes no more; then the loop says when it does."""
        if self._port is None:
            return
        try:
            while self._backlog:
                self._taken(self._port.write(self._backlog[0]))
        except BlockingIOError:
            self._watch(True)
        except LOST as error:
            self._lose(_words(error))
        else:
            self._watch(False)

    def _taken(self, count: int) -> None:
        first = self._backlog.popleft()
        self._backlog_bytes -= count
        self._begun = count < len(first)
        if self._begun:
            self._backlog.appendleft(first[count:])

    def _watch(self, wanted: bool) -> None:
        if wanted != self._writing and self._port is not None:
            self._writing = wanted
            loop = asyncio.get_running_loop()
            if wanted:
                loop.add_writer(self._port.fileno(), self._write)
            else:
                loop.remove_writer(self._port.fileno())

    def _drop_oldest(self) -> None:
        """The oldest that is not partly sent: half a frame would spoil the next one."""
        place = 1 if self._begun else 0
        self._backlog_bytes -= len(self._backlog[place])
        del self._backlog[place]
        self.dropped += 1

    def _lose(self, reason: str) -> None:
        """Both watches end at once, so that a dead descriptor wakes the loop no more; `_session` closes it."""
        if self._port is None or self._lost is None or self._lost.done():
            return
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._port.fileno())
        loop.remove_writer(self._port.fileno())
        self._lost.set_result(reason)


def _close_late(opening: asyncio.Future[Port]) -> None:
    if not opening.cancelled() and opening.exception() is None:
        opening.result().close()


def _not_opened(device: str, error: BaseException) -> str:
    """What is wrong with the port and what to do, for a person."""
    number = _number(error)
    reason = os.strerror(number) if number is not None and number in REMEDIES else _words(error)
    return f"{device} cannot be opened ({reason}); {REMEDIES.get(number, 'check serial.device and serial.baud')}"


def _number(error: BaseException | None) -> int | None:
    """The system's number of the fault; pyserial hides some behind words of its own."""
    while error is not None:
        number = error.args[0] if error.args else None
        if isinstance(number, int):
            return number
        error = error.__context__
    return None


def _words(error: BaseException) -> str:
    """The reason for a person: the system's words where there are some."""
    strerror = getattr(error, "strerror", None)
    if strerror:
        return str(strerror)
    if isinstance(error, termios.error) and len(error.args) > 1:
        return str(error.args[1])
    return str(error) or type(error).__name__

"""The board on a pseudo-terminal: the simulator's only I/O. Law: the board's time is a steady clock's, times `speed`.

The slave end is held open in raw mode, or the master would spin between hosts and the line would echo. A host opens
`device`: the stable link if one was asked for, which is replaced in one stroke and never seen missing or half made.
"""

from __future__ import annotations

import array
import contextlib
import errno
import fcntl
import os
import select
import termios
import threading
import time
import tty
from pathlib import Path

from sagwise_sim.board import Board

HOLD_S = 0.25  # how long the board waits for a reader before it throws old bytes away
_UNREAD_BYTES = 4000  # nearly what the line keeps for a reader; one who is this far behind is no reader
_FULL_NAP_S = 0.003
_NAP_S = 0.02  # longest sleep, so that a press or a pulled plug is soon seen
_LARGEST_LEAP_S = 0.5  # real time made up for at one go, after a machine slept


class PtyPort:
    """Plays one board in a thread of its own.

    device: path for a host to open. bytes_dropped: thrown away because nobody read. hold_s: how long board time
    waits for a reader before that happens; a trace that must arrive whole waits longer.
    """

    def __init__(self, board: Board, link: Path | None = None, speed: float = 1.0, hold_s: float = HOLD_S) -> None:
        if not speed > 0.0:
            raise ValueError(f"speed: {speed!r} is out of range; allowed: above 0")
        self._board = board
        self._link = link
        self._speed = speed
        self._hold_s = hold_s
        self._lock = threading.RLock()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._play, name="pty-port", daemon=True)
        self._ends: tuple[int, int] | None = None  # master, held slave
        self._outbox = bytearray()
        self._full_since: float | None = None
        self._slave_name = ""
        self.bytes_dropped = 0
        self.failure: BaseException | None = None

    @property
    def device(self) -> str:
        """What a host opens. Without a link it changes when the plug comes back."""
        return str(self._link) if self._link else self._slave_name

    @property
    def plugged(self) -> bool:
        """Whether a host could open it now."""
        with self._lock:
            return self._ends is not None

    @property
    def unread(self) -> int:
        """Bytes sent that the host has not read yet."""
        with self._lock:
            return len(self._outbox) + (_waiting(self._ends[1]) if self._ends else 0)

    def start(self) -> None:
        """Open the line and let the board live. Raises OSError where the link cannot be made, or would take the place
        of something that is no link."""
        with self._lock:
            self._open()
        self._thread.start()

    def stop(self) -> None:
        """End the thread, close the line, remove the link."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join()
        with self._lock:
            self._close()

    def unplug(self) -> None:
        """Pull the plug: the host gets a hang-up, the link goes. The board lives on."""
        with self._lock:
            self._board.plugged = False
            self._close()

    def replug(self) -> None:
        """Put it back: a new pseudo-terminal under the same link."""
        with self._lock:
            self._board.plugged = True
            self._open()

    # --- the line ---------------------------------------------------------------------------------------------

    def _open(self) -> None:
        if self._ends is not None:
            return
        master, slave = os.openpty()
        try:
            tty.setraw(slave)
            os.set_blocking(master, False)
            self._slave_name = os.ttyname(slave)
            if self._link:
                _replace_link(self._link, self._slave_name)
        except BaseException:
            os.close(master)
            os.close(slave)
            raise
        self._ends = (master, slave)

    def _close(self) -> None:
        if self._ends is None:
            return
        ends, self._ends = self._ends, None
        if self._link and _points_to(self._link, self._slave_name):
            self._link.unlink()
        for end in ends:
            os.close(end)
        self._outbox.clear()
        self._full_since = None

    # --- the thread -------------------------------------------------------------------------------------------

    def _play(self) -> None:
        try:
            before = time.monotonic()
            while not self._stopping.is_set():
                self._wait()
                now = time.monotonic()
                with self._lock:
                    if self._turn(now, min(now - before, _LARGEST_LEAP_S)):
                        before = now
        except BaseException as error:
            self.failure = error
            raise

    def _wait(self) -> None:
        """Sleep until the host speaks or the board has something to do; a moment only while the line is full."""
        with self._lock:
            ends, blocked = self._ends, bool(self._outbox)
            due_s = (self._board.next_due_us() - self._board.now_us) / 1e6 / self._speed
        nap = _FULL_NAP_S if blocked else min(max(due_s, 0.0005), _NAP_S)
        if ends is None:
            self._stopping.wait(nap)
            return
        with contextlib.suppress(OSError, ValueError):  # closed meanwhile by unplug
            select.select([ends[0]], [], [], nap)

    def _turn(self, now: float, passed_s: float) -> bool:
        """One round; whether board time moved. It stands still while the line is full, up to the hold."""
        self._follow_plug()
        if self._ends:
            self._read(self._ends[0])
            self._write(now)
            if self._outbox:
                return False
        self._outbox += self._board.advance(passed_s * self._speed)
        self._follow_plug()
        if self._ends:
            self._write(now)
        else:
            self._outbox.clear()
        return True

    def _follow_plug(self) -> None:
        """A fault of the scenario may have pulled the plug or put it back."""
        if self._board.plugged and self._ends is None:
            self._open()
        elif not self._board.plugged and self._ends is not None:
            self._close()

    def _read(self, master: int) -> None:
        while True:
            try:
                data = os.read(master, 4096)
            except BlockingIOError:
                return
            except OSError as error:
                if error.errno == errno.EIO:  # no host has it open
                    return
                raise
            if not data:
                return
            self._board.receive(data)

    def _write(self, now: float) -> None:
        """Send what goes; after the hold throw away what nobody reads, the oldest first."""
        assert self._ends is not None
        master, slave = self._ends
        if self._outbox and _waiting(slave) < _UNREAD_BYTES:
            with contextlib.suppress(BlockingIOError):
                del self._outbox[: os.write(master, self._outbox)]
        if not self._outbox:
            self._full_since = None
        elif self._full_since is None:
            self._full_since = now
        elif now - self._full_since >= self._hold_s:
            self._drop(master, slave)

    def _drop(self, master: int, slave: int) -> None:
        lost = _waiting(slave) + len(self._outbox)
        termios.tcflush(master, termios.TCOFLUSH)  # on its way
        termios.tcflush(slave, termios.TCIFLUSH)  # arrived
        self.bytes_dropped += lost
        self._board.dropped(max(1, bytes(self._outbox).count(b"\0")))
        self._outbox.clear()
        self._full_since = None


def _waiting(slave: int) -> int:
    """Bytes that lie in the line, unread by the host."""
    count = array.array("i", [0])
    fcntl.ioctl(slave, termios.FIONREAD, count)
    return count[0]


def _replace_link(link: Path, target: str) -> None:
    """Point the link there. Raises OSError, and takes the place of nothing but a link."""
    if os.path.lexists(link) and not link.is_symlink():
        raise FileExistsError(errno.EEXIST, "is there already and no link, so it is left as it is", str(link))
    beside = link.with_name(f".{link.name}.{os.getpid()}.{threading.get_ident()}")
    try:
        beside.unlink(missing_ok=True)
        beside.symlink_to(target)
        beside.replace(link)
    except OSError as error:
        raise OSError(error.errno, f"cannot be made ({error.strerror})", str(link)) from None


def _points_to(link: Path, target: str) -> bool:
    try:
        return str(link.readlink()) == target
    except OSError:
        return False

"""The host's clocks. Law: read here only; a wall clock is trusted when the kernel says that something set it.

The kernel's word is `adjtimex(2)`: TIME_ERROR until a time service (NTP, PTP, GPS) has disciplined the clock. A
clock that shows a day before this program was written is never trusted.
"""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from sagwise_daemon.domain.owner import SetBy, Teller
from sagwise_daemon.domain.stamps import WallTime

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
EARLIEST_UNIX_S = 1_750_000_000.0  # June 2025
TIME_ERROR = 5
TIMEX_BYTES = 512  # struct timex is 208 bytes on 64-bit Linux; the kernel writes no more than that


def wall_time() -> WallTime:
    """The clocks now."""
    unix_s = time.time()
    return WallTime(
        unix_s=unix_s,
        trusted=unix_s >= EARLIEST_UNIX_S and _disciplined(),
        monotonic_s=time.monotonic(),
        host_boot=host_boot(),
    )


class Clock:
    """The host's clocks, and a person's word where nothing else has set them. Implements `domain.owner.WallClock`.

    The time told runs on by the monotonic clock, so a wall clock that is wrong, or leaps, changes nothing in it.
    """

    def __init__(self, host: Callable[[], WallTime] = wall_time) -> None:
        self._host = host
        self._ahead_s: float | None = None  # of the monotonic clock
        self._teller: SetBy = "nothing"

    def wall(self) -> WallTime:
        """The clocks now, by whatever is trusted most."""
        wall = self._host()
        if wall.trusted or self._ahead_s is None:
            return wall
        return replace(wall, unix_s=wall.monotonic_s + self._ahead_s, trusted=True)

    def look(self) -> tuple[float, SetBy]:
        host, wall = self._host(), self.wall()
        return wall.unix_s, "network" if host.trusted else self._teller

    def tell(self, unix_s: float, by: Teller) -> None:
        self._ahead_s, self._teller = unix_s - self._host().monotonic_s, by


def host_boot() -> str:
    """The kernel's name for this boot; empty where it has none, and then nothing is dated across restarts."""
    try:
        return BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return ""


def _disciplined() -> bool:
    """Asks with modes = 0, which changes nothing and needs no privilege."""
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(TIMEX_BYTES))
    except (OSError, AttributeError):
        return False
    return 0 <= int(state) < TIME_ERROR

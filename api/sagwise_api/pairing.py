"""The way in. Law: the bike's code opens a session, wrong codes cost time, and the code is kept as a hash only.

Who is in is kept by `devices`.
"""

from __future__ import annotations

import hashlib
import hmac
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from sagwise_api.devices import Devices

MAX_ADDRESSES = 256
TRIES_PER_ADDRESS = 5
TRIES_IN_ALL = 20
FIRST_LOCK_S = 60.0
LONGEST_LOCK_S = 960.0
FORGET_S = 3600.0  # an address that was quiet this long starts afresh


def _digest(secret: str) -> bytes:
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).digest()


def plain_code(code: str) -> str:
    """The code as it counts: people type blanks and dashes as they please."""
    return "".join(code.split()).replace("-", "").casefold()


@dataclass(slots=True)
class _Tries:
    wrong: int = 0
    locks: int = 0
    locked_until_s: float = 0.0
    last_s: float = 0.0


class Lockout:
    """Counts wrong codes by key; after `tries` of them the key is locked, each time twice as long.

    Holds at most MAX_ADDRESSES keys, so a flood of addresses cannot fill the memory.
    """

    def __init__(self, tries: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._tries = tries
        self._clock = clock
        self._by_key: OrderedDict[str, _Tries] = OrderedDict()

    def wait_s(self, key: str) -> float:
        """Seconds until the key may try again, 0 when it may now."""
        entry = self._by_key.get(key)
        return 0.0 if entry is None else max(0.0, entry.locked_until_s - self._clock())

    def wrong(self, key: str) -> None:
        now = self._clock()
        entry = self._by_key.setdefault(key, _Tries(last_s=now))
        if now - max(entry.last_s, entry.locked_until_s) > FORGET_S:
            entry.wrong, entry.locks = 0, 0
        entry.last_s = now
        entry.wrong += 1
        if entry.wrong >= self._tries:
            entry.locked_until_s = now + min(FIRST_LOCK_S * 2**entry.locks, LONGEST_LOCK_S)
            entry.locks += 1
            entry.wrong = 0
        self._by_key.move_to_end(key)
        if len(self._by_key) > MAX_ADDRESSES:
            self._by_key.popitem(last=False)

    def right(self, key: str) -> None:
        self._by_key.pop(key, None)


class NoCodeError(Exception):
    """No code is set, so nobody can pair."""


class WrongCodeError(Exception):
    """The code is not the bike's."""


class LockedError(Exception):
    """Too many wrong codes; `wait_s` tells when the next try counts."""

    def __init__(self, wait_s: float) -> None:
        super().__init__(f"locked for {wait_s:.0f} s")
        self.wait_s = wait_s


class Pairing:
    """The way into a session. Used from the event loop only."""

    def __init__(
        self, code: str | None, devices: Devices | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        plain = plain_code(code or "")
        self._code = _digest(plain) if plain else None
        self._addresses = Lockout(TRIES_PER_ADDRESS, clock)
        self._all = Lockout(TRIES_IN_ALL, clock)
        self.devices = devices or Devices()

    def pair(self, code: str, address: str, name: str = "phone") -> str:
        """A new device's token for the right code. Raises NoCodeError, LockedError or WrongCodeError.

        While locked even the right code is refused: otherwise the lock would tell right from wrong.
        """
        if self._code is None:
            raise NoCodeError
        wait_s = max(self._addresses.wait_s(address), self._all.wait_s(""))
        if wait_s > 0:
            raise LockedError(wait_s)
        if not hmac.compare_digest(_digest(plain_code(code)), self._code):
            self._addresses.wrong(address)
            self._all.wrong("")
            raise WrongCodeError
        self._addresses.right(address)
        return self.devices.open(name)

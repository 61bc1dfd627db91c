"""The paired phones. Law: a token leaves once, in its cookie; only its hash is kept, and a revoked one is forgotten.

Kept in a file of the owner's own (mode 600), so that a phone stays paired when the bike is switched off. Without a file
the list lives as long as the daemon.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import secrets
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

log = logging.getLogger(__name__)

MAX_DEVICES = 32
UNUSED_S = 180 * 86400.0  # as long as the cookie
NAME_LONGEST = 40


def digest_of(token: str) -> str:
    """What is kept of a token."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


@dataclass(slots=True)
class Device:
    """One paired phone. Times are the bike's wall clock; seen_trusted: whether that was set when it was seen."""

    device_id: int
    name: str
    digest: str
    paired_unix_s: float
    seen_unix_s: float
    seen_trusted: bool = False


class Devices:
    """The list, newest use last. Used from the event loop only; `save` may be called from a worker thread.

    clock: the bike's wall clock. trusted: whether anything has set it.
    """

    def __init__(
        self,
        path: Path | None = None,
        clock: Callable[[], float] = time.time,
        trusted: Callable[[], bool] = lambda: True,
    ) -> None:
        self._path = path
        self._clock, self._trusted = clock, trusted
        self._by_digest: dict[str, Device] = {}
        self._next_id = 1
        self._load()

    def open(self, name: str) -> str:
        """A new device's token. The one that was used longest ago goes when there are too many."""
        token = secrets.token_urlsafe(32)
        now = self._clock()
        device = Device(self._next_id, name[:NAME_LONGEST] or "phone", digest_of(token), now, now, self._trusted())
        self._next_id += 1
        self._by_digest[device.digest] = device
        while len(self._by_digest) > MAX_DEVICES:
            del self._by_digest[next(iter(self._by_digest))]
        return token

    def of(self, token: str) -> Device | None:
        """The device of a token. The hash is looked up, so timing tells nothing of the token."""
        device = self._by_digest.pop(digest_of(token), None)
        if device is None or self._unused(device):
            return None
        now, trusted = self._clock(), self._trusted()
        first = trusted and not device.seen_trusted  # the time before was anybody's guess
        device.seen_unix_s = now if first else max(device.seen_unix_s, now)
        device.seen_trusted = trusted or device.seen_trusted
        self._by_digest[device.digest] = device
        return device

    def _unused(self, device: Device) -> bool:
        """Not seen for too long. A clock that was set since proves nothing: it may have leapt over years."""
        leapt = self._trusted() and not device.seen_trusted
        return not leapt and self._clock() - device.seen_unix_s > UNUSED_S

    def holds(self, device: Device) -> bool:
        """Whether it is still paired: an open stream has to ask again."""
        return device.digest in self._by_digest

    def revoke(self, device_id: int) -> None:
        """Raises KeyError where there is none."""
        device = next((one for one in self._by_digest.values() if one.device_id == device_id), None)
        if device is None:
            raise KeyError(device_id)
        del self._by_digest[device.digest]

    def all(self) -> list[Device]:
        """In the order they were paired."""
        return sorted(self._by_digest.values(), key=lambda device: device.device_id)

    def save(self) -> None:
        """Write the list; a disk that refuses is logged, since who is let in now does not depend on it."""
        if self._path is None:
            return
        body = {"next_id": self._next_id, "devices": [asdict(device) for device in list(self._by_digest.values())]}
        draft = self._path.with_suffix(".new")
        try:
            with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as out:
                json.dump(body, out)
                out.flush()
                os.fsync(out.fileno())
            draft.replace(self._path)
        except OSError as fault:
            log.error("%s: the paired phones cannot be kept (%s); they must pair again", self._path, fault.strerror)

    def _load(self) -> None:
        if self._path is None or not self._path.is_file():
            return
        try:
            body = json.loads(self._path.read_text())
            devices = [Device(**entry) for entry in body["devices"]]
            self._next_id = int(body["next_id"])
        except (OSError, ValueError, TypeError, KeyError) as fault:
            log.error("%s: cannot be read (%s); every phone must pair again", self._path, fault)
            return
        self._by_digest = {device.digest: device for device in devices}

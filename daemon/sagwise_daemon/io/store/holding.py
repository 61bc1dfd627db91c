"""One daemon a store. Law: a second one is refused before it touches anything, since each takes the rides that it finds
open for what a power cut left.

Other programs (`import`, `export`, `doctor`) work beside a daemon. The hold ends with the process, however that ends.
"""

from __future__ import annotations

import contextlib
import fcntl
import logging
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from sagwise_daemon.errors import StoreError

log = logging.getLogger(__name__)


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Hold the store at `path`, whose folder is made. Raises StoreError while another daemon does; where the disk
    allows no holding, it goes on without."""
    lock = path.with_name(f"{path.name}.lock")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        file = lock.open("a+", encoding="ascii", errors="replace")
    except OSError as fault:
        log.warning("%s: cannot be held against a second daemon (%s)", lock, fault.strerror)
        yield
        return
    with file:
        _hold(file, path)
        yield


def _hold(file: TextIO, path: Path) -> None:
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.seek(0)
        raise StoreError(
            f"{path}: another sagwise (process {file.read().strip() or 'unknown'}) records into this store; end it"
            " first, or name another file for the store"
        ) from None
    except OSError as fault:
        log.warning("%s: cannot be held against a second daemon (%s)", path, fault.strerror)
    with contextlib.suppress(OSError):  # a full disk: the number is only for people
        os.ftruncate(file.fileno(), 0)
        os.write(file.fileno(), b"%d\n" % os.getpid())

"""A store for a daemon whose own cannot be opened. Law: no fault of a disk keeps a bike from being watched.

It lies in memory, small, and is gone with the daemon: alarms have somewhere to be committed, and nothing is pretended
to be kept.
"""

from __future__ import annotations

import contextlib
import logging
import os
import shutil
import tempfile
from pathlib import Path
from typing import Self

from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store import Store

BUDGET_BYTES = 16_000_000  # of memory, on a board that may have 512 MB
PREFIX = "sagwise-"
MEMORY = Path("/dev/shm")  # noqa: S108 - a folder of ours alone is made in it
log = logging.getLogger(__name__)


class StandIn(Store):
    """Removes its folder when it is closed."""

    not_kept = (
        "Rides are not recorded: the ride store could not be opened. Make room on the disk, look at the log or ask"
        " sagwise doctor, then start sagwise again."
    )

    @classmethod
    def made(cls) -> Self:
        """A new one; those of daemons that were killed are removed. Raises StoreError where there is no room even for
        that."""
        _remove_orphans()
        try:
            folder = Path(tempfile.mkdtemp(prefix=f"{PREFIX}{os.getpid()}-", dir=MEMORY if MEMORY.is_dir() else None))
        except OSError as fault:
            raise StoreError(f"{MEMORY}: no folder can be made in memory either ({fault.strerror})") from fault
        try:
            return cls.open(folder / "rides.sqlite", BUDGET_BYTES)
        except StoreError:
            shutil.rmtree(folder, ignore_errors=True)
            raise

    def close(self) -> None:
        try:
            super().close()
        finally:
            shutil.rmtree(self.path.parent, ignore_errors=True)


def _remove_orphans() -> None:
    """A killed daemon leaves its folder, and memory is scarce; its process's number is in the name."""
    for folder in MEMORY.glob(f"{PREFIX}*-*"):
        number = folder.name.removeprefix(PREFIX).partition("-")[0]
        with contextlib.suppress(OSError):
            if number.isdecimal() and folder.stat().st_uid == os.geteuid() and not Path(f"/proc/{number}").exists():
                shutil.rmtree(folder, ignore_errors=True)


def open_or_stand_in(path: Path, budget_bytes: int) -> Store:
    """The store at `path`, ready to be written, its folder made; a stand-in where that fails, and the log says why.

    Raises the store's own StoreError where there can be none.
    """
    try:
        return _ready(path, budget_bytes)
    except StoreError as fault:
        try:
            store = StandIn.made()
        except StoreError as other:
            log.error("%s", other)
            raise fault from None
        log.error("%s", fault)
        log.error("the bike is watched all the same, and nothing is recorded until sagwise is started again")
        return store


def _ready(path: Path, budget_bytes: int) -> Store:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise StoreError(f"{path.parent}: the folder cannot be made ({fault.strerror}); name another") from fault
    store = Store.open(path, budget_bytes)
    try:
        store.recorder  # noqa: B018 - it has to be able to write
    except StoreError:
        store.close()
        raise
    return store

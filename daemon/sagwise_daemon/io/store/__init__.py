"""Every ride, on the disk. Law: an event is there once its future is done; samples are at most 2 s behind, always.

`Store.open(path)`, then `.recorder` to write, `.rides` to read (any thread, any process) and `.memory` for what rides
taught.
"""

from __future__ import annotations

import threading
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Engine

from sagwise_daemon.io.clock import wall_time
from sagwise_daemon.io.store.engine import bring_up_to_date, reader_engine
from sagwise_daemon.io.store.memory import StoredMemory
from sagwise_daemon.io.store.recorder import Recorder, UnfinishedRide
from sagwise_daemon.io.store.rides import Boot, Gap, StoredRides
from sagwise_daemon.io.store.state import RideStart

__all__ = ["Boot", "Gap", "Recorder", "RideStart", "Store", "StoredRides", "UnfinishedRide"]


class Store:
    """The ride store in one SQLite file. not_kept: for people, why nothing in it lasts; None where it does."""

    not_kept: str | None = None

    def __init__(self, path: Path, readers: Engine, budget_bytes: int | None) -> None:
        """Use `open`."""
        self.path = path
        self._budget_bytes = budget_bytes
        self._readers = readers
        self._recorder: Recorder | None = None
        self._guard = threading.Lock()
        self.rides = StoredRides(readers)
        self.memory = StoredMemory(readers, lambda: self.recorder, wall_time)

    @classmethod
    def open(cls, path: Path, budget_bytes: int | None = None) -> Self:
        """The store at `path`, created or migrated if need be. Raises StoreError saying what to do.

        budget_bytes: beyond it the recorder's thread drops samples at full rate, those of the oldest ride first.
        """
        bring_up_to_date(path)
        return cls(path, reader_engine(path), budget_bytes)

    @property
    def recorder(self) -> Recorder:
        """The way in, opened with its thread at first use. Raises StoreError if the store cannot be written."""
        with self._guard:
            if self._recorder is None:
                self._recorder = Recorder(self.path, self._readers, budget_bytes=self._budget_bytes)
            return self._recorder

    def close(self) -> None:
        """Store what waits and let go of the file. Raises StoreError if something could not be stored."""
        try:
            if self._recorder is not None:
                self._recorder.close()
        finally:
            self._readers.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

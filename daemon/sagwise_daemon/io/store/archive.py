"""`ports.Archive` over the store. Law: what reads whole rides runs in another process, and that one ends when nobody
has asked for a while; what a person changes is one short transaction here.
"""

from __future__ import annotations

import logging
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store.changes import Changes
from sagwise_daemon.io.store.engine import reader_engine
from sagwise_daemon.io.store.history import History
from sagwise_daemon.io.store.other_process import OtherProcess, serve
from sagwise_daemon.io.store.summaries import StoredSummaries

_log = logging.getLogger(__name__)

IDLE_S = 60.0  # a board of 512 MB wants its memory back


class ArchiveAside:
    """Implements `domain.ports.Archive`."""

    def __init__(self, path: Path) -> None:
        self._readers = readers = reader_engine(path)
        self._process = OtherProcess("sagwise_daemon.io.store.archive", path)
        self._changes = Changes(readers, path)
        self._summaries = StoredSummaries(readers, path)
        self._hopeless: list[int] = []
        self.known_packs, self.change = self._changes.known_packs, self._changes.change
        self.delete, self.restore = self._changes.delete, self._changes.restore

    def summary(self, ride_id: int) -> Mapping[str, Any] | None:
        """As the port has it; one that is kept costs no other process."""
        found: Mapping[str, Any] | None = self._summaries.get(ride_id) or self._process.ask("summary", ride_id)
        return found

    def health(self, pack: str) -> Mapping[str, Any]:
        """As the port has it."""
        found: Mapping[str, Any] = self._process.ask("health", pack)
        return found

    def compare(self, sides: Sequence[int | str], by: str, channels: Sequence[str], points: int) -> Mapping[str, Any]:
        """As the port has it."""
        found: Mapping[str, Any] = self._process.ask("compare", tuple(sides), by, tuple(channels), points)
        return found

    def report(self, ride_id: int) -> str:
        """As the port has it."""
        return str(self._process.ask("report", ride_id))

    def catch_up(self) -> int | None:
        """Make one summary that is missing; the record's number, None when there is none to make."""
        ride_id = self._summaries.waiting(self._hopeless)
        if ride_id is None:
            return None
        try:
            made = self.summary(ride_id)
        except (LookupError, ValueError, StoreError) as fault:  # a pack that cannot be read, a chunk that is torn
            _log.warning("ride %d has no summary: %s", ride_id, fault)
            made = None
        if made is None:
            self._hopeless.append(ride_id)
        return ride_id

    def close(self) -> None:
        """End the process and let go of the file."""
        self._process.close()
        self._changes.close()
        self._readers.dispose()


def main(path: Path) -> None:
    """Answer wishes from standard input until it closes."""
    engine = reader_engine(path)
    history = History(engine, path)

    def answer(name: str, *arguments: Any) -> Any:
        if name == "report":
            from sagwise_daemon.io.report import report

            return report(history, *arguments)
        return getattr(history, name)(*arguments)

    serve(answer, IDLE_S)
    history.close()
    engine.dispose()


if __name__ == "__main__":
    main(Path(sys.argv[1]))

"""The log of changed settings: one JSON document a line. Law: what is in the log is what holds; a line is only added.

A line that was cut short by a power loss is passed over, with a word in the log; every other line counts.
"""

from __future__ import annotations

import json
import logging
import os
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

from sagwise_daemon.domain.owner import Change
from sagwise_daemon.errors import StoreError

log = logging.getLogger(__name__)

SETTINGS_FILE = "settings.jsonl"  # beside the rides


class ChangeLog:
    """The changes in the order they were made. `add` returns when the line is on the disk."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.changes = list(_read(path))

    @property
    def next_id(self) -> int:
        return max((change.change_id for change in self.changes), default=0) + 1

    def add(self, change: Change) -> None:
        """Raises StoreError where it cannot be written; nothing is then changed."""
        line = json.dumps(asdict(change), allow_nan=False, ensure_ascii=False) + "\n"
        try:
            torn = self._path.exists() and not self._path.read_bytes().endswith(b"\n")
            with self._path.open("a", encoding="utf-8") as out:
                out.write(("\n" if torn and self._path.stat().st_size else "") + line)
                out.flush()
                os.fsync(out.fileno())
        except OSError as fault:
            raise StoreError(
                f"{self._path}: the change cannot be kept ({fault.strerror}); make room or check it"
            ) from fault
        self.changes.append(change)


def _read(path: Path) -> Iterator[Change]:
    if not path.is_file():
        return
    for number, line in enumerate(path.read_text(encoding="utf-8", errors="replace").splitlines(), 1):
        try:
            entry = json.loads(line)
            entry["values"] = {str(key): (before, after) for key, (before, after) in entry["values"].items()}
            yield Change(**entry)
        except (ValueError, TypeError, KeyError):
            if line.strip():
                log.error("%s: line %d is no change and is passed over", path, number)

"""Reads a store whose list of tables is damaged. Law: in a copy only; where most of that list still stands as this
program writes it, and no page then belongs to two tables. Otherwise the file is left to be read as it is.

SQLite reaches every row through that list (`sqlite_schema`), which lies in a handful of the file's first pages. A table
never moves to another page, so a file that this program made has the same list, byte for byte, in the same pages as a
new one; only what the file's head says of its length and changes differs.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store.tables import metadata

HEAD = 100  # bytes of the first page that tell of the file; https://www.sqlite.org/fileformat.html, 1.3
CHANGES, LENGTH, LENGTH_HOLDS_FOR = (slice(at, at + 4) for at in (24, 28, 92))


@contextmanager
def readable(path: Path, fresh: Path) -> Iterator[tuple[Path, bool]]:
    """The file to read, and whether it is a copy with the list made again. fresh: a new store without rows.

    Raises StoreError where there is no room for a copy.
    """
    copy = path.with_name(path.name + ".listed")
    try:
        yield (copy, True) if not _lists_all(path) and _listed(path, fresh, copy) else (path, False)
    finally:
        _remove(copy)


def _lists_all(path: Path) -> bool:
    try:
        with closing(sqlite3.connect(path)) as connection:
            there = {name for (name,) in connection.execute("SELECT name FROM sqlite_master").fetchall()}
    except sqlite3.Error:
        return False
    return there >= set(metadata.tables)


def _listed(path: Path, fresh: Path, copy: Path) -> bool:
    """Make the copy; whether it may be believed."""
    size, wanted = _pages_of_the_list(fresh)
    if not wanted or not _mostly_there(path, size, wanted):
        return False
    _remove(copy)
    try:
        shutil.copyfile(path, copy)
        log = Path(f"{path}-wal")
        if log.exists():
            shutil.copyfile(log, f"{copy}-wal")
        pages = path.stat().st_size // size
        with copy.open("r+b") as file:
            for number, page in wanted.items():
                file.seek((number - 1) * size)
                file.write(_as_long(page, pages) if number == 1 else page)
    except OSError as fault:
        raise StoreError(f"{copy}: a copy cannot be written ({fault.strerror}); make room on the disk") from fault
    return _each_page_has_one_owner(copy)


def _pages_of_the_list(fresh: Path) -> tuple[int, dict[int, bytes]]:
    """Page size, and the pages by number; none where this SQLite was built without the table that tells."""
    with closing(sqlite3.connect(fresh)) as connection:
        (size,) = connection.execute("PRAGMA page_size").fetchone()
        query = "SELECT pageno FROM dbstat WHERE name IN ('sqlite_schema', 'sqlite_master')"
        try:
            numbers = [number for (number,) in connection.execute(query).fetchall()]
        except sqlite3.OperationalError:
            return size, {}
    content = fresh.read_bytes()
    return size, {number: content[(number - 1) * size : number * size] for number in numbers}


def _mostly_there(path: Path, size: int, wanted: dict[int, bytes]) -> bool:
    """Of the first page what follows the head is compared."""
    same = 0
    with path.open("rb") as file:
        for number, page in wanted.items():
            skipped = HEAD if number == 1 else 0
            file.seek((number - 1) * size + skipped)
            same += file.read(size - skipped) == page[skipped:]
    return same * 2 > len(wanted)


def _as_long(page: bytes, pages: int) -> bytes:
    """The first page with a head that tells of so many pages."""
    head = bytearray(page)
    head[LENGTH] = pages.to_bytes(4, "big")
    head[LENGTH_HOLDS_FOR] = head[CHANGES]
    return bytes(head)


def _each_page_has_one_owner(copy: Path) -> bool:
    """In a file that this program did not make from the start a table would seem to begin amid another's rows."""
    owners: dict[int, str] = {}
    with closing(sqlite3.connect(copy)) as connection:
        try:
            names = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE rootpage > 0")]
        except sqlite3.Error:
            return False
        for name in names:
            try:
                for (number,) in connection.execute("SELECT pageno FROM dbstat WHERE name = ?", (name,)):
                    if owners.setdefault(number, name) != name:
                        return False
            except sqlite3.Error:
                continue  # a damaged table: what it owns as far as it can be read was looked at
    return True


def _remove(copy: Path) -> None:
    for end in ("", "-wal", "-shm"):
        Path(f"{copy}{end}").unlink(missing_ok=True)

"""Connections to the store's file. Law: every transaction is begun by us, and every fault has a name and a remedy.

The driver would begin by itself and commit around schema changes, so its own transactions are switched off: the
writer begins IMMEDIATE (a lock it cannot get is said at once, not in the middle), readers begin DEFERRED and
cannot write. `synchronous` is FULL: with less, a power cut may take everything since the last checkpoint. Pages of a
new file are 1 kB: each commit writes a handful of them whole, and each chunk leaves half a page empty.
"""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.pool import QueuePool, StaticPool

from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store.tables import REVISIONS

BUSY_TIMEOUT_MS = 5000
CHECKPOINT_PAGES = 4000  # 4 MB of log; the pages that every commit writes reach the file itself less often
MIGRATION_TIMEOUT_S = 120


def writer_engine(path: Path) -> Engine:
    """One connection that writes, held for as long as the engine lives."""
    engine = create_engine(_url(path), poolclass=StaticPool, connect_args={"check_same_thread": False})
    pragmas = (
        "page_size=1024",
        "journal_mode=WAL",
        "synchronous=FULL",
        "secure_delete=OFF",
        f"wal_autocheckpoint={CHECKPOINT_PAGES}",
    )
    _prepare(engine, "BEGIN IMMEDIATE", [f"PRAGMA {pragma}" for pragma in pragmas])
    return engine


def reader_engine(path: Path) -> Engine:
    """Connections that only read, for any thread; each returns to the pool after its call."""
    engine = create_engine(
        _url(path),
        poolclass=QueuePool,
        pool_size=4,
        max_overflow=28,
        connect_args={"check_same_thread": False},
    )
    _prepare(engine, "BEGIN", ["PRAGMA query_only=ON"])
    return engine


def _url(path: Path) -> URL:
    return URL.create("sqlite+pysqlite", database=str(path))


def _prepare(engine: Engine, begin: str, pragmas: list[str]) -> None:
    @event.listens_for(engine, "connect")
    def connected(raw: Any, record: object) -> None:
        raw.isolation_level = None
        for pragma in (f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}", "PRAGMA foreign_keys=ON", *pragmas):
            raw.execute(pragma).close()

    @event.listens_for(engine, "begin")
    def begun(connection: Connection) -> None:
        connection.exec_driver_sql(begin)


def bring_up_to_date(path: Path) -> None:
    """Create or migrate the file at `path` so that its schema is this program's.

    Reads the revision itself; only when something has to be done does it start the migration's own process.
    Raises StoreError.
    """
    check_place(path)
    revision = read_revision(path)
    if revision == REVISIONS[-1]:
        return
    if revision is not None and revision not in REVISIONS:
        raise StoreError(
            f"{path}: the store has schema revision {revision}, this program knows up to {REVISIONS[-1]}; "
            "it was written by a newer sagwise: install that version, or name another file for the store"
        )
    _migrate(path)


def read_revision(path: Path) -> str | None:
    """The schema revision of the file, None for a file that is missing or empty. Raises StoreError."""
    if not path.exists() or not path.stat().st_size:
        return None
    connection = None
    try:
        connection = sqlite3.connect(path, timeout=BUSY_TIMEOUT_MS / 1000)
        tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type='table'")}
        if not tables:
            return None
        if "alembic_version" in tables:
            row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
            if row is not None:
                return str(row[0])
    except sqlite3.Error as fault:
        raise StoreError(f"{path}: not a ride store ({fault}); name another file for the store") from fault
    finally:
        if connection is not None:
            connection.close()
    raise StoreError(
        f"{path}: an SQLite file, but not a ride store (no schema revision); name another file for the store"
    )


def check_place(path: Path) -> None:
    """Raises StoreError where no store can lie at `path`."""
    folder = path.parent
    if not folder.is_dir():
        raise StoreError(f"{path}: the folder {folder} does not exist; create it, or name another file for the store")
    if path.exists() and not path.is_file():
        raise StoreError(f"{path}: not a file; name a file for the store")
    # SQLite keeps its write-ahead log beside the file, so the folder has to be writable too.
    for place in (folder, path) if path.exists() else (folder,):
        if not os.access(place, os.R_OK | os.W_OK, effective_ids=os.access in os.supports_effective_ids):
            raise StoreError(
                f"{path}: {place} may not be read and written by this user; change its permissions, "
                "or name another file for the store"
            )


def _migrate(path: Path) -> None:
    """Alembic costs half a second and 48 MB to import, so it never enters this process."""
    command = [sys.executable, "-m", "sagwise_daemon.io.store.migrate", str(path)]
    try:
        done = subprocess.run(  # noqa: S603 -- our own module by our own interpreter
            command,
            capture_output=True,
            text=True,
            timeout=MIGRATION_TIMEOUT_S,
            check=False,
            start_new_session=True,  # Ctrl-C is for us: what is half done is finished first
        )
    except (OSError, subprocess.TimeoutExpired) as fault:
        raise StoreError(f"{path}: the store's schema could not be brought up to date: {fault}") from fault
    if done.returncode:
        reason = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
        raise StoreError(f"{path}: the store's schema could not be brought up to date: {reason}")

"""The schema. Law: migrations and `tables` say the same, and a file of another time is met with words, not damage."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store import Store, engine
from sagwise_daemon.io.store.migrate import configuration, main
from sagwise_daemon.io.store.tables import REVISIONS, metadata


def test_the_migrated_schema_is_the_one_described(fresh: Path) -> None:
    opened = engine.writer_engine(fresh)
    with opened.connect() as connection:
        options = {"compare_type": True, "compare_server_default": True}
        difference = compare_metadata(MigrationContext.configure(connection, opts=options), metadata)
    opened.dispose()
    assert difference == []


def test_the_revisions_are_alembics(fresh: Path) -> None:
    scripts = [script.revision for script in ScriptDirectory.from_config(configuration()).walk_revisions()]
    assert tuple(reversed(scripts)) == REVISIONS
    assert engine.read_revision(fresh) == REVISIONS[-1]


def test_foreign_keys_primary_keys_and_uniqueness_are_in_the_file(fresh: Path) -> None:
    """What Alembic's comparison does not look at on SQLite."""
    connection = sqlite3.connect(fresh)
    for table in metadata.sorted_tables:
        info = connection.execute(f"PRAGMA table_info({table.name})").fetchall()
        assert {row[1] for row in info if row[5]} == {column.name for column in table.primary_key}
        assert {row[1] for row in info if row[3]} == {column.name for column in table.columns if not column.nullable}
        keys = connection.execute(f"PRAGMA foreign_key_list({table.name})").fetchall()
        assert {(row[3], f"{row[2]}.{row[4]}") for row in keys} == {
            (key.parent.name, key.target_fullname) for key in table.foreign_keys
        }
    unique = connection.execute("SELECT sql FROM sqlite_master WHERE name='packs'").fetchone()[0]
    assert "UNIQUE (digest)" in unique
    connection.close()


@pytest.mark.slow
def test_a_store_of_now_starts_no_process_and_imports_no_alembic(fresh: Path) -> None:
    code = (
        "import sys, subprocess, pathlib\n"
        "def refuse(*a, **k): raise AssertionError('a process was started')\n"
        "subprocess.run = refuse\n"
        "from sagwise_daemon.io.store import Store\n"
        "Store.open(pathlib.Path(sys.argv[1])).close()\n"
        "assert 'alembic' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code, str(fresh)], check=True)


def test_a_newer_schema_is_named_with_both_revisions(fresh: Path) -> None:
    connection = sqlite3.connect(fresh)
    connection.execute("UPDATE alembic_version SET version_num = '9077'")
    connection.commit()
    connection.close()
    before = fresh.read_bytes()
    with pytest.raises(StoreError, match=rf"9077.*{REVISIONS[-1]}.*newer sagwise"):
        Store.open(fresh)
    assert fresh.read_bytes() == before


@pytest.mark.slow
def test_an_empty_file_becomes_a_store(tmp_path: Path) -> None:
    path = tmp_path / "rides.sqlite"
    path.touch()
    Store.open(path).close()
    assert engine.read_revision(path) == REVISIONS[-1]


def test_a_migration_that_fails_leaves_nothing_behind(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "rides.sqlite"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE gaps (mine TEXT)")  # the last table that the first migration makes
    connection.commit()
    connection.close()
    assert main([str(path)]) == 2
    assert "gaps" in capsys.readouterr().err
    connection = sqlite3.connect(path)
    assert connection.execute("SELECT name FROM sqlite_master").fetchall() == [("gaps",)]
    connection.close()


def test_the_journal_and_sync_are_as_promised(store: Store) -> None:
    store.recorder.flush()
    with store.recorder._engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2  # FULL
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1

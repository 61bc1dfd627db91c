"""An empty store to copy: migrating one costs more than most of these tests."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from sagwise_daemon.io.store import Store


@pytest.fixture(scope="session")
def empty_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("empty") / "rides.sqlite"
    Store.open(path).close()
    return path


@pytest.fixture
def fresh(tmp_path: Path, empty_store: Path) -> Path:
    """The path of an empty store of this test's own."""
    return Path(shutil.copy(empty_store, tmp_path / "rides.sqlite"))

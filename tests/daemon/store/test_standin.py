"""The store in memory that takes the place of one that cannot be opened. Law: it leaves nothing behind."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store import Store, standin
from sagwise_daemon.io.store.standin import StandIn, open_or_stand_in


@pytest.fixture
def memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder in place of the machine's own."""
    place = tmp_path / "memory"
    place.mkdir()
    monkeypatch.setattr(standin, "MEMORY", place)
    return place


@pytest.mark.slow
def test_it_takes_the_place_of_rubbish_and_is_gone_when_closed(tmp_path: Path, memory: Path) -> None:
    (tmp_path / "rides.sqlite").write_bytes(b"rubbish" * 1000)
    orphan, living = memory / "sagwise-4194305-x", memory / f"sagwise-{os.getpid()}-x"  # the first is above any process
    orphan.mkdir()
    living.mkdir()
    with open_or_stand_in(tmp_path / "rides.sqlite", 1_000_000) as store:
        assert isinstance(store, StandIn) and store.not_kept
        store.recorder.flush()
        assert living.is_dir() and not orphan.exists()
    assert list(memory.iterdir()) == [living]


def test_where_it_cannot_be_made_either_the_stores_own_fault_is_told(
    tmp_path: Path, memory: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: Path) -> None:
        raise StoreError(f"{path}: refused")

    monkeypatch.setattr("sagwise_daemon.io.store.bring_up_to_date", refuse)
    with pytest.raises(StoreError, match=rf"^{tmp_path}/rides.sqlite: refused"):
        open_or_stand_in(tmp_path / "rides.sqlite", 1_000_000)
    assert list(memory.iterdir()) == []


def test_a_store_that_can_be_opened_is_the_store_itself(empty_store: Path, memory: Path) -> None:
    with open_or_stand_in(empty_store, 1_000_000) as store:
        assert type(store) is Store and store.not_kept is None
    assert list(memory.iterdir()) == []

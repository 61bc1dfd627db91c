"""One daemon a store. Law: the second is refused and named the first; a hold ends with its process and keeps no other
program out."""

from __future__ import annotations

import logging
import os
import subprocess
import sys
from pathlib import Path

import pytest

from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.holding import held


def test_a_second_daemon_is_refused_and_the_first_named(tmp_path: Path) -> None:
    path = tmp_path / "made" / "rides.sqlite"
    with held(path), pytest.raises(StoreError, match=rf"process {os.getpid()}\) records into this store"), held(path):
        pass
    with held(path):
        pass


def test_other_stores_of_the_folder_and_other_programs_are_free(tmp_path: Path, empty_store: Path) -> None:
    with held(empty_store), held(tmp_path / "other.sqlite"), Store.open(empty_store) as store:
        store.recorder.flush()


@pytest.mark.slow
def test_a_killed_holder_holds_nothing(tmp_path: Path) -> None:
    path = tmp_path / "rides.sqlite"
    code = (
        "import pathlib, time; from sagwise_daemon.io.store.holding import held\n"
        f"with held(pathlib.Path({str(path)!r})):\n    print('held', flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None and child.stdout.readline() == "held\n"
        with pytest.raises(StoreError, match=f"process {child.pid}"), held(path):
            pass
        child.kill()
    with held(path):
        pass


def test_where_nothing_can_be_held_it_goes_on(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    (tmp_path / "rides.sqlite.lock").mkdir()
    with caplog.at_level(logging.WARNING), held(tmp_path / "rides.sqlite"):
        assert "cannot be held against a second daemon" in caplog.text

"""Daemons for the acceptance tests. Law: whatever still runs at a test's end is killed."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from daemon_process import PACK, Daemon


@pytest.fixture
def make_daemon(tmp_path: Path) -> Iterator[Callable[..., Daemon]]:
    """Makes daemons in the test's folder, or one given; whatever still runs at the end is killed."""
    made: list[Daemon] = []

    def make(
        device: Path,
        *,
        name: str = "Otter",
        series: int = 16,
        extra: str = "",
        config: str = "",
        folder: Path = tmp_path,
    ) -> Daemon:
        text = PACK.format(name=name, series=series, extra=extra)
        made.append(Daemon(folder, device, text, config))
        return made[-1]

    yield make
    for daemon in made:
        if daemon.alive():
            daemon.stop(signal.SIGKILL)

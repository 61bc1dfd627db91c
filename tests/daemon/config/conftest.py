"""Writes small TOML files and gives the lines of what is refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sagwise_daemon.config import load_config, load_pack
from sagwise_daemon.errors import ConfigError, InputError, PackError


def write(path: Path, text: str | bytes) -> Path:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def refused(load: Callable[[Path], object], error: type[InputError], path: Path) -> list[str]:
    """The lines of the error, each without the file's own name before it."""
    with pytest.raises(error) as caught:
        load(path)
    assert type(caught.value) is error
    lines = str(caught.value).split("\n")
    assert all(line.startswith(f"{path.parent}/") for line in lines), lines
    return [line.removeprefix(f"{path}: ") for line in lines]


@pytest.fixture
def pack_faults(tmp_path: Path) -> Callable[[str | bytes], list[str]]:
    return lambda text: refused(load_pack, PackError, write(tmp_path / "pack.toml", text))


@pytest.fixture
def config_faults(tmp_path: Path) -> Callable[[str | bytes], list[str]]:
    return lambda text: refused(load_config, ConfigError, write(tmp_path / "bike.toml", text))


@pytest.fixture
def write_file(tmp_path: Path) -> Callable[[str, str | bytes], Path]:
    return lambda name, text: write(tmp_path / name, text)

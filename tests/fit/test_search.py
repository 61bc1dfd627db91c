"""The search itself, as `make fit` calls it, in the environment where its package is installed."""

from __future__ import annotations

import json
import subprocess
from os import environ
from pathlib import Path

import figures
import filters
import pytest
from truth_rides import RIDES

from sagwise_daemon.domain.estimate import settings

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[2]


def search(*args: str | Path) -> subprocess.CompletedProcess[str]:
    subprocess.run(["bash", str(ROOT / "tests" / "tools" / "truth-environment")], check=True)
    rooms = ":".join(str(ROOT / room) for room in ("tests/support", "daemon", "firmware_protocol"))
    command = [ROOT / ".venv-truth" / "bin" / "python", ROOT / "tests" / "fit" / "search.py", *args]
    return subprocess.run(command, capture_output=True, text=True, check=False, env=environ | {"PYTHONPATH": rooms})


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two short rides of one cell."""
    made = tmp_path_factory.mktemp("rides")
    for name in ("mohtat2020_9100.npz", "mohtat2020_dfn_9101.npz"):
        (made / name).symlink_to(RIDES / name)
    return made


def test_a_short_search_finds_something_better_and_leaves_the_settings_alone(folder: Path, tmp_path: Path) -> None:
    """On rides of one cell alone there is always something to be learnt by heart."""
    before = Path(settings.__file__).read_bytes()
    done = search(folder, "--of", "peers", "--trials", "60", "--json", tmp_path / "found.json")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    now_mv = float(lines[0].removesuffix(" mV").rpartition(" ")[2])
    best_mv = float(next(line for line in lines if "trials:" in line).removesuffix(" mV").rpartition(" ")[2])
    assert best_mv < now_mv
    found = json.loads((tmp_path / "found.json").read_text(encoding="utf-8"))
    assert found.keys() == filters.present().keys()
    now = json.loads(json.dumps(filters.present()))
    moved = {name for name in found if found[name] != now[name]}
    assert moved
    assert moved <= {figure.name for figure in figures.PEERS}
    assert Path(settings.__file__).read_bytes() == before


def test_a_cell_that_is_not_there_cannot_be_left_out(folder: Path) -> None:
    done = search(folder, "--leave-out", "Mohtat2021")
    assert done.returncode == 2
    assert "Mohtat2021" in done.stderr
    assert "Mohtat2020" in done.stderr

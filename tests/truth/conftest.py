"""The environment in which the truth is made. Law: made once, or waited for where `make test` is making it already."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from os import environ
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]


@pytest.fixture(scope="session")
def truth_python() -> Callable[..., None]:
    """Runs a script of this folder where the cell simulators are."""
    subprocess.run(["bash", str(ROOT / "tests" / "tools" / "truth-environment")], check=True)
    python = ROOT / ".venv-truth" / "bin" / "python"

    def run(script: str, *args: str | Path) -> None:
        telemetry = {"PYBAMM_DISABLE_TELEMETRY": "true"}
        subprocess.run([python, HERE / script, *args], check=True, env=environ | telemetry)

    return run

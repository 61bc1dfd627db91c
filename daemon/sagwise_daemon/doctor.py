"""The `doctor` verb: is the ride store whole? Law: status 0 it is, 1 something was found, 2 there is no store.

With the bike's configuration it also says what of the fitted pack should make one look twice; that is no fault. Without
`--repair` nothing is changed, and the daemon may go on meanwhile.
"""

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser, Namespace
from dataclasses import asdict
from pathlib import Path

from sagwise_daemon.config import load_config
from sagwise_daemon.domain.pack.cautions import cautions
from sagwise_daemon.errors import InputError
from sagwise_daemon.garage import Garage
from sagwise_daemon.io.changes import SETTINGS_FILE
from sagwise_daemon.io.store.examine import Finding, examine, may_write
from sagwise_daemon.io.store.repair import repair
from sagwise_daemon.progress import Progress

STORE_NAME = "rides.sqlite"


def add_arguments(parser: ArgumentParser) -> None:
    """The verb's options."""
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--config", type=Path, metavar="FILE", help="the bike's configuration (TOML)")
    where.add_argument(
        "--data", type=Path, metavar="DIR", help=f"the folder that holds {STORE_NAME}, or the store's file itself"
    )
    parser.add_argument(
        "--repair", action="store_true", help="drop what cannot be read, keep the rest, make levels again"
    )
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(args: Namespace) -> int:
    """Examine, repair if asked to, and print. Raises InputError for unusable input."""
    path, said = _store_of(args), _cautions(args)
    progress = Progress(path.name)
    try:
        found, refused = examine(path, progress.step), _not_writable(path)
    finally:
        progress.done()
    done = repair(path, found) if args.repair and found and refused is None else []
    if refused is not None:
        found.append(refused)
    _tell(path, found, done, said, as_json=args.json)
    return 1 if found else 0


def _store_of(args: Namespace) -> Path:
    if args.config is not None:
        return load_config(args.config).store_path
    data: Path = args.data
    path = data / STORE_NAME if data.is_dir() else data
    if not path.exists():
        raise InputError(f"{path}: there is no such file; give the folder of the store, or its file")
    return path


def _cautions(args: Namespace) -> tuple[str, ...]:
    """Of the fitted pack, with what was changed on the page."""
    if args.config is None:
        return ()
    config = load_config(args.config)
    pack = Garage(config.pack_path, config.store_path.with_name(SETTINGS_FILE), lambda: 0.0).fitted()
    return tuple(f"{pack.name}: {words}" for words in cautions(pack))


def _not_writable(path: Path) -> Finding | None:
    """Found before the daemon finds it."""
    for place in (path, path.parent):
        if not may_write(place):
            return Finding(f"{place} may not be written by this user, so nothing is recorded: change its permissions")
    return None


def _tell(path: Path, found: list[Finding], done: list[str], said: tuple[str, ...], *, as_json: bool) -> None:
    if as_json:
        findings = [asdict(finding) for finding in found]
        document = {"store": str(path), "findings": findings, "done": done, "cautions": list(said)}
        print(json.dumps(document, ensure_ascii=False, allow_nan=False))  # noqa: T201 - the verb's answer
        return
    for finding in found:
        print(f"found: {finding.text}")  # noqa: T201
    for line in done:
        print(f"done: {line}")  # noqa: T201
    for words in said:
        print(f"caution: {words}")  # noqa: T201
    if not found:
        print(f"{path}: nothing is wrong")  # noqa: T201
    elif not done:
        print("nothing was changed; --repair keeps what can be read", file=sys.stderr)  # noqa: T201

"""The import verb: rides from files. Law: each ride is stored whole or not at all, a file once; so the same command,
given again after it was ended, goes on where it was.

An export comes back as it went out, with its estimates, events and summary. A trace alone, and any other CSV through a
mapping, is judged by the live estimator and alarms of today, as `replay` does. What can hardly be a ride of its pack is
stored all the same, and that is said.
"""

from __future__ import annotations

import gzip
import json
import logging
import shutil
import sys
import tempfile
import zlib
from argparse import ArgumentParser, Namespace, RawDescriptionHelpFormatter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from textwrap import indent
from typing import Any

import numpy as np

from sagwise_daemon.config import load_pack
from sagwise_daemon.config.mapping import EXAMPLE, ISO, Mapped, load_mapping
from sagwise_daemon.domain.model import Estimates, Floats, Pack
from sagwise_daemon.domain.ride.kinds import kind_of
from sagwise_daemon.domain.ride.plausible import doubts
from sagwise_daemon.errors import InputError, SagwiseError, StoreError, TraceError
from sagwise_daemon.io.binary_forms import BINARY, as_csv
from sagwise_daemon.io.export import sha256_of
from sagwise_daemon.io.foreign import every_fault, read_foreign
from sagwise_daemon.io.side import Side, read_side
from sagwise_daemon.io.store import Boot
from sagwise_daemon.io.store.adding import Coming, add, already
from sagwise_daemon.io.store.engine import bring_up_to_date, check_place
from sagwise_daemon.io.trace import Trace, read_trace
from sagwise_daemon.progress import Progress
from sagwise_daemon.replay import replay

log = logging.getLogger(__name__)

GZ = ".gz"


def add_arguments(parser: ArgumentParser) -> None:
    """The verb's options."""
    parser.formatter_class = RawDescriptionHelpFormatter
    parser.epilog = "a mapping file:\n\n" + indent(EXAMPLE, "  ")
    parser.add_argument(
        "files", type=Path, nargs="+", metavar="FILE", help="exports of any form, trace CSVs or other CSVs; also .gz"
    )
    parser.add_argument(
        "--store", type=Path, required=True, metavar="PATH", help="the ride store's file; made if missing"
    )
    parser.add_argument("--pack", type=Path, metavar="PACK", help="the pack file (TOML), for files without their own")
    parser.add_argument("--mapping", type=Path, metavar="MAP", help="how other CSVs are to be read (TOML, as below)")
    parser.add_argument(
        "--started",
        metavar="TIME",
        help="when a ride without a date began, as 2026-05-01T10:00:00Z; else the file's own time",
    )
    parser.add_argument("--again", action="store_true", help="also files that were imported before")
    parser.add_argument("--json", action="store_true", help="one JSON document instead of the words")


def run(args: Namespace) -> int:
    """Import every file: 0. Raises InputError at the first that cannot be used; those before it are stored, and a store
    that there was not is made with the first of them."""
    pack = None if args.pack is None else load_pack(args.pack)
    mapped = None if args.mapping is None else load_mapping(args.mapping)
    started = None if args.started is None else _moment(args.started)
    _check(args.store, check_place)
    if args.store.exists():
        _check(args.store, bring_up_to_date)
    told: list[dict[str, Any]] = []
    failed: dict[str, str] | None = None
    try:
        for file in args.files:
            try:
                told.append(take_in(args.store, file, pack, mapped, started, again=args.again))
            except SagwiseError as fault:
                failed = {"file": str(file), "why": str(fault)}
                raise
            if not args.json:
                sys.stdout.write(_words(told[-1]) + "\n")
                sys.stdout.flush()
    finally:
        if args.json:
            _document(told, failed, args.files[len(told) + (failed is not None) :])
    return 0


def _document(told: Sequence[dict[str, Any]], failed: dict[str, str] | None, left: Sequence[Path]) -> None:
    """What became of every file, also where one could not be used or the work was interrupted."""
    document = {"rides": told, "failed": failed, "left": [str(file) for file in left]}
    sys.stdout.write(json.dumps(document, ensure_ascii=False, allow_nan=False) + "\n")


def _check(store: Path, check: Callable[[Path], None]) -> None:
    try:
        check(store)
    except StoreError as fault:
        raise InputError(str(fault)) from fault


def take_in(
    store: Path,
    file: Path,
    pack: Pack | None = None,
    mapped: Mapped | None = None,
    started_unix_s: float | None = None,
    *,
    again: bool = False,
) -> dict[str, Any]:
    """Import one file; its "file", "ride_id", whether it is "new", "rows", "kind" and "doubts". Raises InputError."""
    if not file.is_file():
        raise InputError(f"{file}: no such file; give the path of an export or a CSV")
    progress = Progress(file.name)
    try:
        with _plain(file) as plain:
            digest = sha256_of(plain)
            before = None if again or not store.exists() else already(store, digest)
            if before is not None:
                return {"file": str(file), "ride_id": before, "new": False, "rows": None, "kind": None, "doubts": []}
            coming = _coming(file, plain, digest, pack, mapped, started_unix_s, progress)
        _check(store, bring_up_to_date)
        ride_id = add(store, coming, progress.step)
    finally:
        progress.done()
    return {
        "file": str(file),
        "ride_id": ride_id,
        "new": True,
        "rows": len(coming.readings),
        "kind": coming.kind,
        "doubts": list(doubts(coming.readings, coming.pack)),
    }


def _coming(
    file: Path,
    plain: Path,
    digest: str,
    pack: Pack | None,
    mapped: Mapped | None,
    started_unix_s: float | None,
    progress: Progress,
) -> Coming:
    beside = side_of(file)
    if mapped is None and beside.is_file():
        return _exported(plain, digest, read_side(beside), pack)
    if pack is None:
        raise InputError(
            f"{file}: there is no {beside.name} beside it that says which pack it was; name one with --pack"
        )
    if mapped is None:
        trace = _own(plain, pack.series)
    else:
        trace = read_foreign(plain, mapped, pack.series, progress.step)
        if started_unix_s is None and mapped.time.unit == ISO:
            return _bare(trace, pack, digest, float(trace.time_s[0]), trusted=True)
    trusted = started_unix_s is not None
    if started_unix_s is None:
        started_unix_s = file.stat().st_mtime - float(trace.time_s[-1] - trace.time_s[0])
    return _bare(trace, pack, digest, started_unix_s, trusted=trusted)


def side_of(file: Path) -> Path:
    """Where an export of that name has its side file."""
    name = file.name.removesuffix(GZ)
    return file.with_name(name).with_suffix(".json")


def _own(plain: Path, series: int | None) -> Trace:
    try:
        return read_trace(plain, series)
    except TraceError as first:
        raise every_fault(plain, first) from None


def _exported(plain: Path, digest: str, side: Side, pack: Pack | None) -> Coming:
    """An export as it went out; where its trace was changed since, with figures worked out anew."""
    trace = _from_zero(_own(plain, side.pack.series))
    whole = side.sha256 == digest
    if not whole:
        log.warning(
            "%s is not the trace that its side file was written for; its figures are worked out anew", plain.name
        )
    row = side.ride
    return Coming(
        pack=side.pack if pack is None else _same_series(pack, side.pack, plain),
        kind=str(row["kind"]) if "kind" in row else kind_of(trace.readings(), side.pack.capacity_ah),
        started_unix_s=float(row["started_unix_s"]),
        started_trusted=bool(row["started_trusted"]),
        ended_by=str(row.get("ended_by") or "import"),
        readings=trace.readings(),
        boots=side.boots or _only_boot(float(row["started_unix_s"]), trusted=bool(row["started_trusted"])),
        estimates=side.estimates,
        events=side.events,
        origin=digest,
        gaps=side.gaps,
        name=row.get("name"),
        note=row.get("note", ""),
        figures=row if whole else {},
        summary=side.summary if whole and pack is None else None,
    )


def _same_series(pack: Pack, then: Pack, file: Path) -> Pack:
    if pack.series != then.series:
        raise InputError(
            f"{file.name}: was ridden with {then.series} groups, --pack has {pack.series}; choose the right one"
        )
    return pack


def _bare(trace: Trace, pack: Pack, digest: str, started_unix_s: float, *, trusted: bool) -> Coming:
    """A trace without a side file: what the bike would have estimated and told."""
    trace = _from_zero(trace)
    kept = _OnceASecond()
    result = replay(trace, pack, kept)
    events = tuple((event.time_s, started_unix_s + event.time_s, event) for event in result.events)
    return Coming(
        pack=pack,
        kind=kind_of(trace.readings(), pack.capacity_ah),
        started_unix_s=started_unix_s,
        started_trusted=trusted,
        ended_by="import",
        readings=trace.readings(),
        boots=_only_boot(started_unix_s, trusted=trusted),
        estimates=kept.estimates(),
        events=events,
        origin=digest,
    )


def _only_boot(started_unix_s: float, *, trusted: bool) -> tuple[Boot, ...]:
    return (Boot(1, 0, 0, started_unix_s, trusted),)


def _from_zero(trace: Trace) -> Trace:
    return replace(trace, time_s=trace.time_s - trace.time_s[0])


class _OnceASecond:
    """The first estimate of every second, as the store keeps them."""

    def __init__(self) -> None:
        self._second = -np.inf
        self._parts: list[list[Floats]] = []

    def __call__(self, estimates: Estimates) -> None:
        seconds = np.floor(estimates.time_s)
        first = np.flatnonzero(np.diff(seconds, prepend=self._second) > 0)
        self._second = float(seconds[-1])
        if len(first):
            self._parts.append([getattr(estimates, name)[first] for name in _NAMES])

    def estimates(self) -> Estimates | None:
        """All that was kept."""
        if not self._parts:
            return None
        return Estimates(*(np.concatenate(columns) for columns in zip(*self._parts, strict=True)))


_NAMES = ("time_s", "rest_v", "rest_sigma_v", "ocv_v", "resistance_mohm", "resistance_25c_mohm", "soc", "unknown")


@contextmanager
def _plain(file: Path) -> Iterator[Path]:
    """The file as text; what is wrong with that is said of the file itself."""
    if file.suffix not in (GZ, *BINARY):
        yield file
        return
    with tempfile.TemporaryDirectory(prefix="sagwise-import-") as folder:
        plain = Path(folder) / file.name.removesuffix(GZ)
        if file.suffix == GZ:
            _unzip(file, plain)
        else:
            as_csv(file, plain)
        try:
            yield plain
        except TraceError as fault:
            raise TraceError(str(fault).replace(str(plain), str(file))) from None


def _unzip(file: Path, plain: Path) -> None:
    try:
        with gzip.open(file) as source, plain.open("wb") as out:
            shutil.copyfileobj(source, out, 1 << 20)
    except (OSError, EOFError, zlib.error) as fault:
        raise InputError(f"{file}: cannot be read ({fault}); give a whole file") from None


def _moment(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(f"--started: {text!r} is no date and time; write it like 2026-05-01T10:00:00Z") from None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _words(told: dict[str, Any]) -> str:
    if not told["new"]:
        return f"{told['file']}: imported before as ride {told['ride_id']}"
    said = [f"{told['file']}: {told['kind']} {told['ride_id']}, {told['rows']} rows"]
    said += [f"  doubtful: {doubt}" for doubt in told["doubts"]]
    if told["doubts"]:
        said.append(f"  if so, take it out with `rides {told['ride_id']} --delete` and import it anew with --again")
    return "\n".join(said)

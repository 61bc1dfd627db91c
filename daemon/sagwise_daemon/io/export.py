"""A stored ride as files. Law: the trace holds what the wire said, to its resolution; the side file (`side`) the rest.

The other forms carry the same columns to other programs and come back as the CSV does (`binary_forms`). Parquet is
written by a process of its own, so that its library is never in this one.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import shutil
import tempfile
from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np

from sagwise_daemon.domain.model import Floats, Readings
from sagwise_daemon.domain.ports import Ride
from sagwise_daemon.errors import InputError, StoreError
from sagwise_daemon.io.parquet import convert
from sagwise_daemon.io.side import side_document
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.engine import reader_engine
from sagwise_daemon.io.store.history import History
from sagwise_daemon.io.trace import Step, Trace, replacing, write_trace
from sagwise_daemon.progress import Progress

T = TypeVar("T")
FORMATS = ("csv", "csv.gz", "npz", "parquet")


def add_arguments(parser: ArgumentParser) -> None:
    """The verb's options."""
    parser.add_argument("ride", type=int, metavar="RIDE", help="number of the ride")
    parser.add_argument("--store", type=Path, required=True, metavar="PATH", help="the ride store's file")
    parser.add_argument(
        "--out",
        type=Path,
        default=Path(),
        metavar="DIR",
        help="folder to write to, or a file name ending in ." + ", .".join(FORMATS),
    )
    parser.add_argument("--format", choices=FORMATS, help="what to write; by default as --out ends, or csv")
    parser.add_argument(
        "--report", type=Path, metavar="OUT.html", help="write one HTML page instead, to be read anywhere"
    )


def run(args: Namespace) -> int:
    """Export one ride and print the files written. Raises InputError, one clear line, for unusable input."""
    if not args.store.is_file():
        raise InputError(f"{args.store}: no such file; give the path of the ride store")
    try:
        store = Store.open(args.store)
    except StoreError as fault:
        raise InputError(str(fault)) from fault
    progress = Progress(f"ride {args.ride}")
    try:
        with store:
            if args.report is not None:
                written = [export_report(store, args.ride, args.report)]
            else:
                written = export_ride(store, args.ride, args.out, args.format, progress.step)
    finally:
        progress.done()
    for path in written:
        print(path)  # noqa: T201 - the verb's answer
    return 0


def export_ride(
    store: Store, ride_id: int, folder_or_file: Path, form: str | None = None, step: Step = lambda done, of: None
) -> list[Path]:
    """Write a ride as a trace and its side file; returns their paths. step: told how many rows are done of how many.

    folder_or_file: an existing folder (the files are then `ride-ID.csv`, `ride-ID.json`), or a name ending in one of
    `FORMATS`. Raises InputError for a ride that there is not or that has no sample, and for a folder that there is not;
    StoreError when the store cannot be read.
    """
    file, form = _target(folder_or_file, ride_id, form)
    try:
        ride = store.rides.ride(ride_id)
    except KeyError:
        raise InputError(f"{store.path}: there is no ride {ride_id}; it has {_known(store)}") from None
    readings = store.rides.readings(ride_id)
    if readings is None:
        raise InputError(f"{store.path}: ride {ride_id} {_why_nothing(ride)}, so there is nothing to export")
    side = file.with_name(file.name.removesuffix(f".{form}") + ".json")
    try:
        digest = _write(file, trace_of(readings), form, step)
        document = side_document(store.rides, ride, digest, len(readings), _summary(store, ride_id))
        with replacing(side) as out:
            json.dump(document, out, ensure_ascii=False, allow_nan=False)
            out.write("\n")
    except OSError as fault:
        raise InputError(f"{file}: cannot be written ({fault.strerror}); name another folder") from fault
    return [file, side]


def _why_nothing(ride: Ride) -> str:
    return "was thinned to make room and has no samples at full rate any more" if ride.thinned else "has no samples"


def export_report(store: Store, ride_id: int, file: Path) -> Path:
    """Write a ride as one HTML page. Raises as `export_ride`."""
    from sagwise_daemon.io.report import report

    try:
        page = _with_history(store, lambda history: report(history, ride_id))
    except KeyError:
        raise InputError(f"{store.path}: there is no ride {ride_id}; it has {_known(store)}") from None
    except ValueError as fault:
        raise InputError(f"{store.path}: {fault}") from None
    try:
        with replacing(file) as out:
            out.write(page)
    except OSError as fault:
        raise InputError(f"{file}: cannot be written ({fault.strerror}); name another --report") from fault
    return file


def _summary(store: Store, ride_id: int) -> dict[str, object] | None:
    return _with_history(store, lambda history: history.summary(ride_id))


def _with_history(store: Store, work: Callable[[History], T]) -> T:
    engine = reader_engine(store.path)
    history = History(engine, store.path)
    try:
        return work(history)
    finally:
        history.close()
        engine.dispose()


def trace_of(readings: Readings) -> Trace:
    """Stored samples as a trace; current and distance are left out where the ride has none at all."""
    return Trace(
        time_s=readings.time_s,
        group_v=readings.group_v,
        current_a=_if_any(readings.current_a),
        temperature_c=readings.temperature_c,
        distance_m=_if_any(readings.distance_m),
    )


def sha256_of(file: Path) -> str:
    """Of a file's bytes. Raises InputError."""
    digest = hashlib.sha256()
    try:
        with file.open("rb") as source:
            while block := source.read(1 << 20):
                digest.update(block)
    except OSError as fault:
        raise InputError(f"{file}: cannot be read ({fault}); give a whole file") from None
    return digest.hexdigest()


def _write(file: Path, trace: Trace, form: str, step: Step) -> str:
    """The trace in that form; the SHA-256 of its CSV, whatever the form."""
    if form == "csv":
        write_trace(file, trace, step)
        return sha256_of(file)
    with tempfile.TemporaryDirectory(prefix="sagwise-export-") as folder:
        plain, made = Path(folder) / "trace.csv", Path(folder) / f"made.{form}"
        write_trace(plain, trace, step)
        if form == "csv.gz":
            with plain.open("rb") as source, gzip.GzipFile(made, "wb", mtime=0) as out:
                shutil.copyfileobj(source, out, 1 << 20)
        else:
            arrays = Path(folder) / "arrays.npz"
            np.savez_compressed(arrays, **cast(dict[str, Any], columns_of(trace)))
            made = arrays if form == "npz" else _parquet(arrays, made)
        part = file.with_name(f".{file.name}.part")
        shutil.copyfile(made, part)
        part.replace(file)
        return sha256_of(plain)


def columns_of(trace: Trace) -> dict[str, Floats]:
    """The trace's columns by their names in the CSV."""
    found = {"time_s": trace.time_s}
    found |= {f"group_{number:02d}_v": column for number, column in enumerate(trace.group_v.T, 1)}
    if trace.current_a is not None:
        found["current_a"] = trace.current_a
    found |= {f"temperature_{number}_c": column for number, column in enumerate(trace.temperature_c.T, 1)}
    if trace.distance_m is not None:
        found["distance_m"] = trace.distance_m
    return found


def _parquet(arrays: Path, made: Path) -> Path:
    reason = convert(arrays, made)
    if reason is not None:
        raise InputError(f"--format parquet: {reason}")
    return made


def _if_any(values: Floats) -> Floats | None:
    return None if np.isnan(values).all() else values


def _known(store: Store) -> str:
    numbers = [ride.ride_id for ride in store.rides.rides(limit=1_000_000)]
    return f"rides {min(numbers)} to {max(numbers)}" if numbers else "no rides at all"


def _target(folder_or_file: Path, ride_id: int, form: str | None) -> tuple[Path, str]:
    """The file to write and its form."""
    name = folder_or_file.name.lower()
    ending = next((one for one in sorted(FORMATS, key=len, reverse=True) if name.endswith(f".{one}")), None)
    if ending is None or folder_or_file.is_dir():
        form = form or "csv"
        file = folder_or_file / f"ride-{ride_id}.{form}"
    else:
        if form not in (None, ending):
            raise InputError(f"--out: {folder_or_file} ends in .{ending}, --format says {form}; leave one of them out")
        file, form = folder_or_file, ending
    if not file.parent.is_dir():
        endings = "" if ending else f"; a file's name would end in .{', .'.join(FORMATS)}"
        raise InputError(f"{file.parent}: no such folder; create it or name another{endings}")
    return file, form

"""A stored ride as files. Law: the trace holds what the wire said, to its resolution; the side file the rest.

The side file `NAME.json`: `format` 1; `ride` (the stored row, and its start as ISO 8601); `pack` as ridden; `boots`
of the board with their wall time and whether it was trusted; `gaps`; `events`, oldest first; `notes`. Times with
`_s` count from the ride's first sample, as the trace's do; what is unknown is null.
"""

from __future__ import annotations

import json
from argparse import ArgumentParser, Namespace
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.ports import Ride, StoredEvent
from sagwise_daemon.errors import InputError, StoreError
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.columns import CURRENT, DISTANCE, GROUP, TEMPERATURE, Table
from sagwise_daemon.io.trace import Trace, replacing, write_trace

FORMAT = 1


def add_arguments(parser: ArgumentParser) -> None:
    """The verb's options."""
    parser.add_argument("ride", type=int, metavar="RIDE", help="number of the ride")
    parser.add_argument("--store", type=Path, required=True, metavar="PATH", help="the ride store's file")
    parser.add_argument(
        "--out", type=Path, default=Path(), metavar="DIR", help="folder to write to, or a file name ending in .csv"
    )


def run(args: Namespace) -> int:
    """Export one ride and print the files written. Raises InputError, one clear line, for unusable input."""
    if not args.store.is_file():
        raise InputError(f"{args.store}: no such file; give the path of the ride store")
    try:
        store = Store.open(args.store)
    except StoreError as fault:
        raise InputError(str(fault)) from fault
    with store:
        for path in export_ride(store, args.ride, args.out):
            print(path)  # noqa: T201 - the verb's answer
    return 0


def export_ride(store: Store, ride_id: int, folder_or_file: Path) -> list[Path]:
    """Write a ride as trace CSV and its side file; returns their paths.

    folder_or_file: an existing folder (the files are then `ride-ID.csv`, `ride-ID.json`), or a name ending in .csv.
    Raises InputError for a ride that there is not or that has no sample, and for a folder that there is not;
    StoreError when the store cannot be read.
    """
    try:
        ride = store.rides.ride(ride_id)
    except KeyError:
        raise InputError(f"{store.path}: there is no ride {ride_id}; it has {_known(store)}") from None
    file = _target(folder_or_file, ride_id)
    samples = store.rides.samples(ride_id)
    if samples is None:
        raise InputError(f"{store.path}: ride {ride_id} has no samples, so there is nothing to export")
    side = file.with_suffix(".json")
    try:
        write_trace(file, trace_of(samples))
        with replacing(side) as out:
            json.dump(_document(store, ride), out, indent=1, ensure_ascii=False, allow_nan=False)
            out.write("\n")
    except OSError as fault:
        raise InputError(f"{file}: cannot be written ({fault.strerror}); name another folder") from fault
    return [file, side]


def trace_of(samples: Table) -> Trace:
    """Stored samples as a trace; current and distance are left out where the ride has none at all."""
    return Trace(
        time_s=samples.time_us / 1e6,
        group_v=samples.floats(GROUP).T,
        current_a=_single(samples, CURRENT),
        temperature_c=samples.floats(TEMPERATURE).T,
        distance_m=_single(samples, DISTANCE),
    )


def _single(samples: Table, block: int) -> Floats | None:
    return samples.floats(block)[0] if samples.block(block).valid.any() else None


def _known(store: Store) -> str:
    numbers = [ride.ride_id for ride in store.rides.rides(limit=1_000_000)]
    return f"rides {min(numbers)} to {max(numbers)}" if numbers else "no rides at all"


def _target(folder_or_file: Path, ride_id: int) -> Path:
    single = folder_or_file.suffix.lower() == ".csv" and not folder_or_file.is_dir()
    file = folder_or_file if single else folder_or_file / f"ride-{ride_id}.csv"
    if not file.parent.is_dir():
        raise InputError(f"{file.parent}: no such folder; create it or name another")
    return file


def _document(store: Store, ride: Ride) -> dict[str, Any]:
    events = store.rides.events(ride.ride_id, limit=store.rides.event_count(ride.ride_id))
    return {
        "format": FORMAT,
        "ride": {**asdict(ride), "started": _iso(ride.started_unix_s)},
        "pack": store.rides.pack(ride.ride_id),
        "boots": [
            {
                "boot_id": boot.boot_id,
                "first_time_s": boot.first_time_us / 1e6,
                "uptime_us": boot.uptime_us,
                "unix_s": boot.unix_s,
                "trusted": boot.trusted,
            }
            for boot in store.rides.boots(ride.ride_id)
        ],
        "gaps": [
            {
                "cause": gap.cause,
                "first_time_s": gap.first_time_us / 1e6,
                "last_time_s": gap.last_time_us / 1e6,
                "samples": gap.samples,
            }
            for gap in store.rides.gaps(ride.ride_id)
        ],
        "events": [_event(stored) for stored in reversed(events)],
        "notes": [],
    }


def _event(stored: StoredEvent) -> dict[str, Any]:
    event = asdict(stored.event)
    del event["time_s"]  # the core's clock of that day means nothing to a reader
    return {"event_id": stored.event_id, "time_s": stored.ride_s, "unix_s": stored.unix_s, **event}


def _iso(unix_s: float) -> str | None:
    try:
        return datetime.fromtimestamp(unix_s, UTC).isoformat()
    except (ValueError, OverflowError, OSError):
        return None

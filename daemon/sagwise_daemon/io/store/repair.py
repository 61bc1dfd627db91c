"""Makes a damaged store whole again. Law: what can still be read is kept, what cannot is named, and the damaged file
itself stays beside the new one.

Rows that cannot be used are dropped and leave a gap of the cause "damaged"; levels and overviews are made again. Where
the file itself is damaged every row that SQLite can still reach is copied into a new one.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine, delete, insert, select, update
from sqlalchemy import Table as SqlTable

from sagwise_daemon.errors import InputError, StoreError
from sagwise_daemon.io.store.codec import CodecError
from sagwise_daemon.io.store.columns import GROUP, SAMPLES, Table, from_bytes
from sagwise_daemon.io.store.engine import bring_up_to_date, reader_engine, writer_engine
from sagwise_daemon.io.store.examine import Finding, examine
from sagwise_daemon.io.store.folding import chunk_row
from sagwise_daemon.io.store.housework import forget_levels, make_overview
from sagwise_daemon.io.store.known_packs import lost as lost_pack
from sagwise_daemon.io.store.rides import StoredRides
from sagwise_daemon.io.store.table_list import readable
from sagwise_daemon.io.store.tables import boots, chunks, counters, events, gaps, metadata, packs, pieces, rides

DAMAGED = "damaged"
NO_PACK = "{}"
MISSES = 100_000  # so many numbers without a row in turn, and no more are looked for
LONGEST_TIMES = 100  # a header that says more than that of its file is damaged itself
KEYS = {"chunks": chunks.c.chunk_id, "pieces": pieces.c.piece_id}


def repair(path: Path, found: list[Finding]) -> list[str]:
    """Put right what was found; returns what was done. Raises InputError while another program has the store open,
    StoreError where nothing can be read at all.
    """
    _refuse_if_open(path)
    done: list[str] = []
    if any(finding.file for finding in found):
        done += _salvage(path)
        found = examine(path)
    else:
        bring_up_to_date(path)
    writer, readers = writer_engine(path), reader_engine(path)
    try:
        with writer.begin() as connection:
            done += _drop_rows(connection, found)
            done += _lose_packs(connection, found)
        uncounted = [finding for finding in examine(path) if finding.lost]  # what damaged rows had hidden
        with writer.begin() as connection:
            done += _drop_rows(connection, uncounted)
        done += _levels_again(writer, StoredRides(readers), found)
    finally:
        readers.dispose()
        writer.dispose()
    return done


def _refuse_if_open(path: Path) -> None:
    with closing(sqlite3.connect(path, timeout=1.0, isolation_level=None)) as connection:
        try:
            connection.execute("PRAGMA locking_mode=EXCLUSIVE")
            connection.execute("BEGIN EXCLUSIVE")
            connection.execute("ROLLBACK")
        except sqlite3.OperationalError as fault:
            if "locked" in str(fault):
                raise InputError(f"{path}: another program has the store open; stop the daemon first") from fault
        except sqlite3.DatabaseError:
            return  # damaged: that is what we are here for


def _drop_rows(connection: Connection, found: Iterable[Finding]) -> Iterator[str]:
    for finding in found:
        if finding.where is not None:
            place, row_id = finding.where
            table, key = metadata.tables[place], KEYS[place]
            row = connection.execute(select(table).where(key == row_id)).one()
            if (whole := _decoded(row.blob)) is not None:  # its checksums vouch for it, not for the row
                connection.execute(update(table).where(key == row_id).values(chunk_row(row.ride_id, whole)))
                yield f"put right what {place[:-1]} {row_id} of ride {finding.ride_id} says of its content"
                continue
            if row.kind == SAMPLES:
                _add_gap(connection, row.ride_id, row.first_time_us, row.last_time_us, row.samples)
            connection.execute(delete(table).where(key == row_id))
            yield f"dropped {place[:-1]} {row_id} of ride {finding.ride_id}"
        elif finding.lost > 0 and finding.ride_id is not None:
            _add_gap(connection, finding.ride_id, 0, 0, finding.lost)
            yield f"noted that {finding.lost} samples of ride {finding.ride_id} are gone"
        elif finding.lost < 0:
            counted = rides.c.samples - finding.lost
            connection.execute(update(rides).where(rides.c.ride_id == finding.ride_id).values(samples=counted))
            yield f"counted the samples of ride {finding.ride_id} again"


def _lose_packs(connection: Connection, found: Iterable[Finding]) -> Iterator[str]:
    """A pack whose facts are damaged keeps its name and its groups, and its rides wait for another."""
    for finding in found:
        if finding.pack_id is not None:
            mine = packs.c.pack_id == finding.pack_id
            connection.execute(update(packs).where(mine).values(digest=f"lost-{finding.pack_id}", snapshot=NO_PACK))
            of_it = select(rides.c.ride_id).where(rides.c.pack_id == finding.pack_id).order_by(rides.c.ride_id)
            yield from map(lost_pack, connection.execute(of_it).scalars())


def _decoded(blob: bytes) -> Table | None:
    try:
        return from_bytes(blob)
    except (CodecError, TypeError):
        return None


def _add_gap(connection: Connection, ride_id: int, first_us: int, last_us: int, samples: int) -> None:
    row = {"cause": DAMAGED, "first_time_us": first_us, "last_time_us": last_us, "samples": samples}
    connection.execute(insert(gaps).values(ride_id=ride_id, **row))


def _levels_again(writer: Engine, stored: StoredRides, found: Iterable[Finding]) -> Iterator[str]:
    """A thinned ride keeps the levels that it has: there is nothing to make them from."""
    for ride_id in sorted({f.ride_id for f in found if f.levels and f.ride_id is not None}):
        ride = stored.ride(ride_id)
        if ride.ended_by is None and not ride.samples:
            continue
        with writer.begin() as connection:
            if not ride.thinned:
                forget_levels(connection, ride_id)
        for _ in make_overview(writer, stored, ride_id):
            pass
        yield f"made the {'overview' if ride.thinned else 'levels'} of ride {ride_id} again"


def _salvage(path: Path) -> list[str]:
    """Copy everything that can be reached into a new file in the old one's place."""
    fresh = path.with_name(path.name + ".new")
    for leftover in (fresh, Path(f"{fresh}-wal"), Path(f"{fresh}-shm")):
        leftover.unlink(missing_ok=True)
    bring_up_to_date(fresh)
    lost, kept = 0, 0
    with (
        _as_long_as_it_says(path),
        readable(path, fresh) as (source, listed),
        closing(sqlite3.connect(source)) as old,
        closing(sqlite3.connect(fresh)) as new,
    ):
        new.execute("DELETE FROM counters")
        for table in metadata.sorted_tables:
            got, gone = _copy(old, new, table)
            kept, lost = kept + got, lost + gone
        new.commit()
    if not kept:
        fresh.unlink()
        raise StoreError(
            f"{path}: not one row can be read, and the file is left as it is; keep it under another name "
            f"(mv {path.name} {path.name}.damaged), and sagwise begins a new store when it is started"
        )
    engine = writer_engine(fresh)
    with engine.begin() as connection:
        packless = _join_up(connection)
    engine.dispose()
    again = ["made the damaged list of tables again"] if listed else []
    return [*again, _take_its_place(path, fresh, kept, lost), *map(lost_pack, packless)]


@contextmanager
def _as_long_as_it_says(path: Path) -> Iterator[None]:
    """SQLite reads nothing of a file that was cut short; made as long as its header says, it reads all but the end."""
    with path.open("rb") as file:
        head = file.read(32)
    size, page = path.stat().st_size, int.from_bytes(head[16:18], "big")
    told = page * int.from_bytes(head[28:32], "big")
    cut = head.startswith(b"SQLite format 3\0") and size < told <= LONGEST_TIMES * size
    if cut:
        os.truncate(path, told)
    try:
        yield
    finally:
        if cut:
            os.truncate(path, size)


def _take_its_place(path: Path, fresh: Path, kept: int, lost: int) -> str:
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    path.rename(aside)
    for end in ("-wal", "-shm"):
        if Path(f"{path}{end}").exists():
            Path(f"{path}{end}").rename(f"{aside}{end}")
    fresh.replace(path)
    return f"copied {kept} rows into a new file, at least {lost} could not be read; the damaged file is {aside.name}"


def _copy(old: sqlite3.Connection, new: sqlite3.Connection, table: SqlTable) -> tuple[int, int]:
    """Row by row, so that one that is damaged costs no other. Returns how many were copied, and how many at least
    were not: where nobody can say which row is the last, those before one that was."""
    try:
        there = {row[1] for row in old.execute(f"PRAGMA table_info({table.name})").fetchall()}
    except sqlite3.Error:
        return 0, 0
    names = [column.name for column in table.columns if column.name in there]
    if not names:
        return 0, 0
    listed, marks = ", ".join(f'"{name}"' for name in names), ", ".join("?" * len(names))
    put = f"INSERT OR IGNORE INTO {table.name} ({listed}) VALUES ({marks})"  # noqa: S608 - our own names
    get = f"SELECT {listed} FROM {table.name} WHERE rowid = ?"  # noqa: S608
    got = lost = doubtful = misses = number = 0
    last = _last_row(old, table.name)
    while misses < MISSES and (last is None or number < last):
        number += 1
        try:
            row = old.execute(get, (number,)).fetchone()
            if row is None:
                misses += 1
                continue
            got, lost = got + new.execute(put, row).rowcount, lost + doubtful
            misses = doubtful = 0
        except sqlite3.Error:
            doubtful, misses = doubtful + 1, misses + (last is None)
    return got, lost + (doubtful if last is not None else 0)


def _last_row(old: sqlite3.Connection, name: str) -> int | None:
    try:
        found = old.execute(f"SELECT max(rowid) FROM {name}").fetchone()[0]  # noqa: S608
    except sqlite3.Error:
        return None
    return 0 if found is None else int(found)


def _groups_of(connection: Connection, pack_id: int) -> int:
    """How many groups the samples of a lost pack's rides have, so that they can be seen and another pack be named; 0
    where none can be read."""
    for table in (chunks, pieces):
        query = select(table.c.blob).join(rides, rides.c.ride_id == table.c.ride_id)
        for blob in connection.execute(query.where(rides.c.pack_id == pack_id, table.c.kind == SAMPLES)).scalars():
            try:
                return int(from_bytes(blob).block(GROUP).values.shape[0])
            except CodecError:
                continue
    return 0


def _join_up(connection: Connection) -> list[int]:
    """Rows whose ride is gone go as well; a ride whose pack is gone keeps going under a pack without a name. Those
    rides.
    """
    known = select(rides.c.ride_id)
    for table in metadata.sorted_tables:
        if table is not rides and "ride_id" in table.c:
            if table is events:
                connection.execute(update(events).where(events.c.ride_id.not_in(known)).values(ride_id=None))
            else:
                connection.execute(delete(table).where(table.c.ride_id.not_in(known)))
    gone = rides.c.pack_id.not_in(select(packs.c.pack_id))
    packless = connection.execute(select(rides.c.ride_id).where(gone).order_by(rides.c.ride_id)).scalars().all()
    for pack_id in connection.execute(select(rides.c.pack_id).where(gone).distinct()).scalars().all():
        row = {"pack_id": pack_id, "digest": f"lost-{pack_id}", "name": "unknown", "snapshot": NO_PACK}
        connection.execute(insert(packs).values(series=_groups_of(connection, pack_id), **row))
    without = rides.c.ride_id.not_in(select(boots.c.ride_id))
    for ride_id in connection.execute(select(rides.c.ride_id).where(without)).scalars().all():
        row = {"first_time_us": 0, "uptime_us": 0, "unix_s": 0.0, "trusted": False, "monotonic_s": 0.0, "host_boot": ""}
        connection.execute(insert(boots).values(ride_id=ride_id, boot_id=0, **row))
    for name, column in (("ride", rides.c.ride_id), ("event", events.c.event_id)):
        newest = connection.execute(select(column).order_by(column.desc()).limit(1)).scalar() or 0
        current = connection.execute(select(counters.c.next_id).where(counters.c.name == name)).scalar() or 0
        connection.execute(delete(counters).where(counters.c.name == name))
        connection.execute(insert(counters).values(name=name, next_id=max(current, newest + 1)))
    return list(packless)

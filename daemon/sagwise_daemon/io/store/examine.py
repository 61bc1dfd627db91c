"""Whether a store is whole. Law: looking changes nothing, and every finding says which ride, when and what.

The file as such is SQLite's to judge; what lies in it is ours: every chunk is decoded (its checksums with it) and held
against its row, levels against what they were made from, and rides against the number of samples they should have.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sagwise_daemon.domain.chart import pick_channels
from sagwise_daemon.errors import InputError
from sagwise_daemon.io.store.codec import Bools, CodecError
from sagwise_daemon.io.store.columns import (
    COARSE,
    COARSE_ESTIMATES,
    ESTIMATES,
    FINE,
    SAMPLES,
    SPAN_US,
    Table,
    from_bytes,
    join,
)
from sagwise_daemon.io.store.levels import ABOVE, extremes, merged
from sagwise_daemon.io.store.tables import REVISIONS

WORDS = {
    SAMPLES: "samples",
    ESTIMATES: "estimates",
    FINE: "extremes of 2 s",
    COARSE: "extremes of 16 s",
    COARSE_ESTIMATES: "extremes of the estimates",
}
LINES_OF_SQLITE = 20
LEVELS_SINCE = REVISIONS.index("0003")

Step = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong.

    file: the file itself is damaged. where: table and key of a row that cannot be used. levels: those of the ride, or
    its overview, have to be made again. lost: samples that are gone without a trace. pack_id: a pack whose facts are
    damaged.
    """

    text: str
    ride_id: int | None = None
    file: bool = False
    where: tuple[str, int] | None = None
    levels: bool = False
    lost: int = 0
    pack_id: int | None = None


@dataclass(frozen=True, slots=True)
class Held:
    """A row of `chunks` or `pieces`."""

    place: str
    row_id: int
    kind: int
    first_us: int
    last_us: int
    samples: int
    blob: bytes


def examine(path: Path, step: Step = lambda done, of: None) -> list[Finding]:
    """Everything that is wrong with the store at `path`; empty when it is whole. step: told how many rides are done of
    how many.

    Raises InputError where there is no file, or one that a newer program wrote.
    """
    if not path.is_file():
        raise InputError(f"{path}: there is no such file; give the path of the ride store")
    if not path.stat().st_size:
        return [Finding("the file is empty: there is no ride in it", file=True)]
    try:
        with closing(open_to_read(path)) as connection:
            (revision,) = connection.execute("SELECT version_num FROM alembic_version").fetchone() or (None,)
            if revision not in REVISIONS:
                raise InputError(f"{path}: schema revision {revision} is of a newer sagwise; examine it with that one")
            return _findings(connection, REVISIONS.index(revision) >= LEVELS_SINCE, step)
    except sqlite3.Error as fault:
        return [Finding(f"the file cannot be read as a ride store: {fault}", file=True)]


def may_write(place: Path) -> bool:
    """Whether this user may change a file or folder."""
    return os.access(place, os.W_OK, effective_ids=os.access in os.supports_effective_ids)


def open_to_read(path: Path) -> sqlite3.Connection:
    """A connection that can change nothing. SQLite wants to make a file beside the store; where this user may not, and
    no log of a writer lies there, the store is read as one that nobody changes.
    """
    wanted = path.resolve().as_uri() + "?mode=ro"
    log = Path(f"{path}-wal")
    alone = not may_write(path.parent) and not (log.exists() and log.stat().st_size)
    return sqlite3.connect(wanted + ("&immutable=1" if alone else ""), uri=True)


def _findings(connection: sqlite3.Connection, new: bool, step: Step) -> list[Finding]:
    found = [*_of_the_file(connection), *_of_the_packs(connection)]
    try:
        numbers = [int(row[0]) for row in connection.execute("SELECT ride_id FROM rides ORDER BY ride_id").fetchall()]
    except sqlite3.Error as fault:
        return [*found, Finding(f"the list of rides cannot be read: {fault}", file=True)]
    for number, ride_id in enumerate(numbers):
        step(number, len(numbers))
        try:
            found += _Ride(connection, ride_id, new).findings()
        except (sqlite3.Error, TypeError, OverflowError) as fault:
            found.append(Finding(f"ride {ride_id} cannot be read: {fault}", ride_id, file=True))
    return found


def _of_the_file(connection: sqlite3.Connection) -> Iterator[Finding]:
    """What SQLite itself finds."""
    try:
        for (line,) in connection.execute(f"PRAGMA integrity_check({LINES_OF_SQLITE})").fetchall():
            if line != "ok":
                yield Finding(f"the file is damaged: {' '.join(str(line).split())}", file=True)
        for table, row_id, parent, _ in connection.execute("PRAGMA foreign_key_check").fetchmany(LINES_OF_SQLITE):
            yield Finding(f"row {row_id} of {table} belongs to a row of {parent} that is gone", file=True)
    except sqlite3.Error as fault:
        yield Finding(f"the file is damaged: {fault}", file=True)


def _of_the_packs(connection: sqlite3.Connection) -> Iterator[Finding]:
    """Packs as they were ridden, each held against its digest; those that were lost before are not named again."""
    query = "SELECT pack_id, name, digest, CAST(snapshot AS BLOB) FROM packs WHERE digest NOT LIKE 'lost-%'"
    try:
        for pack_id, name, digest, facts in connection.execute(query).fetchall():
            if hashlib.sha256(facts).hexdigest() != digest:
                yield Finding(f"pack {name!r} (pack {pack_id}): its facts are not what they were", pack_id=pack_id)
    except (sqlite3.Error, TypeError) as fault:
        yield Finding(f"the packs cannot be read: {fault}", file=True)


class _Ride:
    """Examines one ride. new: whether the schema is one with levels."""

    def __init__(self, connection: sqlite3.Connection, ride_id: int, new: bool) -> None:
        self._connection, self._ride_id, self._new = connection, ride_id, new
        more = "levels, thinned" if new else "0, 0"
        query = f"SELECT samples, {more} FROM rides WHERE ride_id = ?"  # noqa: S608 - our own words
        self._counted, self._has_levels, self._thinned = connection.execute(query, (ride_id,)).fetchone()
        self._whole: dict[tuple[str, int], list[Table]] = {}
        self._broken: dict[int, list[tuple[int, int]]] = {}
        gone = "SELECT first_time_us, last_time_us FROM gaps WHERE ride_id = ? AND cause = 'damaged'"
        self._gone: list[tuple[int, int]] = connection.execute(gone, (ride_id,)).fetchall()

    def findings(self) -> list[Finding]:
        found = [self._chunk_finding(held, reason) for held in self._held() if (reason := self._fault_of(held))]
        found += self._missing_samples()
        if self._has_levels:
            found += self._levels()
        if self._new:
            found += self._overview()
        return found

    def _held(self) -> Iterator[Held]:
        """Every row of the ride, the key first, so that one that cannot be read hides no other."""
        for place, key in (("chunks", "chunk_id"), ("pieces", "piece_id"))[: 2 if self._new else 1]:
            mine = f"SELECT {key} FROM {place} WHERE ride_id = ? ORDER BY kind, first_time_us, {key}"  # noqa: S608
            whole = f"SELECT kind, first_time_us, last_time_us, samples, blob FROM {place} WHERE {key} = ?"  # noqa: S608
            for (row_id,) in self._connection.execute(mine, (self._ride_id,)).fetchall():
                row = self._connection.execute(whole, (row_id,)).fetchone()
                if row is not None:
                    yield Held(place, row_id, *row)

    def _fault_of(self, held: Held) -> str | None:
        """What is wrong with a row. One that is whole is kept for what is compared later."""
        try:
            table = from_bytes(held.blob)
        except (CodecError, TypeError) as fault:
            return str(fault)
        last_us = int(table.time_us[-1]) + SPAN_US.get(held.kind, 1) - 1
        if (held.kind, held.first_us, held.last_us, held.samples) != (
            table.kind,
            int(table.time_us[0]),
            last_us,
            table.rows,
        ):
            return "its content is not what its row says"
        self._whole.setdefault((held.place, held.kind), []).append(table)
        return None

    def _chunk_finding(self, held: Held, reason: str) -> Finding:
        self._broken.setdefault(held.kind, []).append((held.first_us, held.last_us))
        what = WORDS.get(held.kind, f"a chunk of unknown kind {held.kind}")
        return Finding(
            f"ride {self._ride_id}, {what} from {held.first_us / 1e6:.3f} s to {held.last_us / 1e6:.3f} s "
            f"({held.place[:-1]} {held.row_id}): {reason}",
            self._ride_id,
            where=(held.place, held.row_id),
            levels=held.kind in SPAN_US,
        )

    def _tables(self, kind: int, *places: str) -> list[Table]:
        return [table for place in places for table in self._whole.get((place, kind), [])]

    def _missing_samples(self) -> Iterator[Finding]:
        """Samples that the ride's row counts and nothing holds."""
        if self._thinned or SAMPLES in self._broken:
            return
        query = "SELECT coalesce(sum(samples), 0) FROM gaps WHERE ride_id = ? AND cause = 'damaged'"
        held = sum(table.rows for table in self._tables(SAMPLES, "chunks", "pieces"))
        known = held + self._connection.execute(query, (self._ride_id,)).fetchone()[0]
        if known != self._counted:
            yield Finding(
                f"ride {self._ride_id}: {self._counted} samples were counted, {known} are there",
                self._ride_id,
                lost=self._counted - known,
            )

    def _levels(self) -> Iterator[Finding]:
        for kind, above in ABOVE.items():
            source = self._tables(kind, "chunks")
            if not source or above in self._broken or (kind == SAMPLES and self._thinned):
                continue
            wrong_us = self._first_difference(extremes(join(source)), self._tables(above, "chunks", "pieces"), kind)
            if wrong_us is not None:
                yield Finding(
                    f"ride {self._ride_id}, {WORDS[above]} at {wrong_us / 1e6:g} s: not what the {WORDS[kind]} give",
                    self._ride_id,
                    levels=True,
                )

    def _first_difference(self, made: Table, level: list[Table], source: int) -> int | None:
        """When a level first differs from what its source gives; where that is damaged or gone nothing can be said."""
        if not level:
            return int(made.time_us[0])
        made, kept = merged(made), merged(join(level))
        place = np.searchsorted(kept.time_us, made.time_us).clip(max=kept.rows - 1)
        same = kept.time_us[place] == made.time_us
        for index in range(1, len(made.blocks)):
            same &= _same(made, kept, index, place.tolist())
        for first_us, last_us in [*self._broken.get(source, []), *(self._gone if source == SAMPLES else [])]:
            same |= (made.time_us <= last_us) & (made.time_us + SPAN_US[made.kind] > first_us)
        wrong = np.flatnonzero(~same)
        return int(made.time_us[wrong[0]]) if wrong.size else None

    def _overview(self) -> Iterator[Finding]:
        query = "SELECT channels, body FROM overviews WHERE ride_id = ?"
        for channels, body in self._connection.execute(query, (self._ride_id,)).fetchall():
            try:
                names = json.loads(channels)
                if pick_channels(body, range(len(names))) != body:
                    raise ValueError("it has other channels than it names")
            except (ValueError, TypeError) as fault:
                yield Finding(f"ride {self._ride_id}, overview: {fault}", self._ride_id, levels=True)


def _same(made: Table, kept: Table, index: int, place: list[int]) -> Bools:
    """(rows,) whether a block is the same in both, as far as the first has columns."""
    ours, theirs = made.block(index), kept.block(index)
    columns = len(ours.values)
    if columns > len(theirs.values):
        return np.zeros(made.rows, np.bool_)
    valid = theirs.valid[:columns, place]
    values = theirs.values[:columns, place]
    same: Bools = ((ours.valid == valid) & ((ours.values == values) | ~valid)).all(axis=0)
    return same

"""Small pieces into chunks, and chunks into levels. Law: a fold takes all pieces of its kind and leaves none behind.

What one flush wrote is a piece. Pieces of a minute become one chunk, and at the same moment one piece of the level
above (`levels`), whose pieces are folded in their turn. So at any moment a level and the pieces beneath it are the
whole ride, with nothing in it twice. Runs inside the caller's transaction.
"""

from __future__ import annotations

import logging

from sqlalchemy import Connection, delete, func, insert, select

from sagwise_daemon.io.store.codec import CodecError
from sagwise_daemon.io.store.columns import (
    COARSE,
    COARSE_ESTIMATES,
    ESTIMATES,
    FINE,
    LEVELS,
    SAMPLES,
    SPAN_US,
    Table,
    from_bytes,
    join,
)
from sagwise_daemon.io.store.levels import ABOVE, extremes
from sagwise_daemon.io.store.tables import chunks, pieces

# A minute of samples is 20 to 30 kB, enough for the compressor; what has fewer rows a minute needs longer.
FOLD_AFTER_US = {
    SAMPLES: 60_000_000,
    ESTIMATES: 600_000_000,
    FINE: 1_200_000_000,
    COARSE: 9_000_000_000,
    COARSE_ESTIMATES: 9_000_000_000,
}
# Fewer rows make no chunk worth its headers; they wait up to so many times longer.
LEAST_ROWS = 100
PATIENCE = 60
# In this order everything that waits reaches its place.
KINDS = (SAMPLES, ESTIMATES, *LEVELS)

_log = logging.getLogger(__name__)


def store_piece(connection: Connection, ride_id: int, table: Table, since_us: int | None) -> int | None:
    """Store one flush; when the pieces since `since_us` fill a chunk, fold them. Returns the pieces' new
    beginning.
    """
    _insert_piece(connection, ride_id, table)
    since = int(table.time_us[0]) if since_us is None else since_us
    if not _due(connection, ride_id, table.kind, int(table.time_us[-1]) - since):
        return since
    fold(connection, ride_id, table.kind)
    if table.kind == SAMPLES:
        _gather(connection, ride_id, ESTIMATES)
    return None


def fold(connection: Connection, ride_id: int, kind: int) -> None:
    """All pieces of a kind become one chunk and a piece of the level above. A damaged one stays as it lies, and readers
    leave it out.
    """
    tables = _take_pieces(connection, ride_id, kind)
    if not tables:
        return
    whole = join(tables)
    connection.execute(insert(chunks).values(chunk_row(ride_id, whole)))
    if kind in ABOVE:
        above = extremes(whole)
        store_piece(connection, ride_id, above, pieces_since(connection, ride_id, above.kind))


def fold_all(connection: Connection, ride_id: int) -> None:
    """What is left of a ride that is over."""
    for kind in KINDS:
        fold(connection, ride_id, kind)


def pieces_since(connection: Connection, ride_id: int, kind: int) -> int | None:
    """When the pieces of a kind begin, None where there are none."""
    mine = (pieces.c.ride_id == ride_id) & (pieces.c.kind == kind)
    since = connection.execute(select(func.min(pieces.c.first_time_us)).where(mine)).scalar()
    return None if since is None else int(since)


def _due(connection: Connection, ride_id: int, kind: int, waits_us: int) -> bool:
    if waits_us < FOLD_AFTER_US[kind]:
        return False
    mine = (pieces.c.ride_id == ride_id) & (pieces.c.kind == kind)
    rows = connection.execute(select(func.sum(pieces.c.samples)).where(mine)).scalar() or 0
    return int(rows) >= LEAST_ROWS or waits_us >= PATIENCE * FOLD_AFTER_US[kind]


def _insert_piece(connection: Connection, ride_id: int, table: Table) -> None:
    connection.execute(insert(pieces).values(chunk_row(ride_id, table)))


def chunk_row(ride_id: int, table: Table) -> dict[str, object]:
    """The row of a table, as chunk or as piece."""
    span_us = SPAN_US.get(table.kind, 1)
    return {
        "ride_id": ride_id,
        "kind": table.kind,
        "first_time_us": int(table.time_us[0]),
        "last_time_us": int(table.time_us[-1]) + span_us - 1,
        "samples": table.rows,
        "blob": table.to_bytes(),
    }


def _gather(connection: Connection, ride_id: int, kind: int) -> None:
    """Many pieces become one, so that nobody has to read hundreds."""
    tables = _take_pieces(connection, ride_id, kind)
    if tables:
        _insert_piece(connection, ride_id, join(tables))


def _take_pieces(connection: Connection, ride_id: int, kind: int) -> list[Table]:
    """The tables of all pieces of a kind, which are gone then; a damaged one becomes a chunk as it is."""
    mine = (pieces.c.ride_id == ride_id) & (pieces.c.kind == kind)
    query = select(pieces.c.piece_id, pieces.c.blob).where(mine).order_by(pieces.c.first_time_us)
    tables = []
    for piece_id, blob in connection.execute(query).all():
        try:
            tables.append(from_bytes(blob))
        except CodecError as fault:
            _log.warning("ride %d, piece %d: %s", ride_id, piece_id, fault)
            _keep_as_chunk(connection, piece_id)
    connection.execute(delete(pieces).where(mine))
    return tables


def _keep_as_chunk(connection: Connection, piece_id: int) -> None:
    names = ("ride_id", "kind", "first_time_us", "last_time_us", "samples", "blob")
    found = select(*(pieces.c[name] for name in names)).where(pieces.c.piece_id == piece_id)
    connection.execute(insert(chunks).from_select(names, found))

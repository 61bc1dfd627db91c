"""Summaries as they lie in the store. Law: one of another version is none; writing is one short transaction."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, Row, Select, delete, insert, select
from sqlalchemy.exc import SQLAlchemyError

from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store.engine import writer_engine
from sagwise_daemon.io.store.tables import rides, summaries

VERSION = 4  # of what `domain.ride.figures` makes; one more, and every summary is made again


class StoredSummaries:
    """Read through `engine`; written through an engine of its own, made at the first summary."""

    def __init__(self, engine: Engine, path: Path) -> None:
        self._engine, self._path = engine, path
        self._writer: Engine | None = None

    def get(self, ride_id: int) -> dict[str, Any] | None:
        """The kept summary of a record."""
        rows = self._rows(select(summaries.c.document).where(summaries.c.ride_id == ride_id, _now()))
        return _document(rows[0].document) if rows else None

    def all(self) -> dict[int, dict[str, Any]]:
        """Every kept summary, by record."""
        rows = self._rows(select(summaries.c.ride_id, summaries.c.document).where(_now()))
        read = {row.ride_id: _document(row.document) for row in rows}
        return {ride_id: document for ride_id, document in read.items() if document is not None}

    def waiting(self, hopeless: Collection[int] = ()) -> int | None:
        """The oldest record that is over and has no summary, `hopeless` ones left out; None when all have."""
        done = select(summaries.c.ride_id).where(_now())
        query = select(rides.c.ride_id).where(rides.c.ended_by.is_not(None), rides.c.samples > 0)
        query = query.where(rides.c.ride_id.not_in(done), rides.c.ride_id.not_in(hopeless))
        found = self._rows(query.order_by(rides.c.started_unix_s, rides.c.ride_id).limit(1))
        return int(found[0].ride_id) if found else None

    def put(self, ride_id: int, document: dict[str, Any]) -> None:
        """Keep a summary in place of any older one. Raises StoreError."""
        if self._writer is None:
            self._writer = writer_engine(self._path)
        text = json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        try:
            with self._writer.begin() as connection:
                connection.execute(delete(summaries).where(summaries.c.ride_id == ride_id))
                connection.execute(insert(summaries).values(ride_id=ride_id, version=VERSION, document=text))
        except SQLAlchemyError as fault:
            raise StoreError(f"{self._path}: the summary of ride {ride_id} cannot be stored: {fault}") from fault

    def _rows(self, query: Select[Any]) -> Sequence[Row[Any]]:
        try:
            with self._engine.connect() as connection:
                return connection.execute(query).all()
        except SQLAlchemyError as fault:
            raise StoreError(f"{self._path}: the summaries cannot be read: {fault}") from fault

    def close(self) -> None:
        """Let go of the file."""
        if self._writer is not None:
            self._writer.dispose()
            self._writer = None


def _document(text: str) -> dict[str, Any] | None:
    """None for one that is damaged: it is made again when it is asked for."""
    try:
        document = json.loads(text)
    except ValueError:
        return None
    return document if isinstance(document, dict) else None


def _now() -> Any:
    """Of this version, or of a ride that was thinned since: there is nothing left to make it again from."""
    thinned = select(rides.c.ride_id).where(rides.c.thinned)
    return (summaries.c.version == VERSION) | summaries.c.ride_id.in_(thinned)

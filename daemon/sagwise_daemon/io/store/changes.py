"""What a person changes about a record. Law: one short transaction each, every one of them can be undone; only `purge`
takes anything away for good.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, Row, delete, func, select, update
from sqlalchemy.exc import SQLAlchemyError

from sagwise_daemon.domain.ports import KnownPack
from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store.engine import writer_engine
from sagwise_daemon.io.store.known_packs import document_of, pack_or_none
from sagwise_daemon.io.store.tables import metadata, packs, rides, summaries


class Changes:
    """Writes through an engine of its own, made at the first change; two writers take turns."""

    def __init__(self, readers: Engine, path: Path) -> None:
        self._readers, self._path = readers, path
        self._writer: Engine | None = None

    def close(self) -> None:
        """Let go of the file."""
        if self._writer is not None:
            self._writer.dispose()
            self._writer = None

    def known_packs(self) -> list[KnownPack]:
        """Packs of the store by name, each as it was ridden last."""
        last = func.max(rides.c.started_unix_s).label("last")
        query = select(packs.c.name, packs.c.snapshot, func.count().label("number"), last)
        query = query.join(rides).where(rides.c.deleted_unix_s.is_(None)).group_by(packs.c.pack_id).order_by("last")
        try:
            with self._readers.connect() as connection:
                rows = connection.execute(query).all()
        except SQLAlchemyError as fault:
            raise StoreError(f"{self._path}: the packs cannot be read: {fault}") from fault
        by_name: dict[str, list[Row[Any]]] = {}
        for row in rows:
            if pack_or_none(document_of(row.snapshot)) is None:
                continue  # lost, and what stands in its place is no pack to choose
            by_name.setdefault(row.name, []).append(row)
        return [_known(by_name[name]) for name in sorted(by_name)]

    def change(self, ride_id: int, wish: Mapping[str, str | None]) -> None:
        """As `ports.Archive.change`."""
        self.together([ride_id], wish)

    def delete(self, ride_id: int) -> None:
        """As `ports.Archive.delete`."""
        self.together([ride_id], {}, deleted=True)

    def restore(self, ride_id: int) -> None:
        """As `ports.Archive.restore`."""
        self.together([ride_id], {}, deleted=False)

    def together(self, ride_ids: Sequence[int], wish: Mapping[str, str | None], *, deleted: bool | None = None) -> None:
        """All of it for all of them, or nothing where one is refused. deleted: what they are to be, None as they are.

        Raises as `ports.Archive.change` and `delete`, for the first that is refused.
        """

        def work(connection: Connection) -> None:
            for ride_id in ride_ids:
                ride = _ride(connection, ride_id)
                values = _wished(connection, ride, wish) | _deletion(ride, deleted)
                if values:
                    connection.execute(update(rides).where(rides.c.ride_id == ride_id).values(values))

        self._write(work)

    def purge(self) -> Sequence[int]:
        """Take away for good what was deleted; the records' numbers."""
        gone: list[int] = []

        def work(connection: Connection) -> None:
            gone.extend(
                connection.execute(select(rides.c.ride_id).where(rides.c.deleted_unix_s.is_not(None))).scalars()
            )
            for table in reversed(metadata.sorted_tables):  # children before their parents
                if "ride_id" in table.c:
                    connection.execute(delete(table).where(table.c.ride_id.in_(gone)))

        self._write(work)
        return gone

    def _write(self, work: Callable[[Connection], None]) -> None:
        if self._writer is None:
            self._writer = writer_engine(self._path)
        try:
            with self._writer.begin() as connection:
                work(connection)
        except SQLAlchemyError as fault:
            raise StoreError(f"{self._path}: the change cannot be stored: {fault}") from fault


def _ride(connection: Connection, ride_id: int) -> Row[Any]:
    query = select(rides, packs.c.series).join(packs).where(rides.c.ride_id == ride_id)
    found = connection.execute(query).one_or_none()
    if found is None:
        raise KeyError(f"there is no ride {ride_id}")
    return found


def _wished(connection: Connection, ride: Row[Any], wish: Mapping[str, str | None]) -> dict[str, Any]:
    """The ride's new values. Another pack takes away the summary that was made with the one before."""
    values: dict[str, Any] = {}
    if "name" in wish:
        values["ride_name"] = wish["name"] or None
    if "note" in wish:
        values["note"] = wish["note"] or ""
    if wish.get("pack") is not None:
        values["pack_id"] = _fitting_pack(connection, ride, str(wish["pack"]))
        connection.execute(delete(summaries).where(summaries.c.ride_id == ride.ride_id))
    return values


def _deletion(ride: Row[Any], deleted: bool | None) -> dict[str, Any]:
    if deleted is None:
        return {}
    if deleted and ride.ended_by is None:
        raise ValueError(f"ride {ride.ride_id} goes on; it can be deleted when it has ended")
    return {"deleted_unix_s": time.time() if deleted else None}


def _fitting_pack(connection: Connection, ride: Row[Any], name: str) -> int:
    """The newest snapshot of that name with as many groups."""
    if ride.ended_by is None:
        raise ValueError(f"ride {ride.ride_id} goes on; its pack can be corrected when it has ended")
    query = select(packs.c.pack_id, packs.c.series).where(packs.c.name == name).order_by(packs.c.pack_id.desc())
    found = connection.execute(query).all()
    fitting = [row.pack_id for row in found if row.series == ride.series]
    if fitting:
        return int(fitting[0])
    if found:
        raise ValueError(
            f"{name} has {found[0].series} groups, ride {ride.ride_id} has {ride.series}; "
            "choose the pack it was ridden with"
        )
    raise ValueError(f"there is no pack {name!r} in the store; ride with it once, or import with --pack")


def _known(rows: Sequence[Row[Any]]) -> KnownPack:
    """Of the snapshots of one name, the last ridden is told."""
    last = rows[-1]
    pack = json.loads(last.snapshot)
    count = sum(row.number for row in rows)
    return KnownPack(pack["name"], pack["series"], pack["parallel"], pack["cell"]["chemistry"], count, last.last)

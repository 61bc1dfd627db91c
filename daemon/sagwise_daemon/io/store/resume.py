"""Rides that a former run left open. Law: restored is what the last commit left, so nothing counts twice."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Row, Subquery, func, select, union_all

from sagwise_daemon.io.store.codec import CodecError
from sagwise_daemon.io.store.columns import ESTIMATES, SAMPLES, Table, from_bytes, unsigned
from sagwise_daemon.io.store.folding import pieces_since
from sagwise_daemon.io.store.state import HostMoment, RideState
from sagwise_daemon.io.store.tables import boots, chunks, packs, pieces, rides
from sagwise_daemon.io.store.totals import Totals, tail_of

_log = logging.getLogger(__name__)


def left_open(connection: Connection, known: Sequence[int]) -> list[RideState]:
    """Rides without an end whose ids are not `known`, newest first. A damaged last chunk leaves `tail` None."""
    query = (
        select(rides, packs.c.name, packs.c.series)
        .join(packs)
        .where(rides.c.ended_by.is_(None), rides.c.ride_id.not_in(known))
        .order_by(rides.c.ride_id.desc())
    )
    return [_restore(connection, row) for row in connection.execute(query).all()]


def _restore(connection: Connection, row: Row[Any]) -> RideState:
    """The writer's state as it was after the last commit."""
    ride = row._mapping
    held = _held()
    first, *others = connection.execute(
        select(boots).where(boots.c.ride_id == ride["ride_id"]).order_by(boots.c.first_time_us)
    ).all()
    return RideState(
        ride_id=ride["ride_id"],
        series=ride["series"],
        pack=ride["name"],
        snapshot=None,
        started_unix_s=ride["started_unix_s"],
        started_trusted=ride["started_trusted"],
        boot_id=first.boot_id,
        uptime_us=unsigned(first.uptime_us),
        heard=HostMoment(ride["host_boot"], ride["last_monotonic_s"]),
        zero_s=None,
        kind=ride["kind"],
        totals=Totals(**{name: ride[name] for name in Totals.__dataclass_fields__}),
        tail=_last_tail(connection, ride["ride_id"]),
        boots=frozenset(boot.boot_id for boot in (first, *others)),
        piece_since_us=pieces_since(connection, ride["ride_id"], SAMPLES),
        estimate_since_us=pieces_since(connection, ride["ride_id"], ESTIMATES),
        estimate_last_us=connection.execute(
            select(func.max(held.c.last_time_us)).where(held.c.ride_id == ride["ride_id"], held.c.kind == ESTIMATES)
        ).scalar(),
    )


def _last_tail(connection: Connection, ride_id: int) -> Table | None:
    held = _held()
    mine = select(held.c.blob).where(held.c.ride_id == ride_id, held.c.kind == SAMPLES)
    blob = connection.execute(mine.order_by(held.c.first_time_us.desc()).limit(1)).scalar()
    try:
        return None if blob is None else tail_of(from_bytes(blob))
    except CodecError as fault:
        _log.warning("ride %d, last chunk: %s", ride_id, fault)
        return None


def _held() -> Subquery:
    """All that is stored of samples and estimates, folded or not yet."""
    names = ("ride_id", "kind", "first_time_us", "last_time_us", "blob")
    return union_all(*(select(*(one.c[name] for name in names)) for one in (chunks, pieces))).subquery("held")

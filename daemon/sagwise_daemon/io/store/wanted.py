"""A filter of records as conditions of a query. Law: what was deleted is seen only by those who ask for it."""

from __future__ import annotations

from sqlalchemy import ColumnElement

from sagwise_daemon.domain.ports import RideFilter
from sagwise_daemon.io.store.tables import packs, rides


def chosen_by(wanted: RideFilter) -> list[ColumnElement[bool]]:
    """The conditions of a filter, on `rides` and `packs`."""
    found: list[ColumnElement[bool]] = [
        rides.c.deleted_unix_s.is_not(None) if wanted.deleted else rides.c.deleted_unix_s.is_(None)
    ]
    if wanted.kind is not None:
        found.append(rides.c.kind == wanted.kind)
    if wanted.pack is not None:
        found.append(packs.c.name == wanted.pack)
    if wanted.since_unix_s is not None:
        found.append(rides.c.started_unix_s >= wanted.since_unix_s)
    if wanted.until_unix_s is not None:
        found.append(rides.c.started_unix_s < wanted.until_unix_s)
    return found

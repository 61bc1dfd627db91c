"""A whole ride as the bytes that the API sends. Law: worked out once a ride, sent as it lies.

What a person sees first: the channels over all groups, current, temperatures and distance. Every other channel is
read from the levels when somebody asks for it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable

from sqlalchemy import Connection, Engine, delete, insert

from sagwise_daemon.domain.chart import encode_chart
from sagwise_daemon.domain.ports import Envelope
from sagwise_daemon.io.store.tables import overviews

POINTS_MAX = 800
# A span of a short ride has about so many samples, or most spans would be empty.
SAMPLES_A_POINT = 4


def points_of(samples: int) -> int:
    """How many spans the overview of a ride of that many samples has."""
    return max(2, min(POINTS_MAX, samples // SAMPLES_A_POINT))


def kept_channels(known: Iterable[str]) -> list[str]:
    """Those of a ride's channels whose overview is stored."""
    return [name for name in known if not name.startswith("group_")]


def kept(engine: Engine, ride_id: int) -> tuple[list[str], bytes] | None:
    """Channels and body as they lie, None where none is stored. Raises sqlite3.Error.

    The driver is asked directly: building the statement and a transaction around it would cost ten times the reading,
    and it is what every opened ride begins with. A single statement sees one state of the file by itself.
    """
    lent = engine.raw_connection()
    try:
        cursor = lent.cursor()
        cursor.execute("SELECT channels, body FROM overviews WHERE ride_id = ?", (ride_id,))
        found = cursor.fetchone()
        cursor.close()
    finally:
        lent.close()
    return None if found is None else (json.loads(found[0]), found[1])


def store(connection: Connection, ride_id: int, whole: Envelope) -> None:
    """Keep a ride's overview, in place of any older one."""
    connection.execute(delete(overviews).where(overviews.c.ride_id == ride_id))
    row = {"ride_id": ride_id, "channels": json.dumps(whole.channels), "body": encode_chart(whole)}
    connection.execute(insert(overviews).values(row))

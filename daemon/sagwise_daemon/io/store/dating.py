"""What was recorded before anything had set the clock gets its date. Law: only by the host's own boot and monotonic
clock (`stamps.dated`); what is of a boot that never learnt the time keeps its mark, and nothing inside a ride moves.

An alarm event is dated with its ride, one that no ride can date by the moment it was told.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, Row, delete, select, update

from sagwise_daemon.domain.stamps import WallTime, dated
from sagwise_daemon.io.store.tables import boots, events, rides, summaries


def date_rides(connection: Connection, known: WallTime) -> dict[int, float]:
    """Date every ride that has no trusted date and was heard in the boot of `known`; returns their starts."""
    if not known.trusted or not known.host_boot:
        return {}
    started: dict[int, float] = {}
    for ride in connection.execute(select(rides).where(~rides.c.started_trusted)).all():
        for label, ride_s in _labels(connection, ride):
            found = dated(label, known)
            if found.trusted:
                started[ride.ride_id] = found.unix_s - ride_s
                _date(connection, ride.ride_id, started[ride.ride_id])
                break
    return started


def date_events(connection: Connection, known: WallTime) -> None:
    """Date the events outside of rides that wait for it and were told in the boot of `known`."""
    for event in connection.execute(select(events).where(events.c.host_boot == known.host_boot)).all():
        found = dated(WallTime(event.unix_s, False, event.monotonic_s, event.host_boot), known)
        if found.trusted:
            now = {"unix_s": found.unix_s, "host_boot": None, "monotonic_s": None}
            connection.execute(update(events).where(events.c.event_id == event.event_id).values(now))


def _labels(connection: Connection, ride: Row[Any]) -> Iterator[tuple[WallTime, float]]:
    """Moments of the host that the ride knows, each with the ride's time in seconds: each boot of the board, and the
    last sample, which tells where the host itself was started again meanwhile.
    """
    query = select(boots).where(boots.c.ride_id == ride.ride_id).order_by(boots.c.first_time_us)
    for boot in connection.execute(query).all():
        yield WallTime(boot.unix_s, False, boot.monotonic_s, boot.host_boot), boot.first_time_us / 1e6
    last_unix_s = ride.started_unix_s + ride.duration_s
    yield WallTime(last_unix_s, False, ride.last_monotonic_s, ride.host_boot), ride.duration_s


def _date(connection: Connection, ride_id: int, started_unix_s: float) -> None:
    mine = {"started_unix_s": started_unix_s, "started_trusted": True}
    connection.execute(update(rides).where(rides.c.ride_id == ride_id).values(mine))
    of_boot = {"unix_s": started_unix_s + boots.c.first_time_us / 1e6, "trusted": True}
    connection.execute(update(boots).where(boots.c.ride_id == ride_id).values(of_boot))
    whole = select(rides.c.ride_id).where(rides.c.ride_id == ride_id, ~rides.c.thinned)
    connection.execute(delete(summaries).where(summaries.c.ride_id.in_(whole)))  # it is made again, knowing when it was
    placed = (events.c.ride_id == ride_id) & events.c.ride_time_us.is_not(None)
    connection.execute(update(events).where(placed).values(unix_s=started_unix_s + events.c.ride_time_us / 1e6))

"""What the writer does inside a transaction. Law: given a state and what is new, store it and return the next
state.

Nothing here commits, waits or retries: a failed transaction leaves both the file and the caller's state as they
were.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
from sqlalchemy import Connection, delete, insert, select, update

from sagwise_daemon.domain.model import AlarmState, Estimate, Reading
from sagwise_daemon.io.store.codec import Bools, Ints
from sagwise_daemon.io.store.columns import estimates, samples, signed
from sagwise_daemon.io.store.folding import fold_all, store_piece
from sagwise_daemon.io.store.inbox import Keep, Loss, NewEvent, Sample
from sagwise_daemon.io.store.snapshot import Snapshot
from sagwise_daemon.io.store.state import HostMoment, RideState, placed
from sagwise_daemon.io.store.tables import boots, events, gaps, learnt, packs, rides
from sagwise_daemon.io.store.totals import advance, advance_rest


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """What is new of one ride. `arrived_s`: one monotonic time a reading."""

    readings: Sequence[Reading] = ()
    arrived_s: Sequence[float] = ()
    estimates: Sequence[Estimate] = ()
    loss: Loss | None = None
    boot: str = ""


def batches(taken: Sequence[Sample], losses: dict[int, Loss], boot: str) -> dict[int, Batch]:
    """What was taken from the inbox, by ride. boot: the host's."""
    by_ride: dict[int, list[Sample]] = {ride_id: [] for ride_id in losses}
    for sample in taken:
        by_ride.setdefault(sample.ride_id, []).append(sample)
    made = {}
    for ride_id, some in by_ride.items():
        read = [sample for sample in some if isinstance(sample.item, Reading)]
        made[ride_id] = Batch(
            [sample.item for sample in read if isinstance(sample.item, Reading)],
            [sample.arrived_s for sample in read],
            [sample.item for sample in some if isinstance(sample.item, Estimate)],
            losses.get(ride_id),
            boot,
        )
    return made


def ensure_ride(connection: Connection, state: RideState) -> RideState:
    """Store the ride's row, its pack and its first boot, unless they are."""
    if state.snapshot is None:
        return state
    connection.execute(
        insert(rides).values(
            ride_id=state.ride_id,
            pack_id=_pack_id(connection, state.snapshot),
            started_unix_s=state.started_unix_s,
            started_trusted=state.started_trusted,
            alarms=0,
            kind=state.kind,
            host_boot=state.heard.boot,
            last_monotonic_s=state.heard.monotonic_s,
            levels=True,
            **asdict(state.totals),
        )
    )
    return _add_boot(connection, replace(state, snapshot=None), state.boot_id, state.uptime_us, 0, state.heard)


def store_batch(connection: Connection, state: RideState, batch: Batch) -> RideState:
    """Store a ride's new samples and estimates, fold what is due, and bring its row up to date."""
    state = ensure_ride(connection, state)
    if batch.readings:
        state = _store_readings(connection, state, batch)
    if batch.estimates and state.zero_s is not None:
        state = _store_estimates(connection, state, batch.estimates)
    if batch.loss is not None:
        first, last = (_ride_us(state, t) for t in (batch.loss.first_time_s, batch.loss.last_time_s))
        _add_gap(connection, state, "queue_full", first, last, batch.loss.samples)
    connection.execute(
        update(rides)
        .where(rides.c.ride_id == state.ride_id)
        .values(**asdict(state.totals), host_boot=state.heard.boot, last_monotonic_s=state.heard.monotonic_s)
    )
    return state


def store_event(connection: Connection, state: RideState | None, new: NewEvent) -> None:
    """Store an alarm event and count it in its ride."""
    event = new.event
    ride_time_us = None if state is None else state.ride_time_us(event.time_s)
    told = new.told if ride_time_us is None else None  # else the ride dates it
    connection.execute(
        insert(events).values(
            event_id=new.event_id,
            ride_id=new.ride_id,
            ride_time_us=ride_time_us,
            unix_s=new.unix_s,
            time_s=event.time_s,
            rule=event.rule,
            group_number=event.group,
            to_state=event.to.value,
            priority=event.priority.value,
            value=event.value,
            limit_value=event.limit,
            unit=event.unit,
            basis=None if event.basis is None else event.basis.value,
            by=event.by,
            host_boot=None if told is None else told.boot,
            monotonic_s=None if told is None else told.monotonic_s,
        )
    )
    if new.ride_id is not None and event.to is AlarmState.UNACKNOWLEDGED:
        connection.execute(update(rides).where(rides.c.ride_id == new.ride_id).values(alarms=rides.c.alarms + 1))


def keep_learnt(connection: Connection, row: Keep) -> None:
    """Replace what is kept of a pack."""
    connection.execute(delete(learnt).where(learnt.c.pack_digest == row.pack_digest))
    connection.execute(insert(learnt).values(asdict(row)))


def end_ride(connection: Connection, state: RideState, ended_by: str) -> None:
    """Fold what is left of a ride and close its row."""
    state = ensure_ride(connection, state)
    fold_all(connection, state.ride_id)
    connection.execute(update(rides).where(rides.c.ride_id == state.ride_id).values(ended_by=ended_by))


def _pack_id(connection: Connection, snapshot: Snapshot) -> int:
    found = connection.execute(select(packs.c.pack_id).where(packs.c.digest == snapshot.digest)).scalar()
    if found is not None:
        return int(found)
    row = {"digest": snapshot.digest, "name": snapshot.name, "series": snapshot.series, "snapshot": snapshot.text}
    connection.execute(insert(packs).values(row))
    return int(connection.execute(select(packs.c.pack_id).where(packs.c.digest == snapshot.digest)).scalar_one())


def _store_readings(connection: Connection, state: RideState, batch: Batch) -> RideState:
    arrived = HostMoment(batch.boot, batch.arrived_s[0])
    resumed = state.zero_s is None
    state = placed(state, batch.readings[0], arrived)
    times = np.array([_ride_us(state, reading.time_s) for reading in batch.readings], np.int64)
    rising = _rising(times, state.last_us)
    if not rising.all():
        wrong = times[~rising]
        _add_gap(connection, state, "order", int(wrong.min()), int(wrong.max()), wrong.size)
    kept = np.flatnonzero(rising).tolist()
    if not kept:
        return state
    if resumed and state.last_us is not None:
        _add_gap(connection, state, "restart", state.last_us, int(times[kept[0]]), None)
    table = samples([batch.readings[i] for i in kept], times[kept])
    for i in kept:
        boot = batch.readings[i].boot_id
        if boot not in state.boots:
            moment = HostMoment(batch.boot, batch.arrived_s[i])
            state = _add_boot(connection, state, boot, batch.readings[i].uptime_us, int(times[i]), moment)
    totals, tail = advance(state.totals, state.tail, table)
    state = replace(state, totals=totals, tail=tail, heard=HostMoment(batch.boot, batch.arrived_s[-1]))
    since = store_piece(connection, state.ride_id, table, state.piece_since_us)
    return replace(state, piece_since_us=since)


def _store_estimates(connection: Connection, state: RideState, made: Sequence[Estimate]) -> RideState:
    times = np.array([_ride_us(state, estimate.time_s) for estimate in made], np.int64)
    kept = np.flatnonzero(_rising(times, state.estimate_last_us)).tolist()
    if not kept:
        return state
    table = estimates([made[i] for i in kept], times[kept])
    since = store_piece(connection, state.ride_id, table, state.estimate_since_us)
    return replace(
        state,
        totals=advance_rest(state.totals, table),
        estimate_since_us=since,
        estimate_last_us=int(times[kept[-1]]),
    )


def _ride_us(state: RideState, time_s: float) -> int:
    """As `ride_time_us`; what was lost before a ride taken up again was placed lies at its last moment."""
    placed_us = state.ride_time_us(time_s)
    return (state.last_us or 0) if placed_us is None else placed_us


def _rising(times: Ints, last_us: int | None) -> Bools:
    """Which times are later than all before them."""
    floor = times[0] - 1 if last_us is None else last_us
    before = np.maximum(floor, np.r_[floor, np.maximum.accumulate(times)[:-1]])
    rising: Bools = times > before
    return rising


def _add_boot(
    connection: Connection, state: RideState, boot_id: int, uptime_us: int, time_us: int, moment: HostMoment
) -> RideState:
    connection.execute(
        insert(boots).values(
            ride_id=state.ride_id,
            boot_id=boot_id,
            first_time_us=time_us,
            uptime_us=signed(uptime_us),
            unix_s=state.started_unix_s + time_us / 1e6,
            trusted=state.started_trusted,
            monotonic_s=moment.monotonic_s,
            host_boot=moment.boot,
        )
    )
    return replace(state, boots=state.boots | {boot_id})


def _add_gap(
    connection: Connection, state: RideState, cause: str, first_us: int, last_us: int, count: int | None
) -> None:
    row = {"cause": cause, "first_time_us": first_us, "last_time_us": last_us, "samples": count}
    connection.execute(insert(gaps).values(ride_id=state.ride_id, **row))

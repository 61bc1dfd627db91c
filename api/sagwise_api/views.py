"""Domain values as the API's. Law: no figure is changed, only rounded to what it can mean; NaN becomes None."""

from __future__ import annotations

import math
from collections.abc import Iterable

from sagwise_api import schemas as out
from sagwise_daemon.domain.estimate import Weakness
from sagwise_daemon.domain.model import AlarmView, Pack
from sagwise_daemon.domain.ports import LiveState, Ride, StoredEvent


def known(value: float | None, digits: int = 4) -> float | None:
    """A finite number, rounded; None for what is not known."""
    return None if value is None or not math.isfinite(value) else round(float(value), digits)


def column(values: Iterable[float | None], digits: int = 4) -> list[float | None]:
    return [known(value, digits) for value in values]


def alarm(view: AlarmView) -> out.AlarmOut:
    return out.AlarmOut(
        rule=view.rule,
        group=view.group,
        state=view.state.value,
        priority=view.priority.value,
        value=known(view.value),
        limit=known(view.limit),
        unit=view.unit,
        basis=None if view.basis is None else view.basis.value,
        since_s=view.since_s,
        until_s=known(view.until_s, 3),
        cause=view.cause,
    )


def live(state: LiveState) -> out.LiveOut:
    return out.LiveOut(
        sequence=state.sequence,
        bike=state.bike,
        pack=state.pack,
        link=state.link,
        age_s=known(state.age_s, 2),
        time_s=known(state.time_s, 3),
        loaded_v=column(state.loaded_v),
        rest_v=column(state.rest_v),
        rest_sigma_v=column(state.rest_sigma_v),
        resistance_mohm=column(state.resistance_mohm, 3),
        state_of_charge=column(state.soc),
        unknown=list(state.unknown),
        current_a=known(state.current_a, 2),
        temperature_c=column(state.temperature_c, 2),
        distance_m=known(state.distance_m, 1),
        rest_limit_v=state.rest_limit_v,
        floor_v=state.floor_v,
        full_v=state.full_v,
        alarms=[alarm(view) for view in state.alarms],
        sound=state.sound,
        ride_id=state.ride_id,
        notice=state.notice,
        energy_left_wh=known(state.energy_left_wh, 1),
        energy_left_sigma_wh=known(state.energy_left_sigma_wh, 1),
        energy_home_wh=known(state.energy_home_wh, 1),
        home_margin=state.home_margin,
        weak=[weak(one) for one in state.weak],
    )


def weak(group: Weakness) -> out.WeakOut:
    return out.WeakOut(
        group=group.group,
        short_of=group.kind.value,  # type: ignore[arg-type]
        capacity_percent=known(group.capacity_percent, 1),
        capacity_sigma_percent=known(group.capacity_sigma_percent, 1),
        resistance_percent=known(group.resistance_percent, 1),
        resistance_sigma_percent=known(group.resistance_sigma_percent, 1),
    )


def live_json(state: LiveState) -> bytes:
    return live(state).model_dump_json().encode()


def ride_now(state: LiveState) -> int | None:
    """The record that the connected board is writing; any other without an end was cut off, or is being brought in."""
    return state.ride_id if state.link == "up" else None


def ride(kept: Ride, now: int | None) -> out.RideOut:
    """now: the record that `ride_now` names."""
    return out.RideOut(
        ride_id=kept.ride_id,
        pack=kept.pack,
        series=kept.series,
        started_unix_s=kept.started_unix_s,
        started_trusted=kept.started_trusted,
        duration_s=kept.duration_s,
        samples=kept.samples,
        ended_by=kept.ended_by,
        now=kept.ended_by is None and kept.ride_id == now,
        energy_wh=known(kept.energy_wh, 2),
        charge_ah=known(kept.charge_ah, 3),
        distance_m=known(kept.distance_m, 1),
        current_max_a=known(kept.current_max_a, 2),
        loaded_min_v=known(kept.loaded_min_v),
        rest_min_v=known(kept.rest_min_v),
        alarms=kept.alarms,
        thinned=kept.thinned,
        kind=kept.kind,  # type: ignore[arg-type]
        name=kept.name,
        note=kept.note,
        deleted=kept.deleted,
    )


def event(kept: StoredEvent) -> out.EventOut:
    what = kept.event
    return out.EventOut(
        event_id=kept.event_id,
        ride_id=kept.ride_id,
        stored_unix_s=kept.unix_s,
        ride_s=known(kept.ride_s, 3),
        time_s=what.time_s,
        rule=what.rule,
        group=what.group,
        to=what.to.value,
        priority=what.priority.value,
        value=known(what.value),
        limit=known(what.limit),
        unit=what.unit,
        basis=None if what.basis is None else what.basis.value,
        by=what.by,
    )


def pack(known_pack: Pack) -> out.PackOut:
    cell = known_pack.cell
    return out.PackOut(
        name=known_pack.name,
        series=known_pack.series,
        parallel=known_pack.parallel,
        chemistry=cell.chemistry,
        capacity_ah=known_pack.capacity_ah,
        full_v=cell.full_v,
        empty_v=cell.empty_v,
        rules=[
            out.RuleOut(
                rule=name,
                limit=known(rule.limit),
                deadband=rule.deadband,
                on_delay_s=rule.on_delay_s,
                off_delay_s=rule.off_delay_s,
                re_alarm_s=rule.re_alarm_s,
                priority=rule.priority.value,
                latching=rule.latching,
                enabled=rule.enabled,
            )
            for name, rule in known_pack.rules.items()
        ],
    )

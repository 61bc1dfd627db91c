"""Routes of packs, settings and what-if. Law: nothing changes without a request of its own, and each change is kept
with its time and device and can be taken back.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, TypeVar

from fastapi import APIRouter, Path, Query, Request
from pydantic import BaseModel, Field, StringConstraints, ValidationError

from sagwise_api.access import caller_of
from sagwise_api.problems import ProblemError, declared
from sagwise_api.schemas import Number, RuleName, Strict
from sagwise_api.views import known
from sagwise_api.workers import Workers
from sagwise_daemon.domain import owner
from sagwise_daemon.domain.alarm.causes import FOLLOW_S
from sagwise_daemon.domain.model import Pack, RuleSettings
from sagwise_daemon.domain.pack.cautions import cautions
from sagwise_daemon.domain.pack.profile import RULES, RuleSpec
from sagwise_daemon.domain.ride.settings_grid import Tried, Warnings

T = TypeVar("T")
PackName = Annotated[str, Path(min_length=1, max_length=64, description="name of the pack")]
RideId = Annotated[int, Path(ge=1, le=2**53, description="number of the ride")]
ChangeId = Annotated[int, Path(ge=1, le=2**53)]
Key = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z_]{0,39}$")]
Finite = Annotated[float, Field(allow_inf_nan=False, strict=True)]
Value = bool | Finite | Annotated[str, StringConstraints(max_length=10)]
PLAIN_DELAY_S = 1.0
MOST_RAISES = 300  # a plot has no room for more marks, and a phone no time


class KeyOut(BaseModel):
    """One key of a rule: as it is, as the pack's file or the program has it, and what is allowed."""

    key: str
    value: bool | Number | str
    filed: bool | Number | str = Field(description="as the pack's file has it, or else the default")
    low: Number = Field(description="least allowed number; null where it is no number")
    high: Number


class RuleSettingsOut(BaseModel):
    rule: str
    unit: str
    limit_key: str | None
    shelvable: bool = Field(description="whether it may be put aside for a while")
    keys: list[KeyOut]


class SettingsOut(BaseModel):
    pack: str
    fitted: bool
    cautions: list[str] = Field(description="what of the pack should make its builder look twice, the gravest first")
    rules: list[RuleSettingsOut]


class ChangedOut(BaseModel):
    before: bool | Number | str
    after: bool | Number | str


class ChangeOut(BaseModel):
    """One change, as kept; `rule` is null where a pack was fitted, and `values.fitted` then names packs."""

    change_id: int
    unix_s: float
    device: str
    pack: str
    rule: str | None
    values: dict[str, ChangedOut]
    undoes: int | None
    undone: bool


class ChangesOut(BaseModel):
    changes: list[ChangeOut]


class ChangeIn(Strict):
    rule: RuleName
    values: Annotated[dict[Key, Value], Field(min_length=1, max_length=10)]


class FitIn(Strict):
    pack: Annotated[str, StringConstraints(min_length=1, max_length=64)]


class SettingOut(BaseModel):
    limit_v: float
    on_delay_s: float


class WarnedOut(SettingOut):
    """How often one setting would have warned. Times are seconds from the ride's start; `raises_s` the first 300."""

    count: int
    warnings: int = Field(description="as a rider counts: groups that follow one within 60 s count as one with it")
    groups: int
    first_s: Number
    to_end_s: Number
    to_floor_s: Number = Field(description="from the first warning to loaded_floor; negative: it came too late")
    raises_s: list[float]


class WhatIfOut(BaseModel):
    """`rest`: the rule rest_low by each limit and delay. `plain`: a buzzer on the lowest loaded voltage, 1 s."""

    ride_id: int
    pack: str
    duration_s: float
    floor_s: Number
    now: SettingOut
    limits_v: list[float]
    delays_s: list[float]
    rest: list[WarnedOut]
    plain: list[WarnedOut]


def garage_router(
    garage: owner.Garage | None, what_if: owner.WhatIf | None, quick: Workers, judges: Workers
) -> APIRouter:
    router = APIRouter()
    if garage is not None:
        _add_settings(router, garage, quick)
        _add_changes(router, garage, quick)
    if what_if is not None:
        _add_what_if(router, what_if, judges)
    return router


def _said(call: Callable[[], T]) -> Callable[[], T]:
    """The call with the garage's refusals as problems."""

    def tried() -> T:
        try:
            return call()
        except KeyError as unknown:
            raise ProblemError(404, f"{unknown.args[0]}", kind="not-known") from unknown
        except ValidationError:  # a ValueError too, but a fault of ours: the answer breaks its own schema
            raise
        except ValueError as refused:
            raise ProblemError(422, str(refused), kind="not-allowed") from refused

    return tried


def _add_settings(router: APIRouter, garage: owner.Garage, quick: Workers) -> None:
    @router.get("/packs/{name}/settings", responses=declared(404), summary="A pack's alarm settings and their ranges")
    async def settings(name: PackName) -> SettingsOut:
        def read() -> SettingsOut:
            filed = garage.as_filed(name)
            pack = next(one for one in garage.packs() if one.name == name)
            fitted, said = garage.fitted().name == name, list(cautions(pack))
            return SettingsOut(pack=name, fitted=fitted, cautions=said, rules=_rules(pack, filed))

        return await quick.run(_said(read))

    @router.post("/packs/{name}/changes", responses=declared(404, 413), summary="Change keys of a rule")
    async def change(name: PackName, wish: ChangeIn, request: Request) -> ChangeOut:
        device = caller_of(request).name
        return await quick.run(_said(lambda: _change(garage.change(name, wish.rule, wish.values, device))))


def _rules(pack: Pack, filed: Pack) -> list[RuleSettingsOut]:
    return [
        RuleSettingsOut(
            rule=name,
            unit=spec.unit,
            limit_key=spec.limit_key,
            shelvable=spec.shelvable,
            keys=_keys(spec, pack.rules[name], filed.rules[name]),
        )
        for name, spec in RULES.items()
        if name in pack.rules
    ]


def _keys(spec: RuleSpec, now: RuleSettings, filed: RuleSettings) -> list[KeyOut]:
    ranges = spec.ranges()
    return [
        KeyOut(
            key=key,
            value=_value(spec, now, key),
            filed=_value(spec, filed, key),
            low=ranges[key][0] if key in ranges else None,
            high=ranges[key][1] if key in ranges else None,
        )
        for key in spec.key_names
    ]


def _value(spec: RuleSpec, settings: RuleSettings, key: str) -> bool | float | str | None:
    value = getattr(settings, "limit" if key == spec.limit_key else key)
    if value is None or isinstance(value, bool):
        return value
    return known(value, 6) if isinstance(value, float | int) else str(value.value)


def _add_changes(router: APIRouter, garage: owner.Garage, quick: Workers) -> None:
    @router.get("/changes", responses=declared(), summary="What was changed, newest first")
    async def changes(limit: Annotated[int, Query(ge=1, le=500)] = 50) -> ChangesOut:
        return await quick.run(lambda: ChangesOut(changes=[_change(one) for one in garage.changes(limit)]))

    @router.post("/changes/{change_id}/undo", responses=declared(404, 413), summary="Take a change back")
    async def undo(change_id: ChangeId, request: Request) -> ChangeOut:
        device = caller_of(request).name
        return await quick.run(_said(lambda: _change(garage.undo(change_id, device))))

    @router.post("/packs/fit", responses=declared(404, 413), summary="Say which pack is fitted")
    async def fit(wish: FitIn, request: Request) -> ChangeOut:
        device = caller_of(request).name
        return await quick.run(_said(lambda: _change(garage.fit(wish.pack, device))))


def _change(change: owner.Change) -> ChangeOut:
    return ChangeOut(
        change_id=change.change_id,
        unix_s=change.unix_s,
        device=change.device,
        pack=change.pack,
        rule=change.rule,
        values={key: ChangedOut(before=before, after=after) for key, (before, after) in change.values.items()},
        undoes=change.undoes,
        undone=change.undone,
    )


def _add_what_if(router: APIRouter, what_if: owner.WhatIf, judges: Workers) -> None:
    @router.get(
        "/rides/{ride_id}/what-if", responses=declared(404), summary="How often other settings would have warned"
    )
    async def judged(ride_id: RideId) -> WhatIfOut:
        def missing_said() -> WhatIfOut:
            try:
                return _tried(what_if.judge(ride_id))
            except KeyError as missing:
                raise ProblemError(404, f"there is no ride {ride_id}", kind="no-such-ride") from missing

        return await judges.run(_said(missing_said))


def _tried(ride: owner.TriedRide) -> WhatIfOut:
    settings = [one.setting for one in ride.tried]
    plain = [one for one in ride.tried if one.setting.on_delay_s == PLAIN_DELAY_S]
    return WhatIfOut(
        ride_id=ride.ride_id,
        pack=ride.pack,
        duration_s=round(ride.duration_s, 3),
        floor_s=known(ride.floor_s, 2),
        now=SettingOut(limit_v=ride.now.limit_v, on_delay_s=ride.now.on_delay_s),
        limits_v=sorted({setting.limit_v for setting in settings}),
        delays_s=sorted({setting.on_delay_s for setting in settings}),
        rest=[_warned(one, one.rest, FOLLOW_S) for one in ride.tried],
        plain=[_warned(one, one.plain, 0.0) for one in plain],
    )


def _warned(tried: Tried, told: Warnings, follow_s: float) -> WarnedOut:
    return WarnedOut(
        limit_v=tried.setting.limit_v,
        on_delay_s=tried.setting.on_delay_s,
        count=told.count,
        warnings=told.heard(follow_s),
        groups=told.groups,
        first_s=known(told.first_s, 2),
        to_end_s=known(told.to_end_s, 2),
        to_floor_s=known(told.to_floor_s, 2),
        raises_s=[round(time_s, 1) for time_s, _ in told.raises[:MOST_RAISES]],
    )

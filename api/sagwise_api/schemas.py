"""What the API says, field by field. Law: snake_case with the unit last, None for unknown, never NaN."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

Number = Annotated[float, Field(allow_inf_nan=False)] | None
RuleName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z_]{0,39}$")]
GroupNumber = Annotated[int, Field(ge=1, le=48, strict=True)]


class Strict(BaseModel):
    """A request's body: unknown keys are refused, so that a typing error does not pass for a wish."""

    model_config = ConfigDict(extra="forbid")


class AlarmOut(BaseModel):
    """One alarm that is not normal."""

    rule: str
    group: int | None
    state: str
    priority: str
    value: Number
    limit: Number
    unit: str
    basis: str | None
    since_s: float
    until_s: Number
    cause: str | None = Field(description="why the system put it aside")


class WeakOut(BaseModel):
    """A group that holds the pack back for sure. Each figure has its standard uncertainty; null is unknown."""

    group: int
    short_of: Literal["capacity", "resistance", "both"]
    capacity_percent: Number = Field(description="of the middle group's")
    capacity_sigma_percent: Number
    resistance_percent: Number = Field(description="more than the middle group's")
    resistance_sigma_percent: Number


class LiveOut(BaseModel):
    """The bike at this moment. Lists have one entry a group, group 1 first; null is unknown."""

    sequence: int
    bike: str
    pack: str
    link: str
    age_s: Number
    time_s: Number
    loaded_v: list[Number]
    rest_v: list[Number]
    rest_sigma_v: list[Number]
    resistance_mohm: list[Number]
    state_of_charge: list[Number]
    unknown: list[str | None] = Field(description="why a group has no rest voltage, in words")
    current_a: Number = Field(description="positive while discharging")
    temperature_c: list[Number]
    distance_m: Number
    rest_limit_v: float
    floor_v: float
    full_v: float
    alarms: list[AlarmOut]
    sound: str | None
    ride_id: int | None
    notice: str | None
    energy_left_wh: Number = Field(description="until the weakest group's rest voltage is at rest_low's limit")
    energy_left_sigma_wh: Number = Field(description="its standard uncertainty")
    energy_home_wh: Number = Field(description="what it takes to get home, the way back being the way out")
    home_margin: float = Field(description="how much more turn_back wants, as a share of it")
    weak: list[WeakOut]


class RideOut(BaseModel):
    """One recorded ride; energy and charge are net, discharge positive."""

    ride_id: int
    pack: str
    series: int
    started_unix_s: float
    started_trusted: bool = Field(description="whether the clock behind started_unix_s could be trusted")
    duration_s: float
    samples: int
    ended_by: str | None = Field(description="null until the record has an end")
    now: bool = Field(description="whether it is the record of the board that is connected now")
    energy_wh: Number
    charge_ah: Number
    distance_m: Number
    current_max_a: Number
    loaded_min_v: Number
    rest_min_v: Number
    alarms: int
    thinned: bool = Field(description="samples at full rate are gone; the extremes of every 2 s are left")
    kind: Literal["ride", "charge", "standing"]
    name: str | None = Field(description="given by a person")
    note: str
    deleted: bool = Field(description="it can be had back")


class RidesOut(BaseModel):
    rides: list[RideOut]


class ChannelsOut(BaseModel):
    ride_id: int
    channels: list[str]


class EventOut(BaseModel):
    """One transition of one alarm. `time_s` runs on the daemon's own clock, `stored_unix_s` on the wall's,
    `ride_s` from the ride's first sample."""

    event_id: int
    ride_id: int | None
    stored_unix_s: float
    ride_s: Number
    time_s: float
    rule: str
    group: int | None
    to: str
    priority: str
    value: Number
    limit: Number
    unit: str
    basis: str | None
    by: str | None


class EventsOut(BaseModel):
    events: list[EventOut]


class RuleOut(BaseModel):
    rule: str
    limit: Number
    deadband: float
    on_delay_s: float
    off_delay_s: float
    re_alarm_s: float
    priority: str
    latching: bool
    enabled: bool


class PackOut(BaseModel):
    name: str
    series: int
    parallel: int
    chemistry: str
    capacity_ah: float
    full_v: float
    empty_v: float
    rules: list[RuleOut]


class PacksOut(BaseModel):
    fitted: str
    packs: list[PackOut]


class AcknowledgeIn(Strict):
    """Without a rule every alarm is meant, without a group every group of the rule."""

    rule: RuleName | None = None
    group: GroupNumber | None = None


class ShelveIn(Strict):
    rule: RuleName
    duration_s: Annotated[float, Field(ge=0, le=86400, description="0 ends the shelving")]
    group: GroupNumber | None = None


class DoneOut(BaseModel):
    done: Literal[True] = True

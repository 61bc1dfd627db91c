"""What the API says of records that are over, field by field. Law: snake_case with the unit last, None for unknown."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field, StringConstraints

from sagwise_api.schemas import Number, RideOut, Strict

Words = Annotated[str, StringConstraints(max_length=4000)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=64, pattern=r"^[^\x00-\x1f\x7f]+$")]


class GroupFiguresOut(BaseModel):
    group: int
    loaded_min_v: Number
    rest_min_v: Number
    rest_start_v: Number
    rest_end_v: Number
    sag_v: Number = Field(description="rest minus loaded voltage at sag_current_a")
    resistance_mohm: Number
    resistance_25c_mohm: Number
    resistance_ratio: Number = Field(description="at 25 degC, to the pack's median")
    resistance_before_ratio: Number = Field(description="at 25 degC, to the median of the earlier rides")
    capacity_ah: Number = Field(description="from full to empty, by this ride alone")
    capacity_sigma_ah: Number
    calm_start_v: Number = Field(description="measured without load at the start")
    calm_end_v: Number


class WeakestOut(BaseModel):
    group: int
    reason: Literal["resistance", "rest", "capacity", "both", "none"]
    words: str


class SensorOut(BaseModel):
    sensor: int
    low_c: Number
    high_c: Number
    mean_c: Number


class RaisedOut(BaseModel):
    rule: str
    priority: str
    count: int
    first_s: Number
    groups: list[int]


class PlainBuzzerOut(BaseModel):
    limit_v: Number
    on_delay_s: float
    sounded: int
    first_s: Number
    before_low: int = Field(description="times it sounds while no group was low at rest yet")


class GroupChargedOut(BaseModel):
    group: int
    end_v: Number
    full_s: Number = Field(description="seconds from the record's start; null where it never was full")


class ChargedOut(BaseModel):
    """Energy and charge went in, positive."""

    duration_s: Number
    charge_ah: Number
    energy_wh: Number
    current_max_a: Number
    end_spread_v: Number
    end_low_v: Number
    end_high_v: Number
    first_full: list[int]
    last_full: list[int]
    groups: list[GroupChargedOut]


class GroupLossOut(BaseModel):
    group: int
    loss_v: Number
    loss_v_per_day: Number
    loss_soc_per_day: Number


class SelfDischargeOut(BaseModel):
    from_ride_id: int | None
    hours: float
    median_loss_v_per_day: Number
    groups: list[GroupLossOut]
    losing: list[int] = Field(description="groups that lose clearly more than the others")
    words: str


class SummaryOut(BaseModel):
    """Energy and charge are net, discharge positive; energy_out_wh and energy_in_wh its two parts."""

    kind: str
    duration_s: float
    samples: int
    distance_m: Number
    charge_ah: Number
    energy_wh: Number
    energy_out_wh: Number
    energy_in_wh: Number
    wh_per_km: Number
    wh_per_min: Number
    current_max_1s_a: Number = Field(description="highest mean over 1 s")
    current_max_10s_a: Number
    current_max_60s_a: Number
    loaded_min_v: Number
    rest_min_v: Number
    sag_current_a: Number
    resistance_median_25c_mohm: Number
    rest_spread_start_v: Number
    rest_spread_end_v: Number
    earlier_rides: int
    groups: list[GroupFiguresOut]
    weakest: WeakestOut | None
    temperatures: list[SensorOut]
    alarms: list[RaisedOut]
    plain_buzzer: PlainBuzzerOut | None
    charge: ChargedOut | None
    standing: SelfDischargeOut | None
    since_before: SelfDischargeOut | None = Field(description="what was lost since the pack's record before")


class RideWithSummaryOut(RideOut):
    summary: SummaryOut | None = Field(description="null while the record goes on")


class RideChangeIn(Strict):
    """What is not named stays as it is."""

    name: Name | None = None
    note: Words | None = None
    pack: Name | None = Field(None, description="name of the pack that it really was")


class KnownPackOut(BaseModel):
    name: str
    series: int
    parallel: int
    chemistry: str
    rides: int
    last_unix_s: float


class KnownPacksOut(BaseModel):
    packs: list[KnownPackOut]


class TrendOut(BaseModel):
    """A straight line by least squares; at `days_end` days its value is at_end. The sigmas are standard errors."""

    rides: int
    days_end: float
    at_end: Number
    at_end_sigma: Number
    per_year: Number
    per_year_sigma: Number
    scatter: Number
    sure: bool = Field(description="the slope is beyond three standard errors")


class GroupHealthOut(BaseModel):
    group: int
    latest: Number = Field(description="median of the newest rides")
    ratio: Number = Field(description="of latest to the pack's median")
    trend: TrendOut | None
    against_others: TrendOut | None = Field(description="trend of the ratio to the pack's median")


class FigureOut(BaseModel):
    unit: str
    median: TrendOut | None
    groups: list[GroupHealthOut]


class HealthPointOut(BaseModel):
    ride_id: int
    unix_s: Number
    resistance_mohm: list[Number] = Field(description="by group, at 25 degC")
    capacity_ah: list[Number]
    spread_v: Number


class HealthOut(BaseModel):
    pack: str
    series: int
    rides: int = Field(description="with a date and a figure")
    days: float
    undated: int
    enough: bool
    words: str
    ageing: list[int]
    fading: list[int]
    resistance: FigureOut
    capacity: FigureOut
    spread: TrendOut | None
    points: list[HealthPointOut]


class BandOut(BaseModel):
    low: list[Number]
    high: list[Number]


class SideOut(BaseModel):
    name: str
    pack: str
    ride_ids: list[int]
    thinned: bool = Field(description="some of its rides are extremes of every 2 s; energy is then placed by those")
    end: Number = Field(description="where it ends on the axis")
    channels: dict[str, BandOut]


class ComparisonOut(BaseModel):
    by: str
    unit: str
    x: list[Number] = Field(description="middle of each span")
    sides: list[SideOut]

"""Documents of rides that are over, and a judge of other settings, made up for tests of the page. Law: the shapes are
those that the API's schemas hold; the figures are chosen so that one group is odd.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from sagwise_daemon.domain.owner import TriedRide
from sagwise_daemon.domain.ports import KnownPack
from sagwise_daemon.domain.ride.settings_grid import Setting, Tried, Warnings

SERIES, WEAK = 16, 7
DAY_S = 86400.0


def group_figures(group: int) -> dict[str, Any]:
    ratio = 1.46 if group == WEAK else 1.0 + 0.02 * ((group * 7) % 5 - 2)
    return {
        "group": group,
        "loaded_min_v": 2.94 if group == WEAK else 3.05,
        "rest_min_v": 3.27 if group == WEAK else 3.36,
        "rest_start_v": 4.05,
        "rest_end_v": 3.28 if group == WEAK else 3.37,
        "sag_v": 0.19 * ratio,
        "resistance_mohm": 2.9 * ratio,
        "resistance_25c_mohm": 2.7 * ratio,
        "resistance_ratio": ratio,
        "resistance_before_ratio": 1.02,
        "capacity_ah": None,
        "capacity_sigma_ah": None,
        "calm_start_v": 4.04,
        "calm_end_v": 3.36,
    }


def summary() -> dict[str, Any]:
    return {
        "kind": "ride", "duration_s": 2280.0, "samples": 22800, "distance_m": 11800.0, "charge_ah": 10.4,
        "energy_wh": 612.4, "energy_out_wh": 640.0, "energy_in_wh": 27.6, "wh_per_km": 51.9, "wh_per_min": 16.1,
        "current_max_1s_a": 129.0, "current_max_10s_a": 96.0, "current_max_60s_a": 41.0, "loaded_min_v": 2.94,
        "rest_min_v": 3.27, "sag_current_a": 45.0, "resistance_median_25c_mohm": 2.7, "rest_spread_start_v": 0.01,
        "rest_spread_end_v": 0.09, "earlier_rides": 4, "groups": [group_figures(n) for n in range(1, SERIES + 1)],
        "weakest": {"group": WEAK, "reason": "resistance", "words": "It resists 46 % more than the others."},
        "temperatures": [{"sensor": 1, "low_c": 21.0, "high_c": 34.0, "mean_c": 28.0}],
        "alarms": [{"rule": "rest_low", "priority": "high", "count": 1, "first_s": 2105.0, "groups": [WEAK]}],
        "plain_buzzer": {"limit_v": 3.3, "on_delay_s": 1.0, "sounded": 23, "first_s": 310.2, "before_low": 19},
        "charge": None, "standing": None, "since_before": None,
    }  # fmt: skip


def trend(at_end: float, per_year: float, sure: bool) -> dict[str, Any]:
    return {
        "rides": 41, "days_end": 212.0, "at_end": at_end, "at_end_sigma": 0.02, "per_year": per_year,
        "per_year_sigma": 0.05, "scatter": 0.04, "sure": sure,
    }  # fmt: skip


def health(pack: str) -> dict[str, Any]:
    def figure(unit: str, level: float, weak: float) -> dict[str, Any]:
        groups = [
            {
                "group": n,
                "latest": level * (weak if n == WEAK else 1.0),
                "ratio": weak if n == WEAK else 1.0,
                "trend": trend(level, 0.9 if n == WEAK else 0.1, n == WEAK),
                "against_others": None,
            }
            for n in range(1, SERIES + 1)
        ]
        return {"unit": unit, "median": trend(level, 0.1, False), "groups": groups}

    points = [
        {
            "ride_id": n + 1,
            "unix_s": 1.7e9 + 5 * n * DAY_S,
            "resistance_mohm": [2.6 + 0.002 * n + (0.02 * n if g == WEAK else 0.01 * (g % 3)) for g in range(1, 17)],
            "capacity_ah": [22.0 - 0.01 * n] * SERIES,
            "spread_v": 0.02 + 0.001 * n,
        }
        for n in range(41)
    ]
    return {
        "pack": pack, "series": SERIES, "rides": 41, "days": 212.0, "undated": 1, "enough": True,
        "words": "Group 7 ages faster than the others: 48 ± 3 % a year more resistance against them, now 1.30 times "
        "the median. Look at its joints, then at its cells.", "ageing": [WEAK], "fading": [],
        "resistance": figure("mOhm", 2.7, 1.3), "capacity": figure("Ah", 21.5, 0.97),
        "spread": trend(0.06, 0.1, True), "points": points,
    }  # fmt: skip


class MadeArchive:
    """Implements `domain.ports.Archive`. replace: called with a ride's number and what is changed of it."""

    def __init__(self, replace: Callable[..., None]) -> None:
        self._replace = replace

    def summary(self, ride_id: int) -> Mapping[str, Any] | None:
        return summary() if ride_id == 3 else None

    def health(self, pack: str) -> Mapping[str, Any]:
        return health(pack)

    def compare(self, sides: Sequence[int | str], by: str, channels: Sequence[str], points: int) -> Mapping[str, Any]:
        if by == "distance":
            raise ValueError("ride 1 has no distance, so there is no such axis")
        x = [2280.0 * (n + 0.5) / points for n in range(points)]
        told = []
        for place, side in enumerate(sides):
            low = [4.05 - 0.1 * place - 0.00034 * at if at < 2280 - 700 * place else None for at in x]
            high = [None if value is None else value + 0.05 for value in low]
            bands = {name: {"low": low, "high": high} for name in channels}
            end = 2280.0 - 700 * place
            ride_ids = [side] if isinstance(side, int) else [3, 2]
            side_told = {"name": str(side), "pack": "Otter", "ride_ids": ride_ids, "thinned": False, "end": end}
            told.append({**side_told, "channels": bands})
        return {"by": by, "unit": {"time": "s", "energy": "Wh"}[by], "x": x, "sides": told}

    def report(self, ride_id: int) -> str:
        raise ValueError("no report here")

    def known_packs(self) -> Sequence[KnownPack]:
        heron = KnownPack("Heron 14s", 14, 1, "lipo", 6, 1.69e9)
        return [
            heron,
            KnownPack("Otter 16s5p", SERIES, 5, "nmc", 41, 1.7e9),
            KnownPack("Wren 16s", 16, 1, "lfp", 9, 1.6e9),
        ]

    def change(self, ride_id: int, wish: Mapping[str, str | None]) -> None:
        self._replace(ride_id, **wish)

    def delete(self, ride_id: int) -> None:
        self._replace(ride_id, deleted=True)

    def restore(self, ride_id: int) -> None:
        self._replace(ride_id, deleted=False)


class MadeJudge:
    """Implements `domain.owner.WhatIf`: a rest line that falls evenly, and pulls that dip 0.5 V under it.

    So the rule warns once, where the line meets the limit; a plain buzzer at every pull that dips below it.
    """

    def __init__(self, now: Any) -> None:
        self.now = now
        self.asked: list[int] = []

    def judge(self, ride_id: int) -> TriedRide:
        self.asked.append(ride_id)
        if ride_id > 3:
            raise KeyError(ride_id)
        end_s, floor_s = 2280.0, 2250.0
        tried = []
        for step in range(41):
            limit = round(2.8 + 0.02 * step, 2)
            for delay in (0.5, 1.0, 2.0, 5.0, 10.0):
                low_s = rest_s(limit) + delay
                rest = warned([low_s] if low_s < end_s else [], end_s, floor_s)
                dips = [100.0 * n for n in range(1, 23) if rest_s(limit + 0.5) < 100.0 * n]
                tried.append(Tried(Setting(limit, delay), rest, warned(dips, end_s, floor_s)))
        return TriedRide(ride_id, "Otter 16s5p", end_s, self.now(), floor_s, tuple(tried))


def rest_s(volts: float) -> float:
    """When the made ride's lowest rest voltage falls to `volts`."""
    return (4.05 - volts) / 0.78 * 2280.0


def warned(times_s: list[float], end_s: float, floor_s: float) -> Warnings:
    if not times_s:
        return Warnings(())
    raises = tuple((time_s, WEAK) for time_s in times_s)
    return Warnings(raises, end_s - times_s[0], None, floor_s - times_s[0], None)

"""A pack, readings and estimates as an alarm test needs them, and a bench that counts time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from sagwise_daemon.domain.alarm.engine import Engine
from sagwise_daemon.domain.model import AlarmEvent, Cell, Estimate, Pack, Reading, Unknown
from sagwise_daemon.domain.pack.chemistry import built_in_curve
from sagwise_daemon.domain.pack.profile import build_pack

NAN = float("nan")


def make_pack(series: int = 3, rules: Mapping[str, Mapping[str, Any]] | None = None, **cell: Any) -> Pack:
    soc, v = built_in_curve("nmc")
    facts: dict[str, Any] = {
        "chemistry": "nmc",
        "capacity_ah": 4.5,
        "full_v": 4.20,
        "empty_v": 2.80,
        "resistance_mohm": 14.0,
        "max_discharge_a": 30.0,
        "ocv_soc": soc,
        "ocv_v": v,
    }
    return build_pack("Otter", series, 5, Cell(**{**facts, **cell}), rules or {})


def an_estimate(time_s: float, rest_v: np.ndarray, sigma_v: float = 0.0) -> Estimate:
    filled = np.full(len(rest_v), 0.5)
    unknown = np.where(np.isnan(rest_v), Unknown.SETTLING, Unknown.KNOWN).astype(np.int8)
    sigma = np.where(np.isnan(rest_v), NAN, sigma_v)
    return Estimate(time_s, rest_v, sigma, rest_v, filled, filled, filled, unknown)


@dataclass
class Bench:
    """Feeds an engine at a steady step; `events` is everything it has said."""

    pack: Pack
    step_s: float = 0.1
    tick: int = 0
    start_s: float = 0.0
    events: list[AlarmEvent] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.engine = Engine(self.pack)

    @property
    def time_s(self) -> float:
        return self.start_s + self.tick * self.step_s

    def groups(self, value: Any) -> np.ndarray:
        return np.array(np.broadcast_to(np.asarray(value, float), (self.pack.series,)))

    def read(
        self,
        *,
        v: Any = 3.7,
        rest: Any = 3.8,
        sigma: float = 0.0,
        current: float = 0.0,
        temps: Any = (25.0,),
        seconds: float | None = None,
        shortfall: Any = 0.0,
    ) -> list[AlarmEvent]:
        """One reading, or as many as `seconds` hold; what they brought."""
        before = len(self.events)
        for _ in range(1 if seconds is None else round(seconds / self.step_s)):
            reading = Reading(self.time_s, self.groups(v), current, np.asarray(temps, float))
            estimate = an_estimate(self.time_s, self.groups(rest), sigma)
            self.events += self.engine.reading(reading, estimate, shortfall)
            self.tick += 1
        return self.events[before:]

    def silent(self, age_s: float) -> list[AlarmEvent]:
        said = list(self.engine.silence(age_s))
        self.events += said
        return said


@pytest.fixture(scope="session")
def pack() -> Callable[..., Pack]:
    return make_pack


@pytest.fixture(scope="session")
def bench() -> Callable[..., Bench]:
    def build(rules: Mapping[str, Mapping[str, Any]] | None = None, *, step_s: float = 0.1, **pack: Any) -> Bench:
        return Bench(make_pack(rules=rules, **pack), step_s)

    return build

"""Where outcomes go. Law: no outlet can hold up the alarm path; each has a bound and a named drop policy.

The store has its own bound (`io.store`); the live view keeps the latest only; MQTT keeps a short queue.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

from sagwise_daemon.domain.estimate import Weakness
from sagwise_daemon.domain.model import (
    AlarmEvent,
    AlarmView,
    Energy,
    Estimate,
    Floats,
    Pack,
    Priority,
    Reading,
    Unknown,
)
from sagwise_daemon.domain.ports import LiveState

UNKNOWN_WORDS: dict[int, str | None] = {
    Unknown.KNOWN: None,
    Unknown.STARTING: "starting: no readings yet",
    Unknown.SETTLING: "settling: 10 s of rest needed",
    Unknown.GAP: "readings were missing",
    Unknown.INVALID: "group's reading is invalid",
    Unknown.NO_CURRENT: "no current measured",
    Unknown.COLLAPSED: "sags too far: ease off",
}


class EventOutlet(Protocol):
    """Takes alarm events; must return at once and may drop by its own named policy."""

    def offer(self, event: AlarmEvent) -> None: ...


@dataclass(frozen=True, slots=True, eq=False)
class Moment:
    """What the pipeline last knew; the live state is worked out from it only when somebody looks."""

    reading: Reading | None = None
    estimate: Estimate | None = None
    alarms: tuple[AlarmView, ...] = ()
    sound: Priority | None = None
    ride_id: int | None = None
    notice: str | None = None
    energy: Energy | None = None
    weak: tuple[Weakness, ...] = ()


def plain(value: float, digits: int = 4) -> float | None:
    """A number for people and JSON: rounded, None where it is not known or without end."""
    return round(float(value), digits) if math.isfinite(value) else None


def column(values: Floats | None, count: int, digits: int = 4) -> tuple[float | None, ...]:
    """(groups,) array as a tuple with None for NaN; all None where there is no array."""
    if values is None:
        return (None,) * count
    return tuple(plain(v, digits) for v in values.tolist())


class LiveOutlet:
    """The live state. Drop policy: latest wins; watchers that are slow skip moments.

    Implements `domain.ports.Live`. Used from the event loop only.
    """

    def __init__(self, bike: str, pack: Pack, clock: Callable[[], float] = time.monotonic) -> None:
        self._bike = bike
        self._pack = pack
        self._clock = clock
        self._heard_at: float | None = None
        self._link_up = False
        self._moment = Moment()
        self._sequence = 0
        self._built: LiveState | None = None
        self._waiters: set[asyncio.Future[None]] = set()

    def show(self, moment: Moment, *, heard_at: float | None, link_up: bool) -> None:
        """Replace the present moment; `heard_at` is the monotonic time of the last valid sample."""
        self._moment, self._heard_at, self._link_up = moment, heard_at, link_up
        self._sequence += 1
        self._built = None
        for waiter in self._waiters:
            if not waiter.done():
                waiter.set_result(None)
        self._waiters.clear()

    def fit(self, pack: Pack) -> None:
        """Another pack, or other settings of the same."""
        if pack.series != self._pack.series:
            self._moment = Moment()  # its arrays are of other groups
        self._pack, self._built = pack, None

    def latest(self) -> LiveState:
        if self._built is None:
            self._built = self._build()
        age = None if self._heard_at is None else max(0.0, self._clock() - self._heard_at)
        return replace(self._built, age_s=None if age is None else round(age, 2))

    async def changed(self, sequence: int, timeout_s: float) -> LiveState:
        if self._sequence <= sequence:
            waiter: asyncio.Future[None] = asyncio.get_running_loop().create_future()
            self._waiters.add(waiter)
            try:
                await asyncio.wait_for(waiter, timeout_s)
            except TimeoutError:
                pass
            finally:
                self._waiters.discard(waiter)
        return self.latest()

    def _build(self) -> LiveState:
        reading, estimate, pack = self._moment.reading, self._moment.estimate, self._pack
        energy = self._moment.energy
        groups = pack.series
        reasons = estimate.unknown.tolist() if estimate is not None else [Unknown.STARTING] * groups
        return LiveState(
            sequence=self._sequence,
            bike=self._bike,
            pack=pack.name,
            link=self._link(),
            age_s=None,
            time_s=None if reading is None else round(reading.time_s, 3),
            loaded_v=column(reading.group_v if reading else None, groups),
            rest_v=column(estimate.rest_v if estimate else None, groups),
            rest_sigma_v=column(estimate.rest_sigma_v if estimate else None, groups),
            resistance_mohm=column(estimate.resistance_mohm if estimate else None, groups, 3),
            soc=column(estimate.soc if estimate else None, groups),
            unknown=tuple(UNKNOWN_WORDS[code] for code in reasons),
            current_a=plain(reading.current_a, 2) if reading else None,
            temperature_c=column(reading.temperature_c, 0, 1) if reading else (),
            distance_m=plain(reading.distance_m, 1) if reading else None,
            rest_limit_v=self._limit("rest_low"),
            floor_v=self._limit("loaded_floor"),
            full_v=pack.cell.full_v,
            alarms=self._moment.alarms,
            sound=None if self._moment.sound is None else self._moment.sound.value,
            ride_id=self._moment.ride_id,
            notice=self._moment.notice,
            energy_left_wh=plain(energy.left_wh, 2) if energy else None,
            energy_left_sigma_wh=plain(energy.left_sigma_wh, 2) if energy else None,
            energy_home_wh=plain(energy.home_wh, 2) if energy else None,
            home_margin=pack.rules["turn_back"].limit or 0.0,
            weak=self._moment.weak,
        )

    def _link(self) -> str:
        if self._heard_at is None:
            return "waiting"
        return "up" if self._link_up else "lost"

    def _limit(self, rule: str) -> float:
        limit = self._pack.rules[rule].limit
        return self._pack.cell.empty_v if limit is None else limit

"""Who rides. Law: from a seed and a list of segments come pack current, speed and distance, tick by tick.

The rider speaks in shares of the bike's peak current. A throttle follows the hand with a short lag; speed follows
from drive, slope, air and rolling resistance, so that regeneration ends when the bike stands.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

TICK_US = 50_000
TICK_S = TICK_US / 1e6

_THROTTLE_LAG_S = 0.12
_GRAVITY, _AIR = 9.81, 1.2
_DRAG_AREA_M2, _ROLLING = 0.55, 0.03  # upright rider on soft ground, chosen by hand
_EFFICIENCY = 0.85
_BRAKE_MPS2 = 3.0
_STANDING_MPS = 0.3

KINDS = ("rest", "ride", "cruise", "climb", "coast", "regen")


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of riding. intensity: share of the peak (of the regeneration limit in "regen"), 0 to 1.

    rest: standing. ride: bursts, easing and coasting at random. cruise: the throttle held. climb: held uphill, with
    the hand working. coast: no throttle. regen: braking into the pack while the bike moves.
    """

    kind: str
    duration_s: float
    intensity: float = 0.5


@dataclass(frozen=True, slots=True)
class BikeSpec:
    """peak_a, regen_a: limits of the controller. idle_a: what the electronics always take. mass_kg: with rider.

    hills: typical slope of the ground, 0 to 0.3. nominal_v: for speed only.
    """

    peak_a: float = 150.0
    regen_a: float = 30.0
    idle_a: float = 0.1
    mass_kg: float = 120.0
    hills: float = 0.04
    nominal_v: float = 57.0


class Rider:
    """Rides the segments once and then stands. `current_a`, `speed_mps`, `distance_m` are those of the last tick."""

    def __init__(self, segments: Sequence[Segment], bike: BikeSpec, rng: np.random.Generator) -> None:
        self._segments = list(segments)
        self._bike = bike
        self._rng = rng
        self._phases = rng.uniform(0.0, 2.0 * math.pi, 3).tolist()
        self._at = 0
        self._left_s = segments[0].duration_s if segments else math.inf
        self._hand = _Hand(rng)
        self._throttle = 0.0
        self.current_a = bike.idle_a
        self.speed_mps = 0.0
        self.distance_m = 0.0

    @property
    def segment(self) -> Segment:
        """The present one; after the last a rest without end."""
        return self._segments[self._at] if self._at < len(self._segments) else Segment("rest", math.inf)

    def tick(self) -> float:
        """Ride for `TICK_S`; the pack current over it, A."""
        self._advance()
        segment = self.segment
        wanted = self._hand.wanted(segment, self.slope())
        if wanted < 0.0 and self.speed_mps < _STANDING_MPS:
            wanted = 0.0
        self._throttle += (wanted - self._throttle) * (1.0 - math.exp(-TICK_S / _THROTTLE_LAG_S))
        share = self._throttle
        limit = self._bike.peak_a if share >= 0.0 else self._bike.regen_a
        self.current_a = self._bike.idle_a + limit * max(-1.0, min(share, 1.0))
        self._move(segment)
        return self.current_a

    def slope(self) -> float:
        """Of the ground here: a sum of three waves, steeper while climbing."""
        first, second, third = self._phases
        at = 2.0 * math.pi * self.distance_m
        waves = math.sin(at / 90.0 + first) + math.sin(at / 310.0 + second) + math.sin(at / 1100.0 + third)
        return self._bike.hills * waves / 1.5 + (0.10 if self.segment.kind == "climb" else 0.0)

    def _advance(self) -> None:
        while self._left_s <= 0.0 and self._at < len(self._segments):
            self._at += 1
            self._left_s += self.segment.duration_s
        self._left_s -= TICK_S

    def _move(self, segment: Segment) -> None:
        bike, speed = self._bike, self.speed_mps
        power_w = bike.nominal_v * (self.current_a - bike.idle_a)
        drive = power_w * (_EFFICIENCY if power_w > 0.0 else 1.0 / _EFFICIENCY) / max(speed, 4.0)
        weight = bike.mass_kg * _GRAVITY
        against = 0.5 * _AIR * _DRAG_AREA_M2 * speed * speed + weight * (_ROLLING + self.slope())
        if segment.kind == "rest":
            against += bike.mass_kg * _BRAKE_MPS2
        self.speed_mps = max(0.0, speed + (drive - against) / bike.mass_kg * TICK_S)
        if segment.kind == "rest" and self.speed_mps < _STANDING_MPS:
            self.speed_mps = 0.0
        self.distance_m += 0.5 * (speed + self.speed_mps) * TICK_S


class _Hand:
    """What the throttle hand wants, as a share of the peak; below zero it brakes into the pack."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._level = 0.0
        self._hold_s = 0.0
        self._waver = 0.0
        self._segment: Segment | None = None

    def wanted(self, segment: Segment, slope: float) -> float:
        if segment is not self._segment:
            self._segment, self._hold_s = segment, 0.0
        if segment.kind in ("rest", "coast"):
            return 0.0
        if segment.kind == "regen":
            return -segment.intensity
        self._wander(0.30 if segment.kind == "climb" else 0.05)
        if segment.kind == "ride":
            return self._burst(segment.intensity, slope)
        return max(0.0, segment.intensity * (1.0 + self._waver))

    def _wander(self, size: float) -> None:
        """An Ornstein-Uhlenbeck waver of standard deviation `size` and 2 s memory."""
        keep = math.exp(-TICK_S / 2.0)
        self._waver = keep * self._waver + size * math.sqrt(1.0 - keep * keep) * self._rng.standard_normal()

    def _burst(self, intensity: float, slope: float) -> float:
        self._hold_s -= TICK_S
        if self._hold_s <= 0.0:
            self._draw(intensity, slope)
        return self._level if self._level <= 0.0 else max(0.0, self._level * (1.0 + self._waver))

    def _draw(self, intensity: float, slope: float) -> None:
        """Next hold: a pull, an easy stretch, coasting or a touch of regeneration. Uphill there is more pulling."""
        chance = self._rng.random() - min(max(slope, -0.2), 0.2)
        if chance < 0.38:
            self._level = intensity * self._rng.uniform(0.6, 1.0)
            self._hold_s = self._rng.lognormal(0.7, 0.5)
        elif chance < 0.70:
            self._level = intensity * self._rng.uniform(0.08, 0.35)
            self._hold_s = self._rng.lognormal(1.2, 0.5)
        elif chance < 0.92:
            self._level = 0.0
            self._hold_s = self._rng.lognormal(0.9, 0.5)
        else:
            self._level = -self._rng.uniform(0.2, 0.8)
            self._hold_s = self._rng.lognormal(0.2, 0.3)

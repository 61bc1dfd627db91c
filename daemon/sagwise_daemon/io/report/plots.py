"""Plots as inline SVG under HTML labels. Law: the drawing stretches with the page, the words do not; what was not
measured is not drawn.

Every drawing has the same box, 0 to `BOX` both ways, stretched to its frame; strokes keep their width.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.model import Floats

BOX = 1000.0
TICKS = 5
STEPS = (1.0, 2.0, 5.0, 10.0)


@dataclass(frozen=True, slots=True)
class Axis:
    """A range and its round ticks."""

    low: float
    high: float
    ticks: tuple[float, ...]

    def share(self, value: float) -> float:
        """Where a value lies, 0 to 1."""
        return (value - self.low) / (self.high - self.low)


@dataclass(frozen=True, slots=True)
class Rule:
    """A limit across a plot."""

    value: float
    words: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A numbered moment. lane: how far up it stands, so that neighbours do not cover each other."""

    number: int
    at_s: float
    priority: str
    lane: int = 0


def axis(low: float, high: float, ticks: int = TICKS) -> Axis:
    """A range that holds both, with ticks at 1, 2 or 5 times a power of ten."""
    if not (math.isfinite(low) and math.isfinite(high)):
        low, high = 0.0, 1.0
    span = max(high - low, 1e-6 * max(1.0, abs(high)))
    rough = span / ticks
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * step for step in STEPS if power * step >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return Axis(low, low + span, tuple(round(number * step, 9) for number in range(first, last + 1)))


def lanes(moments: Sequence[float], end_s: float, most: int = 3, apart: float = 0.045) -> list[int | None]:
    """A lane for each moment, in turn, so that no two in a lane are closer than `apart` of the width; None: no room."""
    free = [-math.inf] * most
    found: list[int | None] = []
    for at_s in moments:
        share = at_s / max(end_s, 1e-9)
        lane = next((lane for lane in range(most) if share - free[lane] >= apart), None)
        if lane is not None:
            free[lane] = share
        found.append(lane)
    return found


def plot(
    title: str,
    unit: str,
    across: Axis,
    up: Axis,
    drawn: Sequence[str],
    rules: Sequence[Rule] = (),
    marks: Sequence[Mark] = (),
    height: int = 220,
) -> str:
    """One plot: its name, its drawing, ticks at the left, limits at the right, marks above."""
    lines = [_hair(up.share(tick)) for tick in up.ticks]
    lines += [_upright(across.share(mark.at_s)) for mark in marks]
    lines += list(drawn)
    lines += [_ruled(up.share(rule.value)) for rule in rules if 0.0 <= up.share(rule.value) <= 1.0]
    label = escape(f"{title}, {unit}, over {figure(across.high)} minutes")
    words = [
        f'<span class="tick" style="top:{_percent(1 - up.share(tick))}">{figure(tick)}</span>' for tick in up.ticks
    ]
    words += [
        f'<span class="rule" style="top:{_percent(1 - up.share(rule.value))}">{escape(rule.words)}</span>'
        for rule in rules
        if 0.0 <= up.share(rule.value) <= 1.0
    ]
    words += [_numbered(mark, across.share(mark.at_s)) for mark in marks]
    top = 1.6 * (1 + max((mark.lane for mark in marks), default=-1))
    return (
        f"<figure><figcaption>{escape(title)} <small>{escape(unit)}</small></figcaption>"
        f'<div class="frame" style="height:{height}px;margin-top:{top + 0.2:.1f}em">'
        f'<svg viewBox="0 0 {BOX:.0f} {BOX:.0f}" preserveAspectRatio="none" role="img" aria-label="{label}">'
        f"{''.join(lines)}</svg>{''.join(words)}</div></figure>"
    )


def minutes(across: Axis) -> str:
    """The time under the plots."""
    ticks = "".join(f'<span style="left:{_percent(across.share(tick))}">{figure(tick)}</span>' for tick in across.ticks)
    return f'<div class="minutes">{ticks}<b>minutes</b></div>'


def band(across: Axis, up: Axis, x: Floats, low: Floats, high: Floats, style: str = "band") -> str:
    """A filled band from lowest to highest."""
    parts = []
    for some in _runs(~(np.isnan(low) | np.isnan(high))):
        there = _points(across, up, x[some], high[some])
        back = _points(across, up, x[some][::-1], low[some][::-1])
        parts.append(f"M{'L'.join((*there, *back))}Z")
    return f'<path class="{style}" d="{"".join(parts)}"/>' if parts else ""


def line(across: Axis, up: Axis, x: Floats, y: Floats, style: str = "line") -> str:
    """A line; parts of one point are drawn as a dot."""
    parts = []
    for some in _runs(~np.isnan(y)):
        points = list(_points(across, up, x[some], y[some]))
        parts.append(f"M{'L'.join(points if len(points) > 1 else points * 2)}")
    return f'<path class="{style}" d="{"".join(parts)}"/>' if parts else ""


def bar(share: float, middle: float) -> str:
    """A bar from the left with the pack's median as an upright."""
    share = min(max(share, 0.0), 1.0)
    return (
        '<svg class="bar" viewBox="0 0 1000 20" preserveAspectRatio="none" aria-hidden="true">'
        f'<rect class="fill" x="0" y="4" width="{1000 * share:.0f}" height="12"/>'
        f'<path class="median" d="M{1000 * middle:.0f},0V20"/></svg>'
    )


def figure(value: float) -> str:
    """A tick's number, as short as it is exact, with a true minus."""
    return f"{value:.6g}".replace("-", "−")


def _runs(known: NDArray[np.bool_]) -> Iterator[slice]:
    edges = np.flatnonzero(np.diff(known, prepend=False, append=False)).reshape(-1, 2)
    for first, after in edges.tolist():
        yield slice(first, after)


def _points(across: Axis, up: Axis, x: Floats, y: Floats) -> Iterator[str]:
    for one, other in zip(x.tolist(), y.tolist(), strict=True):
        yield f"{BOX * across.share(one):.1f},{BOX * (1.0 - up.share(other)):.1f}"


def _numbered(mark: Mark, share: float) -> str:
    place = f"left:{_percent(share)};top:{-1.5 * mark.lane - 1.7:.1f}em"
    return f'<span class="mark {mark.priority}" style="{place}">{mark.number}</span>'


def _hair(share: float) -> str:
    return f'<path class="hair" d="M0,{BOX * (1 - share):.1f}H{BOX:.0f}"/>'


def _ruled(share: float) -> str:
    return f'<path class="limit" d="M0,{BOX * (1 - share):.1f}H{BOX:.0f}"/>'


def _upright(share: float) -> str:
    return f'<path class="moment" d="M{BOX * share:.1f},0V{BOX:.0f}"/>'


def _percent(share: float) -> str:
    return f"{100 * share:.2f}%"

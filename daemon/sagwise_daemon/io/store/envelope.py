"""Channels by name, and their minimum and maximum over spans of time. Law: reduced as integers, scaled at the end.

A channel is one column of one block of the chunks, or (`loaded_v`, `rest_v`) all of a block's columns at once. What a
level says of a span counts at the span's middle, brought inside the part of the ride that is asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.ports import Envelope
from sagwise_daemon.io.store.codec import Block, Ints
from sagwise_daemon.io.store.columns import (
    CURRENT,
    DISTANCE,
    ESTIMATES,
    GROUP,
    OCV,
    RECORDED,
    RESISTANCE,
    REST,
    SAMPLES,
    SIGMA,
    SOC,
    SPAN_US,
    STEPS,
    TEMPERATURE,
    Table,
    highest,
)

_HIGHEST = np.iinfo(np.int64).max
_ESTIMATES = {"rest_v": REST, "rest_sigma_v": SIGMA, "ocv_v": OCV, "resistance_mohm": RESISTANCE, "soc": SOC}


@dataclass(frozen=True, slots=True)
class Channel:
    """Where a channel lies. kind: as what it was recorded. column None: over all columns of the block."""

    kind: int
    block: int
    column: int | None


def channels_of(series: int, temperatures: int, *, current: bool, distance: bool) -> dict[str, Channel]:
    """All channels of a ride by name: the trace's columns, then estimates, then those over all groups."""
    found = {f"group_{n:02d}_v": Channel(SAMPLES, GROUP, n - 1) for n in range(1, series + 1)}
    if current:
        found["current_a"] = Channel(SAMPLES, CURRENT, 0)
    found |= {f"temperature_{n}_c": Channel(SAMPLES, TEMPERATURE, n - 1) for n in range(1, temperatures + 1)}
    if distance:
        found["distance_m"] = Channel(SAMPLES, DISTANCE, 0)
    for n in range(1, series + 1):
        found |= {f"group_{n:02d}_{name}": Channel(ESTIMATES, b, n - 1) for name, b in _ESTIMATES.items()}
    return found | {"loaded_v": Channel(SAMPLES, GROUP, None), "rest_v": Channel(ESTIMATES, REST, None)}


class Reduction:
    """Gathers the extremes of some channels, chunk after chunk."""

    def __init__(self, channels: Mapping[str, Channel], points: int, start_s: float, end_s: float) -> None:
        """Raises ValueError unless points is at least 1 and the span is not empty."""
        if points < 1:
            raise ValueError(f"points is {points}, at least 1 is needed")
        if not end_s > start_s:
            raise ValueError(f"the span from {start_s:g} s to {end_s:g} s is empty")
        self._channels = channels
        edges = np.linspace(start_s, end_s, points + 1)
        self._middle: Floats = (edges[:-1] + edges[1:]) / 2
        self._edges = np.ceil(np.round(edges * 1e6, 3)).astype(np.int64)
        self._edges[-1] += 1  # the last moment belongs to the last span
        self._low = np.full((len(channels), points), _HIGHEST)
        self._high = np.full((len(channels), points), -_HIGHEST)

    def wanted(self, kind: int) -> set[int]:
        """The blocks to decode of chunks of that kind or of a level of it."""
        mine = {channel.block for channel in self._channels.values() if channel.kind == RECORDED[kind]}
        return mine | {highest(kind, block) for block in mine} if kind in SPAN_US else mine

    def add(self, tables: Iterable[Table]) -> None:
        """Take in chunks of any kind, in any order."""
        for table in tables:
            bounds = np.searchsorted(self._times(table), self._edges)
            spans = np.flatnonzero(bounds[1:] > bounds[:-1])
            if spans.size:
                for block in self.wanted(RECORDED[table.kind]):
                    self._add_block(table, block, bounds, spans)

    def result(self) -> Envelope:
        """The envelope in SI units, NaN where a span is empty."""
        steps = np.array([STEPS[c.kind][c.block] for c in self._channels.values()])[:, None]
        empty = self._low == _HIGHEST
        low = np.where(empty, np.nan, self._low / steps)
        return Envelope(tuple(self._channels), self._middle, low, np.where(empty, np.nan, self._high / steps))

    def _times(self, table: Table) -> Ints:
        span_us = SPAN_US.get(table.kind)
        if span_us is None:
            return table.time_us
        first, last = self._edges[0], self._edges[-1] - 1
        middle = table.time_us + span_us // 2
        inside = (table.time_us + span_us > first) & (table.time_us <= last)
        return np.where(inside, np.clip(middle, first, last), middle)

    def _add_block(self, table: Table, block: int, bounds: Ints, spans: Ints) -> None:
        lows, highs = table.pair(block)
        count = len(lows.values)
        mine = [
            (row, c.column)
            for row, c in enumerate(self._channels.values())
            if (c.kind, c.block) == (RECORDED[table.kind], block)
        ]
        columns = [column for _, column in mine]
        needed = list(range(count)) if None in columns else sorted({c for c in columns if c is not None and c < count})
        if not needed:
            return
        part = slice(bounds[spans[0]], bounds[spans[-1] + 1])
        starts = bounds[spans] - part.start
        low = np.minimum.reduceat(_or(lows, needed, part, _HIGHEST), starts, axis=1)
        high = np.maximum.reduceat(_or(highs, needed, part, -_HIGHEST), starts, axis=1)
        position = {column: index for index, column in enumerate(needed)}
        for row, column in mine:
            if column is None:
                self._merge(row, spans, low.min(axis=0), high.max(axis=0))
            elif column in position:
                self._merge(row, spans, low[position[column]], high[position[column]])

    def _merge(self, row: int, spans: Ints, low: Ints, high: Ints) -> None:
        self._low[row, spans] = np.minimum(self._low[row, spans], low)
        self._high[row, spans] = np.maximum(self._high[row, spans], high)


def _or(block: Block, columns: list[int], rows: slice, otherwise: int) -> Ints:
    """Some columns and rows of a block, `otherwise` where there is no reading."""
    chosen_values, chosen_valid = block.values[:, rows], block.valid[:, rows]
    if len(columns) < len(chosen_values):
        chosen_values, chosen_valid = chosen_values[columns], chosen_valid[columns]
    return np.where(chosen_valid, chosen_values, otherwise)


def chosen(known: Mapping[str, Channel], names: Sequence[str]) -> dict[str, Channel]:
    """The named channels. Raises ValueError naming one that the ride has not."""
    for name in names:
        if name not in known:
            raise ValueError(f"channel {name!r} is unknown; this ride has {', '.join(known)}")
    return {name: known[name] for name in names}

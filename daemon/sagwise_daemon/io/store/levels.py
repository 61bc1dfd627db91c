"""Lowest and highest values over spans of fixed length, stored beside the samples. Law: nothing that was recorded
lies outside the extremes, and each level is made from the one beneath it, once.

    SAMPLES ── a minute folded ──▶ FINE, spans of 2 s ── twenty minutes folded ──▶ COARSE, spans of 16 s
    ESTIMATES (1 Hz by themselves) ── ten minutes folded ──▶ COARSE_ESTIMATES, spans of 64 s

A level is a table as any other (`columns`): its time is its span's beginning. Lowest and highest values are blocks of
their own, as groups in series resemble each other in each and not across. Spans count from the ride's first sample. One
that a fold cut in two has two rows.
"""

from __future__ import annotations

import numpy as np

from sagwise_daemon.io.store.codec import Block, Ints
from sagwise_daemon.io.store.columns import (
    BLOCKS,
    BOOT,
    CLOCK,
    COARSE,
    COARSE_ESTIMATES,
    ESTIMATES,
    FINE,
    RECORDED,
    SAMPLES,
    SPAN_US,
    Table,
)

# What is made when a kind is folded.
ABOVE = {SAMPLES: FINE, FINE: COARSE, ESTIMATES: COARSE_ESTIMATES}
_HIGHEST = np.iinfo(np.int64).max
_NOT_CHARTED = (CLOCK, BOOT)


def extremes(table: Table) -> Table:
    """The level above a table: `ABOVE` of its kind."""
    return _reduced(table, ABOVE[table.kind])


def merged(level: Table) -> Table:
    """A level with one row a span, in order."""
    return _reduced(level.rows_at(np.argsort(level.time_us, kind="stable").tolist()), level.kind)


def _reduced(table: Table, kind: int) -> Table:
    span = table.time_us // SPAN_US[kind]
    starts = np.flatnonzero(np.diff(span, prepend=span[0] - 1))
    time_us = (span[starts] * SPAN_US[kind])[None]
    begins = Block(time_us, np.ones_like(time_us, np.bool_), clock=True)
    lows, highs = zip(*(_over(table, index, starts) for index in range(1, BLOCKS[RECORDED[kind]])), strict=True)
    return Table(kind, (begins, *lows, *highs))


def _over(table: Table, index: int, starts: Ints) -> tuple[Block, Block]:
    """Lowest and highest values of a block over spans of rows; none of what is never charted."""
    if RECORDED[table.kind] == SAMPLES and index in _NOT_CHARTED:
        nothing = Block(np.empty((0, starts.size), np.int64), np.empty((0, starts.size), np.bool_))
        return nothing, nothing
    low, high = table.pair(index)
    least = np.minimum.reduceat(np.where(low.valid, low.values, _HIGHEST), starts, axis=1)
    most = np.maximum.reduceat(np.where(high.valid, high.values, -_HIGHEST), starts, axis=1)
    valid = least != _HIGHEST
    return Block(np.where(valid, least, 0), valid), Block(np.where(valid, most, 0), valid)


def sources(kind: int, span_us: float, *, thinned: bool) -> tuple[int, tuple[int, ...]]:
    """Where a chart reads what was recorded as `kind` (SAMPLES or ESTIMATES): the level whose chunks and pieces it
    takes, and the levels beneath, of which only the pieces are not in it yet.

    span_us: how long a span of the chart is. thinned: whether samples at full rate are gone.
    """
    chain = [kind]
    while (above := ABOVE.get(chain[0])) is not None and (
        span_us >= SPAN_US[above] or (thinned and chain[0] == SAMPLES)
    ):
        chain.insert(0, above)
    return chain[0], tuple(chain[1:])

"""Readings cut into blocks of a second. Law: the cut depends on the readings' times alone, not on how they come."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.model import Floats, Readings

Bools = NDArray[np.bool_]

BLOCK_S = 1.0  # long enough to average a hundred readings, short enough to name a fault within the on-delay
GAP_S = 3.0  # what lies before and after a longer silence is not compared


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Readings of about a second; rows along the first axis, at least one.

    group_v: (rows, groups). current_a, distance_m: (rows,). valid: (groups,) whether all its readings are.
    common_v: (rows,) the median of the groups that are trusted, NaN where no group is valid.
    """

    time_s: Floats
    group_v: Floats
    current_a: Floats
    distance_m: Floats
    valid: Bools
    common_v: Floats


class Cutter:
    """Gathers readings until a second is full."""

    def __init__(self) -> None:
        self._parts: list[Readings] = []
        self._began_s = -np.inf
        self._last_s = -np.inf

    def cut(self, readings: Readings) -> Iterator[tuple[int, Readings | None]]:
        """Each row that begins a new second, with the full one before it; None where a gap spoilt that."""
        times = readings.time_s.tolist()
        first = 0
        for row, now in enumerate(times):
            if now - self._began_s < BLOCK_S - 1e-6 and now - self._last_s <= GAP_S:
                self._last_s = now
                continue
            gap = now - self._last_s > GAP_S
            if row > first:
                self._parts.append(readings.rows(slice(first, row)))
            done = None if gap or not self._parts else _joined(self._parts)
            self._parts, first = [], row
            # The grid is kept, so that a second of 20 readings stays one of 20.
            self._began_s = now if now - self._began_s >= 2 * BLOCK_S else self._began_s + BLOCK_S
            self._last_s = now
            yield row, done
        self._parts.append(readings.rows(slice(first, None)))


def _joined(parts: list[Readings]) -> Readings:
    if len(parts) == 1:
        return parts[0]
    return Readings(
        np.concatenate([part.time_s for part in parts]),
        np.concatenate([part.group_v for part in parts]),
        np.concatenate([part.current_a for part in parts]),
        parts[0].temperature_c[:0],
        np.concatenate([part.distance_m for part in parts]),
    )


def block_of(rows: Readings, doubted: Bools) -> Block:
    """doubted: (groups,) groups that must not speak for the pack."""
    volts = rows.group_v
    valid = ~np.isnan(volts.sum(axis=0))
    trusted = valid & ~doubted
    if 2 * trusted.sum() < min(len(valid), 3):
        trusted = valid
    if not trusted.any():
        return Block(rows.time_s, volts, rows.current_a, rows.distance_m, valid, np.full(len(volts), np.nan))
    ordered = np.sort(volts[:, trusted], axis=1)
    count = ordered.shape[1]
    common = (ordered[:, (count - 1) // 2] + ordered[:, count // 2]) / 2
    return Block(rows.time_s, volts, rows.current_a, rows.distance_m, valid, common)

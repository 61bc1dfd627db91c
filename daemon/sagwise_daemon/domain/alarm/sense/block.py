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

    group_v: (rows, groups). current_a, distance_m: (rows,). valid: (groups,) whether all its readings are; whole:
    whether every group's are. mean_v: (groups,), NaN for those that are not. common_v: (rows,) the median of the groups
    that are trusted, NaN where no group is valid. common_mean_v, mean_a: means of it and of the current.
    """

    time_s: Floats
    group_v: Floats
    current_a: Floats
    distance_m: Floats
    valid: Bools
    whole: bool
    mean_v: Floats
    common_v: Floats
    common_mean_v: float
    mean_a: float


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
    mean_v = _mean(volts)
    valid = mean_v == mean_v
    trusted = valid & ~doubted
    if 2 * trusted.sum() < min(len(valid), 3):
        trusted = valid
    common_v = _middle(volts, trusted) if trusted.any() else np.full(len(volts), np.nan)
    return Block(
        rows.time_s,
        volts,
        rows.current_a,
        rows.distance_m,
        valid=valid,
        whole=bool(valid.all()),
        mean_v=mean_v,
        common_v=common_v,
        common_mean_v=float(_mean(common_v)),
        mean_a=float(_mean(rows.current_a)),
    )


def _middle(volts: Floats, trusted: Bools) -> Floats:
    """(rows,) median of some of the groups."""
    ordered = np.sort(volts if trusted.all() else volts[:, trusted], axis=1)
    count = ordered.shape[1]
    return np.asarray((ordered[:, (count - 1) // 2] + ordered[:, count // 2]) / 2)


def _mean(rows: Floats) -> Floats:
    """Down the first axis; `np.mean` costs as much again as that."""
    return np.asarray(np.add.reduce(rows, axis=0) / len(rows))

"""A whole record out of its chunks. Law: no more at once than the arrays that are asked for and one chunk, since a
board of 512 MB has other things to hold.

Of a record that was thinned there are the extremes of every 2 s and the estimates, which is enough to draw it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np

from sagwise_daemon.domain.model import Estimates, Floats, Readings
from sagwise_daemon.domain.ride.recorded import at_25c, warmth_c
from sagwise_daemon.io.store.columns import (
    CURRENT,
    DISTANCE,
    GROUP,
    OCV,
    RESISTANCE,
    REST,
    SIGMA,
    SOC,
    SPAN_US,
    TEMPERATURE,
    Table,
    join,
)
from sagwise_daemon.io.store.levels import merged

Column = Callable[[Table], Floats]


def gathered(tables: Iterable[Table], columns: Sequence[Column], rows: int) -> list[Floats] | None:
    """(rows, …) each column over all tables, one after another; None without any.

    rows: how many there should be, as many as there is room for at first. A table may be broader than those before it
    (another sensor): what they lack is NaN.
    """
    found: list[Floats] = []
    filled = 0
    for table in tables:
        parts = [column(table) for column in columns]
        end = filled + table.rows
        if not found:
            found = [np.full((max(rows, end), part.shape[1]), np.nan) for part in parts]
        for place, part in enumerate(parts):
            found[place] = _room(found[place], end, part.shape[1])
            found[place][filled:end, : part.shape[1]] = part
        filled = end
    return [whole[:filled] for whole in found] if filled else None


def _room(whole: Floats, rows: int, width: int) -> Floats:
    """The array, or a larger copy where it has not so many rows or columns."""
    lacks = rows > len(whole)
    if not lacks and width <= whole.shape[1]:
        return whole
    larger = np.full((rows + rows // 4 if lacks else len(whole), max(width, whole.shape[1])), np.nan)
    larger[: len(whole), : whole.shape[1]] = whole
    return larger


def of(index: int) -> Column:
    """A block of a table, (rows, columns) in its unit."""
    return lambda table: table.floats(index).T


def _seconds(table: Table) -> Floats:
    return np.asarray(table.time_us[:, None] / 1e6)


def readings_of(samples: Iterable[Table], rows: int) -> Readings | None:
    """Stored samples as readings; None where there are none. rows: how many there should be."""
    found = gathered(samples, (_seconds, of(GROUP), of(CURRENT), of(TEMPERATURE), of(DISTANCE)), rows)
    if found is None:
        return None
    time_s, group_v, current_a, temperature_c, distance_m = found
    return Readings(time_s[:, 0], group_v, current_a[:, 0], temperature_c, distance_m[:, 0])


def estimates_of(tables: Iterable[Table], readings: Readings, rows: int) -> Estimates | None:
    """Stored estimates, None where there are none; resistance at 25 degC is worked out from the temperatures then."""
    found = gathered(tables, (_seconds, of(REST), of(SIGMA), of(OCV), of(RESISTANCE), of(SOC)), rows)
    if found is None:
        return None
    time_s, rest_v, sigma_v, ocv_v, resistance, soc = found
    warm = at_25c(resistance, warmth_c(readings, time_s[:, 0]))
    return Estimates(time_s[:, 0], rest_v, sigma_v, ocv_v, resistance, warm, soc, np.isnan(rest_v).astype(np.int8))


def extremes_of(levels: Iterable[Table], duration_s: float) -> Readings | None:
    """Two readings for each span of a level of samples: the lowest current with the highest voltages, and the highest
    current with the lowest voltages, as they go together; None where there are none.
    """
    tables = list(levels)
    if not tables:
        return None
    level = merged(join(tables))
    begins_s = level.time_us / 1e6
    time_s = np.minimum(np.stack([begins_s, begins_s + SPAN_US[level.kind] / 2e6], axis=1), duration_s)
    time_s[-1, 1] = duration_s
    return Readings(
        time_s.ravel(),
        _turns(level, GROUP, falling=True),
        _turns(level, CURRENT)[:, 0],
        _turns(level, TEMPERATURE),
        _turns(level, DISTANCE)[:, 0],
    )


def _turns(level: Table, index: int, *, falling: bool = False) -> Floats:
    """(2 · spans, columns) lowest and highest in turn, or the other way round."""
    low, high = level.floats(index).T, level.highest_floats(index).T
    pair = (high, low) if falling else (low, high)
    return np.stack(pair, axis=1).reshape(2 * level.rows, -1)

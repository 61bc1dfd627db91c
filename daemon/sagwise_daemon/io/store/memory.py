"""What rides taught, kept pack by pack: `ports.Memory`. Law: a document that cannot be read is no reason not to ride.

One row a pack, the newest only. Who asks for a pack gets what was learnt about the very same cells: the key is a digest
of the pack's electrical facts, so that a rebuilt pack begins anew and an alarm setting changes nothing.
"""

from __future__ import annotations

import json
import logging
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from sqlalchemy import Engine, Row, select
from sqlalchemy.exc import SQLAlchemyError

from sagwise_daemon.domain.estimate.settings import TAU_S as SLOW_ELEMENTS_S
from sagwise_daemon.domain.estimate.taught import SHARES as RESISTANCE_SHARES
from sagwise_daemon.domain.estimate.taught import Learnt
from sagwise_daemon.domain.model import Floats, Pack
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store.inbox import Keep
from sagwise_daemon.io.store.recorder import Recorder
from sagwise_daemon.io.store.snapshot import electrical_digest
from sagwise_daemon.io.store.tables import learnt as table

SECONDS_PER_DAY = 86400.0
GROUPS = {
    "resistance_25c_mohm": "resistance_25c_mohm",
    "resistance_steps": "steps",
    "group_capacity_ratio": "group_ratio",
    "group_capacity_ratio_sigma": "group_ratio_sigma",
}
GROUPS_SINCE = {"group_behind_ratio": "behind_ratio", "group_behind_ratio_sigma": "behind_ratio_sigma"}  # once absent
SINGLES = {
    "step_c": "step_c",
    "capacity_ratio": "ratio",
    "capacity_ratio_sigma": "ratio_sigma",
    "current_offset_c": "offset_c",
    "current_offset_sigma_c": "offset_sigma_c",
}
SHARES = "resistance_shares_v"  # volts per C at 25 degC
ELEMENTS = "slow_elements_s"  # the time constants that the shares were learnt with
SIGMAS = ("group_ratio_sigma", "behind_ratio_sigma", "ratio_sigma", "offset_sigma_c")  # unknown means infinite here

_log = logging.getLogger(__name__)


class StoredMemory:
    """Implements `domain.ports.Memory`. wall: looks at the host's clocks."""

    def __init__(self, readers: Engine, recorder: Callable[[], Recorder], wall: Callable[[], WallTime]) -> None:
        self._readers, self._recorder, self._wall = readers, recorder, wall

    def recall(self, pack: Pack) -> Learnt | None:
        """As the port has it. Raises StoreError where the store cannot be read."""
        query = select(table).where(table.c.pack_digest == electrical_digest(pack))
        try:
            with self._readers.connect() as connection:
                row = connection.execute(query).first()
        except SQLAlchemyError as fault:
            raise StoreError(f"what was learnt of {pack.name} cannot be read: {fault}") from fault
        if row is None:
            return None
        try:
            return replace(from_text(row.document, pack.series), rides=row.rides, age_days=self._age_days(row))
        except (ValueError, KeyError, TypeError) as fault:
            _log.warning("what was learnt of %s cannot be used and is left: %s", pack.name, fault)
            return None

    def keep(self, pack: Pack, learnt: Learnt) -> None:
        """As the port has it. Raises StoreError when the store is closed."""
        wall = self._wall()
        self._recorder().keep(
            Keep(electrical_digest(pack), pack.name, learnt.rides, wall.unix_s, wall.trusted, to_text(learnt))
        )

    def _age_days(self, row: Row[Any]) -> float:
        wall = self._wall()
        trusted = wall.trusted and row.updated_trusted
        return max(wall.unix_s - float(row.updated_unix_s), 0.0) / SECONDS_PER_DAY if trusted else math.nan


def to_text(learnt: Learnt) -> str:
    """As JSON, null where unknown."""
    names = GROUPS | GROUPS_SINCE | SINGLES
    document: dict[str, Any] = {key: _plain(getattr(learnt, name)) for key, name in names.items()}
    document[SHARES], document[ELEMENTS] = _plain(learnt.shares_v), list(SLOW_ELEMENTS_S)
    return json.dumps(document, sort_keys=True, allow_nan=False)


def from_text(text: str, groups: int) -> Learnt:
    """Raises ValueError, KeyError or TypeError for what is not a document of so many groups.

    Shares learnt with other slow elements have no meaning in these: they are left, and all else is kept. So it is
    of a document from before there were behind ratios.
    """
    document = json.loads(text)
    values: dict[str, Any] = {name: _row(document[key], groups, name) for key, name in GROUPS.items()}
    absent = [None] * groups
    values |= {name: _row(document.get(key, absent), groups, name) for key, name in GROUPS_SINCE.items()}
    values |= {name: float(_row([document[key]], 1, name)[0]) for key, name in SINGLES.items()}
    alike = document.get(ELEMENTS) == list(SLOW_ELEMENTS_S)
    shares = _row(document[SHARES] if alike else [None] * RESISTANCE_SHARES, RESISTANCE_SHARES, "shares_v")
    return Learnt(rides=0, shares_v=shares, **values)


def _plain(value: Floats | float) -> list[float | None] | float | None:
    if isinstance(value, np.ndarray):
        return [number if math.isfinite(number) else None for number in value.tolist()]
    return float(value) if math.isfinite(value) else None


def _row(values: list[float | None], count: int, name: str) -> Floats:
    if len(values) != count:
        raise ValueError(f"{name} has {len(values)} entries, {count} are needed")
    unknown = math.inf if name in SIGMAS else math.nan
    return np.array([unknown if value is None else float(value) for value in values])

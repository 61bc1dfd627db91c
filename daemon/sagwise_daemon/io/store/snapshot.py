"""A pack as it was ridden, as JSON. Law: the same pack gives the same text, and so the same digest."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import Any

from sagwise_daemon.domain.model import Cell, Pack, RuleSettings


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The row of `packs`: text is JSON, digest its SHA-256."""

    name: str
    series: int
    text: str
    digest: str


def take(pack: Pack) -> Snapshot:
    """The snapshot of a pack. Raises ValueError if a figure is not finite."""
    rules = {name: _rule(pack.rules[name]) for name in sorted(pack.rules)}
    text = _text(_facts(pack) | {"rules": rules})
    return Snapshot(pack.name, pack.series, text, _digest(text))


def electrical_digest(pack: Pack) -> str:
    """The same for the same cells in the same pack of the same name, whatever its alarm settings. Raises as `take`."""
    return _digest(_text(_facts(pack)))


def _facts(pack: Pack) -> dict[str, Any]:
    return {"name": pack.name, "series": pack.series, "parallel": pack.parallel, "cell": _cell(pack.cell)}


def _text(document: dict[str, Any]) -> str:
    return json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _cell(cell: Cell) -> dict[str, Any]:
    return {
        "chemistry": cell.chemistry,
        "capacity_ah": cell.capacity_ah,
        "full_v": cell.full_v,
        "empty_v": cell.empty_v,
        "resistance_mohm": cell.resistance_mohm,
        "max_discharge_a": cell.max_discharge_a,
        "ocv": [[float(soc), float(volts)] for soc, volts in zip(cell.ocv_soc, cell.ocv_v, strict=True)],
    }


def _rule(rule: RuleSettings) -> dict[str, Any]:
    return {
        "limit": rule.limit,
        "deadband": rule.deadband,
        "on_delay_s": rule.on_delay_s,
        "off_delay_s": rule.off_delay_s,
        "re_alarm_s": rule.re_alarm_s,
        "priority": rule.priority.value,
        "latching": rule.latching,
        "enabled": rule.enabled,
    }

"""A pack's snapshot as the pack again. Law: what was ridden is read back as it was, whatever the defaults are today."""

from __future__ import annotations

import json
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import numpy as np

from sagwise_daemon.domain.model import Cell, Pack, Priority, RuleSettings


def document_of(text: str) -> dict[str, Any]:
    """A snapshot's facts; none for a text that is damaged."""
    try:
        facts = json.loads(text)
    except ValueError:
        return {}
    return facts if isinstance(facts, dict) else {}


def pack_of(document: Mapping[str, Any]) -> Pack:
    """The pack of a snapshot (`snapshot.take`). Raises KeyError, TypeError or ValueError for what is none."""
    cell = dict(document["cell"])
    points = np.array(cell.pop("ocv"), float).reshape(-1, 2)
    rules = {name: _rule(dict(rule)) for name, rule in document["rules"].items()}
    return Pack(
        name=str(document["name"]),
        series=int(document["series"]),
        parallel=int(document["parallel"]),
        cell=Cell(**cell, ocv_soc=points[:, 0].copy(), ocv_v=points[:, 1].copy()),
        rules=MappingProxyType(rules),
    )


def pack_or_none(document: Mapping[str, Any]) -> Pack | None:
    """The same; None for a snapshot that was lost or damaged."""
    try:
        return pack_of(document)
    except (LookupError, TypeError, ValueError):
        return None


def lost(ride_id: int) -> str:
    """What is to be done about it, for people."""
    return (
        f"the pack of ride {ride_id} is not known any more; say which it was, on the page or with "
        f"`sagwise rides {ride_id} --correct-pack NAME`"
    )


def _rule(rule: dict[str, Any]) -> RuleSettings:
    return RuleSettings(**{**rule, "priority": Priority(rule["priority"])})

"""Strict reading of tables. Law: every key is named, typed and ranged; a fault names its path and what is allowed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


class ScenarioError(ValueError):
    """A scenario, or a trace to play, cannot be used. `str(error)` is the one line to print."""


class _Required:
    """Marks a key that has no default."""


REQUIRED = _Required()


@dataclass(frozen=True, slots=True)
class Key:
    """What one key may hold: a type, and for numbers a range, for text the choices or the longest length."""

    kind: type
    default: object = REQUIRED
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()

    def read(self, path: str, value: object) -> object:
        """The value as its type. Raises ScenarioError."""
        if self.kind is float and isinstance(value, int) and not isinstance(value, bool):
            value = float(value)
        if type(value) is not self.kind:
            raise ScenarioError(f"{path}: {value!r} is no {_NAMES[self.kind]}; {self.allowed()}")
        if isinstance(value, str):
            self._check_text(path, value)
        elif not self.low <= value <= self.high:  # type: ignore[operator]
            raise ScenarioError(f"{path}: {value!r} is out of range; {self.allowed()}")
        return value

    def allowed(self) -> str:
        """What may stand there, in words."""
        if self.choices:
            return "allowed: " + ", ".join(self.choices)
        if self.kind is bool:
            return "allowed: true, false"
        if self.kind is str:
            return f"allowed: text of 1 to {self.high:g} bytes"
        if math.isinf(self.low) and math.isinf(self.high):
            return "allowed: any finite number"
        return f"allowed: {self.low:g} to {self.high:g}"

    def _check_text(self, path: str, value: str) -> None:
        if self.choices and value not in self.choices:
            raise ScenarioError(f"{path}: {value!r} is unknown; {self.allowed()}")
        if not 1 <= len(value.encode()) <= self.high:
            raise ScenarioError(f"{path}: {value!r} has a wrong length; {self.allowed()}")


_NAMES = {float: "number", int: "whole number", bool: "true or false", str: "text"}


def read_table(path: str, table: object, keys: Mapping[str, Key]) -> dict[str, Any]:
    """Every key of `keys` with its value or default. Raises ScenarioError for what is unknown, missing or wrong."""
    if not isinstance(table, Mapping):
        raise ScenarioError(f"{path}: is no table; allowed: keys {', '.join(keys)}")
    for name in table:
        if name not in keys:
            raise ScenarioError(f"{join(path, name)}: unknown key; allowed: {', '.join(keys)}")
    return {name: _one(join(path, name), table, name, key) for name, key in keys.items()}


def join(path: str, name: str) -> str:
    """`path.name`, or `name` at the top."""
    return f"{path}.{name}" if path else name


def _one(path: str, table: Mapping[str, object], name: str, key: Key) -> object:
    if name in table:
        return key.read(path, table[name])
    if key.default is REQUIRED:
        raise ScenarioError(f"{path}: is missing; {key.allowed()}")
    return key.default

"""Which settings are searched, and within what. Law: a figure is one number of settings.py, found by its name.

A search moves in a cube: 0 is a figure's lowest value, 1 its highest. Ranges are what could still be meant by the
name; a figure that ends at the edge of its range says that the range, or the model, should be thought over.
"""

from __future__ import annotations

import ast
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from filters import Values

from sagwise_daemon.domain.estimate import settings
from sagwise_daemon.domain.model import Floats

SETTINGS = Path(settings.__file__)
ELEMENTS = len(settings.TAU_S)
DIGITS = 3  # what is found is known to no more


@dataclass(frozen=True)
class Figure:
    """name: in settings.py; place: in a tuple, None for a number. even: spread by differences, not by ratios."""

    name: str
    low: float
    high: float
    place: int | None = None
    even: bool = False

    @property
    def label(self) -> str:
        return self.name if self.place is None else f"{self.name}[{self.place}]"

    def of(self, values: Values) -> float:
        """Its value among settings."""
        value = values[self.name]
        return float(value if self.place is None else value[self.place])  # type: ignore[index,arg-type]

    def at(self, part: float) -> float:
        """The value at a place in the cube, to `DIGITS` digits."""
        value = self.low + (self.high - self.low) * part if self.even else self.low * (self.high / self.low) ** part
        return float(f"{value:.{DIGITS}g}")

    def part(self, value: float) -> float:
        """The place in the cube, at most at its faces."""
        held = min(max(value, self.low), self.high)
        if self.even:
            return (held - self.low) / (self.high - self.low)
        return float(np.log(held / self.low) / np.log(self.high / self.low))


def _each(name: str, low: float, high: float, even: bool = False) -> list[Figure]:
    """A figure of every slow element."""
    return [Figure(name, low, high, place, even) for place in range(ELEMENTS)]


COMMON = (
    Figure("OHMIC_SHARE", 0.2, 1.2, even=True),
    Figure("BENT_SHARE", 0.05, 1.2, even=True),
    Figure("FAST_POWER", 0.5, 1.6, even=True),
    Figure("SIGMA_RATIO", 0.003, 0.05),
    Figure("SIGMA_OHMIC", 0.1, 2.0),
    Figure("SIGMA_BENT", 0.05, 2.0),
    Figure("WALK_OHMIC", 0.0005, 0.05),
    Figure("WALK_BENT", 0.00005, 0.02),
    Figure("WALK_OFFSET_V", 0.0001, 0.004),
    Figure("OFFSET_TAU_S", 20.0, 3000.0),
    Figure("NOISE_V", 0.002, 0.08),
    Figure("NOISE_OF_DROP", 0.03, 1.2),
    Figure("NOISE_OF_CHANGE", 0.05, 5.0),
    Figure("PLATEAU", 0.1, 0.8),
    Figure("START_READ_SHARE", 0.1, 1.0),
    *_each("SLOW_SHARES", 0.02, 0.8),
    *_each("SLOW_LAGS", 0.0005, 0.08),
    *_each("SLOW_POWERS", 0.0, 3.0, even=True),
    *_each("SIGMA_SLOW", 0.1, 3.0),
    *_each("WALK_SLOW", 0.00005, 0.03),
    # The first element is charge transfer's tail, whose time lies between two readings; it acts outside the curve.
    *(Figure("TAU_S", low, high, 1 + k) for k, (low, high) in enumerate(((6.0, 25.0), (25.0, 90.0), (100.0, 900.0)))),
    *(Figure("INSIDE_SHARES", 0.0, 1.0, place, even=True) for place in range(ELEMENTS - 2, ELEMENTS)),
    # What is slow on a flat curve, which lies in it: only rides of such cells move these, and none of them the others.
    *_each("FLAT_SLOW_SHARES", 0.02, 0.8),
    *_each("FLAT_SLOW_LAGS", 0.0002, 0.08),
    *_each("FLAT_SIGMA_SLOW", 0.1, 3.0),
    *(Figure("FLAT_INSIDE_SHARES", 0.0, 1.0, place, even=True) for place in range(1, ELEMENTS)),
    Figure("LOADED_WALK_OFFSET_V", 0.0001, 0.01),
    Figure("LOADED_OFFSET_TAU_S", 20.0, 1000.0),
    Figure("LOADED_CHARGE_FLOOR_V", 0.001, 0.04),
    Figure("LOADED_SIGMA_SHARE", 0.05, 1.5),
    Figure("LOADED_NOISE", 0.1, 10.0),
)
PEERS = (
    Figure("PEER_SIGMA_SOC", 0.001, 0.03),
    Figure("PEER_SIGMA_RATIO", 0.02, 0.4),
    Figure("PEER_SIGMA_SCALE", 0.02, 0.5),
    Figure("PEER_CORRELATION", 0.0, 0.95, even=True),
    Figure("PEER_SIGMA_EXTRA", 0.02, 1.0),
    Figure("PEER_SIGMA_OFFSET_V", 0.0001, 0.01),
    Figure("PEER_WALK_SOC", 0.000001, 0.0005),
    Figure("PEER_WALK_RATIO", 0.00001, 0.01),
    Figure("PEER_WALK_SCALE", 0.0001, 0.05),
    Figure("PEER_WALK_EXTRA", 0.0001, 0.05),
    Figure("PEER_WALK_OFFSET_V", 0.000003, 0.001),
    Figure("PEER_NOISE_V", 0.001, 0.03),
    Figure("PEER_NOISE_OF_DROP", 0.003, 0.5),
    Figure("PEER_NOISE_OF_CHANGE", 0.003, 0.5),
    Figure("PEER_OFFSET_TAU_S", 15.0, 1000.0),
    Figure("LOADED_START_PEER_SIGMA", 0.005, 0.15),
)
ALL = (*COMMON, *PEERS)


def parts(figures: Sequence[Figure], values: Values) -> Floats:
    """Where settings stand in the cube, (figures,)."""
    return np.array([figure.part(figure.of(values)) for figure in figures])


def moved(figures: Sequence[Figure], values: Values, place: Floats) -> Values:
    """Settings with the figures at a place in the cube, all else as in `values`."""
    made = dict(values)
    for figure, part in zip(figures, place.tolist(), strict=True):
        value = figure.at(part)
        if figure.place is None:
            made[figure.name] = value
        else:
            row = list(made[figure.name])  # type: ignore[arg-type]
            row[figure.place] = value
            made[figure.name] = tuple(row)
    return made


def rewritten(source: str, found: Values) -> str:
    """The text of settings.py with the values of `found`; comments and all else stay.

    Raises ValueError for a name that is not assigned plain numbers there.
    """
    lines = source.splitlines(keepends=True)
    nodes = _values(ast.parse(source))
    changes: list[tuple[ast.expr, str]] = []
    for name, value in found.items():
        node, wanted = nodes.get(name), value if isinstance(value, tuple) else (value,)
        numbers = node.elts if isinstance(node, ast.Tuple) else [node]
        if len(numbers) != len(wanted) or not all(isinstance(number, ast.Constant) for number in numbers):
            raise ValueError(f"{name}: is not {len(wanted)} plain numbers in settings.py; write it by hand")
        changes += [(number, repr(one)) for number, one in zip(numbers, wanted, strict=True) if number is not None]
    for node, text in sorted(changes, key=lambda change: (change[0].lineno, change[0].col_offset), reverse=True):
        line = lines[node.lineno - 1].encode()
        lines[node.lineno - 1] = (line[: node.col_offset] + text.encode() + line[node.end_col_offset :]).decode()
    return "".join(lines)


def _values(tree: ast.Module) -> dict[str, ast.expr]:
    """What each name of a module is assigned; `A, B = 1, 2` counts as two."""
    found: dict[str, ast.expr] = {}
    for statement in tree.body:
        if not isinstance(statement, ast.Assign):
            continue
        target, value = statement.targets[0], statement.value
        if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
            found |= {
                name.id: one for name, one in zip(target.elts, value.elts, strict=True) if isinstance(name, ast.Name)
            }
        elif isinstance(target, ast.Name):
            found[target.id] = value
    return found

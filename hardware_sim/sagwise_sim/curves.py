"""Open-circuit curves of the simulated cells. Law: made here from published electrode fits, never the daemon's.

A cell at state of charge z has each electrode at a stoichiometry that moves linearly between its window's
ends; the cell's equilibrium voltage is the positive potential less the negative. The windows are ours, set so
that each cell spans its makers' usual 2.5 V (empty) to full.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]

_POINTS = 2001
_BEYOND = 0.05  # the table reaches this far past empty and full, so that a cell driven past its end still has a voltage


def _nmc_positive(y: Floats) -> Floats:
    """NMC811 of a 5 Ah cylindrical cell; O'Regan et al., Electrochim. Acta 425 (2022) 140700, from memory."""
    return np.asarray(
        -0.7983 * y
        + 4.513
        - 0.03269 * np.tanh(19.83 * (y - 0.5424))
        - 18.23 * np.tanh(14.33 * (y - 0.2771))
        + 18.05 * np.tanh(14.46 * (y - 0.2776))
    )


def _nmc_negative(x: Floats) -> Floats:
    """Graphite-SiOx of the same cell and source, from memory."""
    return np.asarray(
        1.051 * np.exp(-26.76 * x)
        + 0.1916
        - 0.05598 * np.tanh(35.62 * (x - 0.1356))
        - 0.04483 * np.tanh(14.64 * (x - 0.2861))
        - 0.02097 * np.tanh(26.28 * (x - 0.6183))
        - 0.02398 * np.tanh(38.1 * (x - 1.0))
    )


def _lipo_positive(y: Floats) -> Floats:
    """Layered oxide of a 7.5 Ah pouch; Ecker et al., J. Electrochem. Soc. 162 (2015) A1836, fit of Richardson 2020."""
    return np.asarray(
        -2.35211 * y
        + 4.23285
        - 0.0747061 * np.tanh(31.886 * (y - 0.0219921))
        + 6.34984 * np.tanh(2.66395 * (y - 0.174352))
        - 0.640243 * np.tanh(5.48623 * (y - 0.439245))
        - 3.82383 * np.tanh(4.12167 * (y - 0.176187))
        - 0.0542123 * np.tanh(18.2919 * (y - 0.762272))
    )


def _lipo_negative(x: Floats) -> Floats:
    """Graphite of the same pouch and source."""
    return np.asarray(
        0.716502 * np.exp(-369.028 * x)
        + 0.12193 * np.exp(-35.6478 * (x - 0.0530947))
        + 0.140031
        - 0.0189193 * np.tanh(21.1967 * (x - 0.196176))
        - 0.0169644 * np.tanh(27.1365 * (x - 0.312832))
        - 0.0199313 * np.tanh(28.5697 * (x - 0.614221))
        - 0.931153 * np.exp(36.328 * (x - 1.10743))
    )


def _lfp_positive(y: Floats) -> Floats:
    """LiFePO4; Safari & Delacourt, J. Electrochem. Soc. 158 (2011) A562, from memory."""
    rest = 1.0 - y
    return np.asarray(
        3.4323
        - 0.8428 * np.exp(-80.2493 * rest**1.3198)
        - 3.2474e-6 * np.exp(20.2645 * rest**3.8003)
        + 3.2482e-6 * np.exp(20.2646 * rest**3.7995)
    )


def _lfp_negative(x: Floats) -> Floats:
    """Graphite of the same source, from memory."""
    return np.asarray(
        0.6379
        + 0.5416 * np.exp(-305.5309 * x)
        - 0.044 * np.tanh((x - 0.1958) / 0.1088)
        - 0.1978 * np.tanh((x - 1.0571) / 0.0854)
        - 0.6875 * np.tanh((x + 0.0117) / 0.0529)
        - 0.0175 * np.tanh((x - 0.5692) / 0.0875)
    )


@dataclass(frozen=True, slots=True)
class _Electrodes:
    positive: Callable[[Floats], Floats]
    negative: Callable[[Floats], Floats]
    positive_window: tuple[float, float]  # stoichiometry at empty, at full
    negative_window: tuple[float, float]


_CELLS = {
    "nmc": _Electrodes(_nmc_positive, _nmc_negative, (0.885, 0.237), (0.0133, 0.97)),
    "lipo": _Electrodes(_lipo_positive, _lipo_negative, (0.94, 0.236), (0.0037, 0.8183)),
    "lfp": _Electrodes(_lfp_positive, _lfp_negative, (0.962, 0.022), (0.0150, 0.80)),
}
CHEMISTRIES = tuple(_CELLS)


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """Equilibrium voltage in volts over state of charge (0 to 1), as a dense table with straight ends."""

    soc: Floats
    volts: Floats

    def ocv(self, soc: Floats) -> Floats:
        """Volts at each state of charge; any shape."""
        return np.interp(soc, self.soc, self.volts)


@cache
def curve(chemistry: str) -> Curve:
    """The curve of "nmc", "lipo" or "lfp". Raises KeyError for another name."""
    cell = _CELLS[chemistry]
    soc = np.linspace(0.0, 1.0, _POINTS)
    volts = cell.positive(_within(cell.positive_window, soc)) - cell.negative(_within(cell.negative_window, soc))
    step = soc[1]
    low = volts[0] - _BEYOND * (volts[1] - volts[0]) / step
    high = volts[-1] + _BEYOND * (volts[-1] - volts[-2]) / step
    return Curve(np.r_[-_BEYOND, soc, 1.0 + _BEYOND], np.r_[low, volts, high])


def _within(window: tuple[float, float], soc: Floats) -> Floats:
    empty, full = window
    return np.asarray(empty + (full - empty) * soc)

"""Built-in equilibrium curves and typical resistances by chemistry. Law: every figure has its source beside it.

The curves are full-cell equilibrium voltages at 25 degC over state of charge: the difference of two published
electrode potentials between the stoichiometries that the cell's own voltage limits allow (computed with PyBaMM
26.10, BSD-3-Clause: `ElectrodeSOHSolver(...).get_min_max_stoichiometries()`, then U_p(y) − U_n(x) at the points of
`SOC`). They describe one published cell each; another cell of the same family may lie 10 to 30 mV beside it, so a
measured curve in the pack file is always better.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import exp
from types import MappingProxyType

import numpy as np

from sagwise_daemon.domain.model import Cell, Floats

# fmt: off
SOC = (
    0, 0.002, 0.004, 0.008, 0.012, 0.016, 0.02, 0.025, 0.03, 0.04, 0.05, 0.06, 0.07, 0.08, 0.1, 0.12,
    0.14, 0.16, 0.18, 0.2, 0.225, 0.25, 0.275, 0.3, 0.325, 0.35, 0.375, 0.4, 0.425, 0.45, 0.475, 0.5,
    0.525, 0.55, 0.575, 0.6, 0.625, 0.65, 0.675, 0.7, 0.725, 0.75, 0.775, 0.8, 0.825, 0.85, 0.875, 0.9,
    0.92, 0.94, 0.96, 0.97, 0.98, 0.985, 0.99, 0.995, 1,
)

# Chen et al., J. Electrochem. Soc. 167 (2020) 080534, doi 10.1149/1945-7111/ab9050: LG M50, NMC811 against
# graphite-SiOx, 2.5 to 4.2 V (parameter set Chen2020).
NMC_V = (
    2.5000, 2.5482, 2.5932, 2.6747, 2.7458, 2.8080, 2.8625, 2.9212, 2.9712, 3.0504, 3.1094, 3.1553,
    3.1933, 3.2276, 3.2959, 3.3637, 3.4157, 3.4480, 3.4687, 3.4852, 3.5056, 3.5286, 3.5545, 3.5814,
    3.6068, 3.6290, 3.6487, 3.6670, 3.6855, 3.7054, 3.7273, 3.7509, 3.7750, 3.7983, 3.8200, 3.8406,
    3.8624, 3.8896, 3.9206, 3.9479, 3.9713, 3.9943, 4.0181, 4.0421, 4.0640, 4.0809, 4.0911, 4.0967,
    4.1025, 4.1144, 4.1351, 4.1488, 4.1645, 4.1729, 4.1817, 4.1907, 4.2000,
)

# Kim et al., J. Electrochem. Soc. 158 (2011) A955, doi 10.1149/1.3597614: NCA against graphite, 2.7 to 4.2 V
# (parameter set NCA_Kim2011).
NCA_V = (
    2.7000, 2.7963, 2.8708, 2.9755, 3.0428, 3.0875, 3.1181, 3.1439, 3.1610, 3.1816, 3.1939, 3.2036,
    3.2131, 3.2234, 3.2471, 3.2724, 3.2975, 3.3224, 3.3473, 3.3721, 3.4028, 3.4331, 3.4628, 3.4918,
    3.5200, 3.5472, 3.5732, 3.5978, 3.6210, 3.6430, 3.6641, 3.6846, 3.7048, 3.7253, 3.7461, 3.7678,
    3.7909, 3.8163, 3.8444, 3.8742, 3.9031, 3.9300, 3.9555, 3.9803, 4.0048, 4.0295, 4.0546, 4.0803,
    4.1016, 4.1238, 4.1473, 4.1597, 4.1726, 4.1792, 4.1860, 4.1929, 4.2000,
)

# Ai et al., J. Electrochem. Soc. 167 (2020) 013512, doi 10.1149/2.0122001JES: Enertech pouch cell, LiCoO2
# against graphite, 3.0 to 4.2 V (parameter set Ai2020).
LIPO_V = (
    3.0000, 3.0640, 3.1123, 3.1880, 3.2474, 3.2965, 3.3388, 3.3844, 3.4239, 3.4893, 3.5421, 3.5825,
    3.6095, 3.6250, 3.6396, 3.6476, 3.6572, 3.6733, 3.6847, 3.6954, 3.7078, 3.7168, 3.7247, 3.7331,
    3.7408, 3.7481, 3.7552, 3.7622, 3.7691, 3.7763, 3.7841, 3.7925, 3.8018, 3.8122, 3.8236, 3.8365,
    3.8509, 3.8675, 3.8871, 3.9089, 3.9308, 3.9519, 3.9726, 3.9945, 4.0171, 4.0409, 4.0638, 4.0879,
    4.1078, 4.1281, 4.1488, 4.1594, 4.1700, 4.1758, 4.1836, 4.1918, 4.2000,
)

# Prada et al., J. Electrochem. Soc. 160 (2013) A616, doi 10.1149/2.053304jes: LFP against graphite, 2.0 to
# 3.6 V (parameter set Prada2013).
LFP_V = (
    2.0000, 2.0599, 2.1162, 2.2188, 2.3094, 2.3894, 2.4600, 2.5369, 2.6028, 2.7077, 2.7853, 2.8432,
    2.8874, 2.9223, 2.9781, 3.0308, 3.0843, 3.1277, 3.1544, 3.1685, 3.1781, 3.1857, 3.1945, 3.2058,
    3.2190, 3.2324, 3.2439, 3.2525, 3.2584, 3.2621, 3.2645, 3.2660, 3.2670, 3.2678, 3.2683, 3.2688,
    3.2693, 3.2700, 3.2711, 3.2740, 3.2809, 3.2926, 3.3037, 3.3097, 3.3121, 3.3132, 3.3137, 3.3142,
    3.3145, 3.3153, 3.3193, 3.3274, 3.3502, 3.3743, 3.4150, 3.4838, 3.6000,
)
# fmt: on

CURVES: Mapping[str, tuple[float, ...]] = MappingProxyType({"nmc": NMC_V, "nca": NCA_V, "lipo": LIPO_V, "lfp": LFP_V})
MEASURED = "measured"
CHEMISTRIES: tuple[str, ...] = (*CURVES, MEASURED)

# Typical 1 s resistance of one cell at 25 degC times its capacity, in volts per C-rate: a 5 Ah energy cell of
# 18 mΩ gives 0.09, a 5 Ah pouch of 6 mΩ 0.03. Common practice, no published source; the estimator takes it as a
# wide first guess and learns the rest from the ride.
TYPICAL_DROP_V: Mapping[str, float] = MappingProxyType(
    {"nmc": 0.08, "nca": 0.07, "lipo": 0.04, "lfp": 0.04, MEASURED: 0.06}
)

# Resistance falls with temperature T as exp(B (1/T − 1/T25)), Arrhenius with B = E/R. 2800 K is 23 kJ/mol: the
# lower end of the 20 to 35 kJ/mol that published electrode kinetics span, so that what a cold pack resists is brought
# to 25 degC rather too high than too low, and no failing joint is explained away by the cold.
ARRHENIUS_K = 2800.0
REFERENCE_K = 298.15
ZERO_C_K = 273.15

# The table behind a curve: fine enough that a straight line between its points is within 0.2 mV of the cubic, and
# a little wider than empty to full, since a cell may be used past what its maker calls empty.
TABLE_MIN = -0.05
TABLE_MAX = 1.05
TABLE_STEP = 0.0005
MIDDLE = (0.2, 0.9)  # of a curve: between its knees


def built_in_curve(chemistry: str) -> tuple[Floats, Floats]:
    """State of charge and equilibrium volts of a built-in chemistry. Raises KeyError for any other."""
    return np.array(SOC), np.array(CURVES[chemistry])


def resistance_factor(temperature_c: float) -> float:
    """How many times its 25 degC value a resistance has at `temperature_c`; held within −40 to 90 degC."""
    kelvin = min(max(temperature_c, -40.0), 90.0) + ZERO_C_K
    return exp(ARRHENIUS_K * (1.0 / kelvin - 1.0 / REFERENCE_K))


def prior_drop_v(cell: Cell) -> float:
    """First guess of the 1 s resistance at 25 degC as volts per C-rate; the same for a cell and for a group."""
    if cell.resistance_mohm is not None:
        return cell.resistance_mohm * 1e-3 * cell.capacity_ah
    return TYPICAL_DROP_V.get(cell.chemistry, TYPICAL_DROP_V[MEASURED])


class OcvCurve:
    """Equilibrium voltage over state of charge as a fine uniform table.

    Between the points runs a monotone cubic (Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980) 238), so the
    slope has no jumps that a filter would trip over; beyond the points a straight line with the end slope, up to
    5 % past empty and full, and flat from there. `soc` and `v`: the points, rising in both, at least two.
    mean_slope: volts per unit of charge over the middle, without the knees at both ends.
    """

    def __init__(self, soc: Floats, v: Floats) -> None:
        if len(soc) < 2 or np.any(np.diff(soc) <= 0) or np.any(np.diff(v) <= 0):
            raise ValueError("ocv: needs at least two points, rising in state of charge and in volts")
        count = round((TABLE_MAX - TABLE_MIN) / TABLE_STEP) + 1
        self.table_soc: Floats = np.linspace(TABLE_MIN, TABLE_MAX, count)
        self.table_v: Floats = _monotone_cubic(np.asarray(soc, float), np.asarray(v, float), self.table_soc)
        self.table_slope: Floats = np.gradient(self.table_v, self.table_soc)
        low, high = self.volts(np.array(MIDDLE))
        self.mean_slope = float(high - low) / (MIDDLE[1] - MIDDLE[0])
        self._both = self.table_v + 1j * self.table_slope
        self._volts: list[float] = self.table_v.tolist()
        self._slopes: list[float] = self.table_slope.tolist()

    def volts(self, soc: Floats) -> Floats:
        """Equilibrium voltage."""
        return np.interp(soc, self.table_soc, self.table_v)

    def slope(self, soc: Floats) -> Floats:
        """Volts per unit of state of charge."""
        return np.interp(soc, self.table_soc, self.table_slope)

    def both(self, soc: Floats) -> tuple[Floats, Floats]:
        """Volts and slope, found by one search: one is the real part of what is interpolated, one the imaginary."""
        found = np.interp(soc, self.table_soc, self._both)
        return found.real, found.imag

    def soc(self, volts: Floats) -> Floats:
        """State of charge at which the cell rests at `volts`; −0.05 and 1.05 where that is off the table."""
        return np.interp(volts, self.table_v, self.table_soc)

    def at(self, soc: float) -> tuple[float, float]:
        """Volts and slope at one state of charge, quicker than the arrays."""
        place = (min(max(soc, TABLE_MIN), TABLE_MAX) - TABLE_MIN) / TABLE_STEP
        index = min(int(place), len(self._volts) - 2)
        part = place - index
        volts = self._volts[index] + part * (self._volts[index + 1] - self._volts[index])
        slope = self._slopes[index] + part * (self._slopes[index + 1] - self._slopes[index])
        return volts, slope


def _monotone_cubic(x: Floats, y: Floats, at: Floats) -> Floats:
    slopes = _fritsch_carlson(x, y)
    piece = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    width = x[piece + 1] - x[piece]
    t = np.clip((at - x[piece]) / width, 0.0, 1.0)
    left, right = y[piece], y[piece + 1]
    inside = (
        left * (1 + 2 * t) * (1 - t) ** 2
        + right * t**2 * (3 - 2 * t)
        + width * (slopes[piece] * t * (1 - t) ** 2 - slopes[piece + 1] * t**2 * (1 - t))
    )
    beyond = slopes[0] * np.minimum(at - x[0], 0.0) + slopes[-1] * np.maximum(at - x[-1], 0.0)
    return np.asarray(inside + beyond)


def _fritsch_carlson(x: Floats, y: Floats) -> Floats:
    width, secant = np.diff(x), np.diff(y) / np.diff(x)
    slopes = np.empty(len(x))
    slopes[0], slopes[-1] = secant[0], secant[-1]
    before, after = 2 * width[1:] + width[:-1], width[1:] + 2 * width[:-1]
    slopes[1:-1] = (before + after) / (before / secant[:-1] + after / secant[1:])
    return slopes

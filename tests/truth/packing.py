"""A ride as a small file. Law: whole numbers only, so that a file says exactly what it holds.

0.1 mV for volts, rest, ocv and curve, 0.001C for the current, 0.01 degC for the temperature (mean of the groups, one
in ten rows), 1e-6 Ω of one cell for r_1s, 1e-4 of full for charge at the rest rows. Volts and current are kept as
differences from row to row.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np


def pack_arrays(arrays: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """arrays: volts, rest, ocv, soc, r_1s, temp (groups, ...), c, rest_row, step_row, curve_soc, curve_v."""
    return {
        "volts_diff": _small(_diff(_whole(arrays["volts"], 1e-4))),
        "c_diff": _small(_diff(_whole(arrays["c"], 1e-3))),
        "temp": _small(_whole(arrays["temp"].mean(axis=0)[::10], 0.01)),
        "rest": _small(_whole(arrays["rest"], 1e-4)),
        "ocv": _small(_whole(arrays["ocv"], 1e-4)),
        "soc": _small(_whole(arrays["soc"][:, arrays["rest_row"]], 1e-4)),
        "r_1s": _whole(arrays["r_1s"], 1e-6),
        "rest_row": arrays["rest_row"].astype(np.int32),
        "step_row": arrays["step_row"].astype(np.int32),
        "curve_soc": _small(_whole(arrays["curve_soc"], 1e-4)),
        "curve_v": _small(_whole(arrays["curve_v"], 1e-4)),
    }


def save(path: Path, arrays: dict[str, np.ndarray], about: dict[str, Any]) -> None:
    np.savez_compressed(path, about=json.dumps(about), **pack_arrays(arrays))


def _whole(x: np.ndarray, step: float) -> np.ndarray:
    return np.round(x / step).astype(np.int32)


def _diff(x: np.ndarray) -> np.ndarray:
    return np.diff(x, axis=-1, prepend=0)


def _small(x: np.ndarray) -> np.ndarray:
    """Sixteen bits where they hold it."""
    limits = np.iinfo(np.int16)
    fits = x.size == 0 or (x.min() >= limits.min and x.max() <= limits.max)
    return x.astype(np.int16) if fits else x

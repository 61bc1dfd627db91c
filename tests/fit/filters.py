"""The filters in C, compiled when asked for. Law: a setting has one name, here, in C and in settings.py.

The header with the settings is written from settings.py itself, so a name that is not there cannot be asked for, and
the C code is compiled for as many slow elements as there are.
"""

from __future__ import annotations

import ctypes
import hashlib
import shutil
import subprocess
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

import numpy as np
from rides import CACHE, LEARN, LEARN_STEADY, SCALE, Fed

from sagwise_daemon.domain.estimate import settings
from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.pack.chemistry import TABLE_MIN, TABLE_STEP

HERE = Path(__file__).resolve().parent
SOURCES = ("common_filter.c", "peer_filter.c", "ride.c")
STRICT = ("-std=c99", "-D_DEFAULT_SOURCE", "-O3", "-fPIC", "-shared", "-Wall", "-Wextra", "-Werror", "-pedantic")
# What the filters read of settings.py, in the order of `struct settings`.
NAMES = (
    *("REST_HORIZON_S", "REST_C", "INNOVATION_CAP", "PLATEAU", "START_READ_SHARE", "ASINH_GAIN", "ASINH_UNIT"),
    *("TAU_S", "SLOW_SHARES", "SLOW_LAGS", "INSIDE_SHARES", "SLOW_POWERS", "FAST_POWER", "OHMIC_SHARE", "BENT_SHARE"),
    *("FLAT_SLOPE", "FLAT_SLOW_SHARES", "FLAT_SLOW_LAGS", "FLAT_INSIDE_SHARES", "FLAT_SIGMA_SLOW"),
    *("SIGMA_SOC", "SIGMA_RATIO", "SIGMA_OHMIC", "SIGMA_BENT", "SIGMA_SLOW", "SIGMA_OFFSET_V"),
    *("WALK_SOC", "WALK_RATIO", "WALK_OHMIC", "WALK_BENT", "WALK_SLOW", "WALK_OFFSET_V", "OFFSET_TAU_S"),
    *("NOISE_V", "NOISE_OF_DROP", "NOISE_OF_CHANGE"),
    *("OHMIC_CLAMP", "SLOW_CLAMP", "RATIO_CLAMP", "OFFSET_CLAMP_V", "SOC_CLAMP"),
    *("LOADED_SIGMA_SHARE", "LOADED_OFFSET_TAU_S", "LOADED_WALK_OFFSET_V", "LOADED_NOISE"),
    *("LOADED_CHARGE_FLOOR_V", "LOADED_CHARGE_OF_SLOW"),
    *("PEER_SIGMA_SOC", "PEER_SIGMA_RATIO", "PEER_SIGMA_SCALE", "PEER_CORRELATION", "PEER_SIGMA_EXTRA"),
    *("PEER_SIGMA_OFFSET_V", "PEER_WALK_SOC", "PEER_WALK_RATIO", "PEER_WALK_SCALE", "PEER_WALK_EXTRA"),
    *("PEER_WALK_OFFSET_V", "PEER_NOISE_V", "PEER_NOISE_OF_DROP", "PEER_NOISE_OF_CHANGE", "PEER_OFFSET_TAU_S"),
    *("PEER_RATIO_CLAMP", "PEER_SCALE_CLAMP", "DOUBT_TAU_S", "SOC_SIGMA_CAP", "LOADED_START_PEER_SIGMA"),
    *("SIGMA_BASE_V", "SIGMA_LOADED_START_V", "SIGMA_OF_GAP", "UNSCALED_SIGMA_OF_GAP", "SIGMA_OF_SLOPE"),
    *("SIGMA_OF_RATIO_V", "EXPECTED_WITHIN_V", "DOUBT_RAISE_V", "DOUBT_CLEAR_V", "COLLAPSE_MOST_S"),
    "STRAIGHT_SIGMA_SOC",
)
# The columns of what is told of the common filter.
TOLD = (
    *("charge", "ratio", "charge_variance", "ratio_variance", "offset_variance"),
    *("delta_left", "slow_left_v", "offset_left_v", "unseen", "scaled", "rested"),
)
# And of what it says of a group: the peers' five states come from the third on.
SAID = ("rest_v", "ocv_v", "sigma_v", "soc", "ratio", "scale", "extra", "offset_v", "soc_variance", "doubt_v")
REST, OCV, SIGMA = range(3)
PEER, PASSED = 5 + 25 + 1, 8 + 4  # numbers in `struct peer` and in `struct passed`

Values = dict[str, float | tuple[float, ...]]


def present() -> Values:
    """The settings as they stand. Raises AttributeError for one that settings.py no longer has."""
    return {name: getattr(settings, name) for name in NAMES}


class Common(NamedTuple):
    """The common filter on one ride. told: (wanted, TOLD), NaN before it begins. passed: what the peers need of it."""

    told: Floats
    passed: Floats


def common(fed: Fed, values: Values) -> Common:
    """One ride through the common filter."""
    told = np.full((len(fed.wanted), len(TOLD)), np.nan)
    passed = np.zeros((int(np.isin(fed.calls["op"], (LEARN, LEARN_STEADY, SCALE)).sum()), PASSED))
    _library().common_ride(*_ride(fed, values), *_wanted(fed), _pointer(passed), _pointer(told))
    return Common(told, passed)


def said(fed: Fed, values: Values, ridden: Common, middle: bool = False) -> Floats:
    """(wanted, groups, SAID), after the common filter has `ridden`; NaN before it begins.

    middle: of the middle group instead, as one: it is what the common filter says, and the peers are not run.
    """
    groups = 1 if middle else fed.volts.shape[1]
    found = np.full((len(fed.wanted), groups, len(SAID)), np.nan)
    _library().peers_ride(
        *(*_ride(fed, values), _pointer(ridden.passed), _pointer(fed.volts), _pointer(opened(fed, values))),
        *(groups, not middle, _pointer(np.empty((groups, PEER)))),
        *(*_wanted(fed), _pointer(ridden.told), _pointer(found)),
    )
    return found


def _ride(fed: Fed, values: Values) -> tuple[Any, ...]:
    """The arguments that both rides begin with."""
    flat = np.concatenate([np.atleast_1d(values[name]) for name in NAMES]).astype(float)
    table = _pointer(fed.table_v), _pointer(fed.table_slope), len(fed.table_v)
    curve = _Curve(*table, TABLE_MIN, TABLE_STEP, fed.mean_slope)
    calls = _pointer(fed.calls), len(fed.calls)
    return _pointer(flat), ctypes.byref(curve), ctypes.c_double(fed.drop_v), *calls


def _wanted(fed: Fed) -> tuple[Any, ...]:
    return _pointer(fed.wanted), len(fed.wanted)


def opened(fed: Fed, values: Values) -> Floats:
    """(starts, 2, groups) charge differences and their sigmas as `start` makes them of these settings."""
    of = {name: np.asarray(values[name]) for name in values}
    steepness = np.maximum(fed.opened_slope, 1e-3)
    read = np.minimum(np.hypot(of["PEER_SIGMA_SOC"], of["PEER_NOISE_V"] / steepness), of["SOC_SIGMA_CAP"])
    sigma = np.where(np.isnan(fed.opened_slope), of["LOADED_START_PEER_SIGMA"], read)
    return np.stack([fed.opened_soc, sigma], axis=1)


class _Curve(ctypes.Structure):
    _fields_ = (
        ("volts", ctypes.c_void_p),
        ("slope", ctypes.c_void_p),
        ("points", ctypes.c_int),
        ("first", ctypes.c_double),
        ("step", ctypes.c_double),
        ("mean_slope", ctypes.c_double),
    )


def _pointer(array: np.ndarray) -> ctypes.c_void_p:
    assert array.flags.c_contiguous
    return array.ctypes.data_as(ctypes.c_void_p)


def header() -> str:
    """settings.h."""
    members = [f"    double {name}{_size(value)};" for name, value in present().items()]
    lines = ["/* Written by filters.py from settings.py. */", f"#define ELEMENTS {len(settings.TAU_S)}"]
    return "\n".join([*lines, "struct settings {", *members, "};", ""])


def _size(value: float | tuple[float, ...]) -> str:
    return f"[{len(value)}]" if isinstance(value, tuple) else ""


@cache
def _library() -> ctypes.CDLL:
    """Compiled anew when a source, the settings' shape or the compiler's flags have changed.

    Raises RuntimeError without a C compiler, CalledProcessError with its words where it refuses.
    """
    compiler = shutil.which("cc")
    if compiler is None:
        raise RuntimeError("cc: no C compiler found; the filters are searched in C, install gcc or clang")
    texts = [(HERE / name).read_bytes() for name in ("filters.h", *SOURCES)]
    digest = hashlib.sha256(b"".join([header().encode(), *texts, " ".join(STRICT).encode()])).hexdigest()[:16]
    library = CACHE / f"filters-{digest}.so"
    if not library.exists():
        CACHE.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory(dir=CACHE) as making:
            (Path(making) / "settings.h").write_text(header(), encoding="utf-8")
            sources, made = [str(HERE / name) for name in SOURCES], Path(making) / library.name
            subprocess.run(
                [compiler, *STRICT, f"-I{making}", f"-I{HERE}", *sources, "-o", str(made), "-lm"], check=True
            )
            made.replace(library)
    return ctypes.CDLL(str(library))

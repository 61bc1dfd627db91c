"""What the filters are fed with on a ride. Law: heard from the estimator itself, nothing worked out a second time.

A ride goes through the real estimator, whose common filter stands behind a listener that writes down every call. The
tape that comes of it holds all that the filters depend on but the settings under search: inputs, start, the measured
resistance. (One exception: a start under load reads the current low-passed over 20 s, which lies between the elements'
times. The tape keeps what the present times made of it.)
"""

from __future__ import annotations

import hashlib
import os
import pickle
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from truth_rides import STEP_S, WEAK, Truth, load, pack_of, readings

from sagwise_daemon.domain import estimate
from sagwise_daemon.domain.estimate import estimator, settings
from sagwise_daemon.domain.estimate.told import Told
from sagwise_daemon.domain.model import Estimates, Floats
from sagwise_daemon.domain.pack.chemistry import prior_drop_v

ROOT = Path(__file__).resolve().parents[2]
CACHE = ROOT / "tests" / ".cache" / "fit"
SETTLED_S = 15.0  # as the comparison does: an estimator may say nothing for so long
LOADED_S = 300.0  # every second ride is met under way as well
# The calls of `struct call` in filters.h.
FLOW, CARRY, LEARN, LEARN_STEADY, BEGIN, SCALE = range(6)
CALL = np.dtype([("op", np.int32), ("row", np.int32), ("a", np.float64, 5)])


@dataclass(frozen=True, eq=False)
class Fed:
    """One ride. calls: of `CALL`. volts: (rows, groups). opened_soc: (starts, groups), the charge differences that each
    beginning gave; opened_slope: the curve's where a group began, by which its sigma is read, NaN after a start under
    load, which reads none. drop_v: prior 1 s resistance, volts per C. table_v, table_slope: of the curve; mean_slope:
    as in `common`.

    wanted: rows whose truth is known. rest, ocv: that truth, floor_v, known: what the estimator's floor was and whether
    it said anything, all (wanted, groups). kinds: (groups,). limit_v: of `rest_low`.
    """

    name: str
    cell: str
    loaded: bool
    kinds: np.ndarray
    limit_v: float
    calls: np.ndarray
    volts: Floats
    opened_soc: Floats
    opened_slope: Floats
    drop_v: float
    table_v: Floats
    table_slope: Floats
    mean_slope: float
    wanted: np.ndarray
    rest: Floats
    ocv: Floats
    floor_v: Floats
    known: np.ndarray

    @property
    def lost(self) -> np.ndarray:
        """(groups,) which have lost a quarter of their capacity, untold."""
        return np.isin(self.kinds, WEAK)


class Listener:
    """The common filter with its calls written down; all else is the filter's own."""

    def __init__(self, common: Any) -> None:
        self._common = common
        self.calls: list[tuple[int, int, tuple[float, ...]]] = []
        self.row = -1

    def __getattr__(self, name: str) -> Any:
        return getattr(self._common, name)

    def _write(self, op: int, *numbers: float) -> None:
        self.calls.append((op, self.row, (*map(float, numbers), *[0.0] * (5 - len(numbers)))))

    def flow(self, c: float, seconds: float) -> None:
        self.row += 1
        self._write(FLOW, c, seconds)
        self._common.flow(c, seconds)

    def carry(self, c: float, seconds: float) -> None:
        self.row += 1
        self._write(CARRY, c, seconds)
        self._common.carry(c, seconds)

    def update(self, volts: float, moment: Any, crowd: float, waited_s: float) -> Any:
        self._write(LEARN_STEADY if moment.steady else LEARN, volts, moment.c, moment.factor, moment.change, crowd)
        return self._common.update(volts, moment, crowd, waited_s)

    def begin(self, soc: float, soc_sigma: float, offset_v: float, offset_sigma_v: float, rested: bool) -> None:
        self._write(BEGIN, soc, soc_sigma, offset_v, offset_sigma_v, rested)
        self._common.begin(soc, soc_sigma, offset_v, offset_sigma_v, rested)

    def scale(self, measured_v: float, step_c: float) -> None:
        self._write(SCALE, measured_v, step_c)
        self._common.scale(measured_v, step_c)


class Openings:
    """The peers with the beginnings written down that the groups were given: charge differences and their sigmas."""

    def __init__(self, peers: Any) -> None:
        self._peers = peers
        self.seen: list[Floats] = []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._peers, name)

    def open(self, soc: Floats, soc_sigma: Floats) -> None:
        self.seen.append(np.array([soc, soc_sigma]))
        self._peers.open(soc, soc_sigma)


def heard(truth: Truth, rows: np.ndarray | None = None) -> tuple[Fed, Estimates, Told]:
    """A ride's tape with what the estimator really said. rows: those wanted, rising, the ones with a known truth by
    default; after the last of them the ride is not heard.

    Raises ValueError for a ride with readings that the tape does not tell of: without a current or a voltage, or with
    a gap.
    """
    pack = pack_of(truth, truth.told())
    moments = truth.rest_row * STEP_S > SETTLED_S
    wanted = truth.rest_row[moments] if rows is None else rows
    ride = readings(truth, truth.sensors()).rows(slice(int(wanted[-1]) + 1))
    state = estimate.new(pack)
    listener, openings = Listener(state.common), Openings(state.peers)
    state.common, state.peers = listener, openings  # type: ignore[assignment]
    said, told = estimator.take(state, ride)
    calls = np.array(listener.calls, CALL)
    whole = told.valid.all() and told.warm[~told.blank].all() and listener.row + 1 == len(ride)
    if not whole or not 0 < (calls["op"] == BEGIN).sum() == len(openings.seen):
        raise ValueError(f"{truth.name}: never begins, or has a gap or readings of which something is missing")
    opened_soc, sigma = np.array(openings.seen).transpose(1, 0, 2)
    began = calls["a"][calls["op"] == BEGIN, 0][:, None] + opened_soc
    loaded = (sigma == settings.LOADED_START_PEER_SIGMA).all(axis=1)
    fed = Fed(
        name=truth.name,
        cell=truth.about["set"],
        loaded=truth.loaded,
        kinds=truth.kinds,
        limit_v=truth.limit_v,
        calls=calls,
        volts=np.ascontiguousarray(ride.group_v),
        opened_soc=opened_soc,
        opened_slope=np.where(loaded[:, None], np.nan, state.curve.slope(began)),
        drop_v=prior_drop_v(pack.cell),
        table_v=state.curve.table_v,
        table_slope=state.curve.table_slope,
        mean_slope=state.curve.mean_slope,
        wanted=wanted.astype(np.int32),
        rest=truth.rest.T[moments] if rows is None else truth.rest_by_row.T[rows],
        ocv=truth.ocv.T[moments] if rows is None else np.full((len(rows), len(truth.ocv)), np.nan),
        floor_v=told.floor_v[wanted],
        known=np.isfinite(said.rest_v[wanted]),
    )
    return fed, said, told


def fed(folders: Iterable[Path]) -> list[Fed]:
    """All rides of some folders, every second one also met under way; heard once and kept in tests/.cache."""
    CACHE.mkdir(parents=True, exist_ok=True)
    code = _code()
    made: list[Fed] = []
    for number, path in enumerate(path for folder in folders for path in sorted(folder.glob("*.npz"))):
        kept = CACHE / f"{path.stem}-{hashlib.sha256(path.read_bytes() + code).hexdigest()[:16]}.pickle"
        if not kept.exists():
            making = kept.with_suffix(f".{os.getpid()}")
            making.write_bytes(pickle.dumps(_heard_twice(load(path), twice=number % 2 == 0)))
            making.replace(kept)
        made += pickle.loads(kept.read_bytes())
    return made


def _heard_twice(truth: Truth, twice: bool) -> list[Fed]:
    rides = [truth]
    if twice and not truth.loaded and truth.rows * STEP_S > LOADED_S + 200.0:
        rides.append(truth.from_load(LOADED_S))
    made = []
    for ride in rides:
        try:
            one = heard(ride)[0]
        except ValueError as error:
            print(error, file=sys.stderr)
            continue
        if one.known.any():
            made.append(one)
    return made


def _code() -> bytes:
    """What a tape depends on besides the ride's file."""
    domain = ROOT / "daemon" / "sagwise_daemon" / "domain"
    files = [*(domain / "estimate").glob("*.py"), domain / "pack" / "chemistry.py", Path(__file__)]
    return b"".join(path.read_bytes() for path in sorted([*files, ROOT / "tests" / "support" / "truth_rides.py"]))

"""What makes settings good. Law: one number in mV, of which every part can be said in a sentence.

Errors are estimate less truth. Cells count alike, however many rides each has. An error is counted up to a bound, since
a search would else give all to the one ride that no settings can save.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from filters import run
from rides import Fed

from sagwise_daemon.domain.model import Floats

MOST_V, MOST_OCV_V, MOST_LOADED_V = 0.070, 0.060, 0.050  # an error counts for no more
WORST_V = 0.025  # nor does a ride, among the worst of its cell
TAIL = 98  # percentile
OF_TAIL, OF_WORST, OF_OCV, OF_LOADED = 0.04, 0.15, 0.1, 0.12  # weights of the squares beside the rest's own
NO_NUMBER_MV = 1e4


@dataclass(frozen=True, eq=False)
class Errors:
    """Of one ride, in V, of the moments at which anything was said: rest and ocv, (moments,) or (moments, groups)."""

    name: str
    cell: str
    loaded: bool
    rest: Floats
    ocv: Floats


def of_middle(rides: Iterable[Fed], values: Mapping[str, float | tuple[float, ...]]) -> list[Errors]:
    """The common filter's errors, against the truth of the middle group."""
    found = []
    for fed in rides:
        _, said = run(fed, values)
        known = 2 * fed.known.sum(axis=1) > fed.known.shape[1]
        rest = np.fmax(said[:, 0], np.median(fed.floor_v, axis=1)) - np.median(fed.rest, axis=1)
        ocv = said[:, 1] - np.median(fed.ocv, axis=1)
        found.append(Errors(fed.name, fed.cell, fed.loaded, rest[known], ocv[known]))
    return found


def common_mv(errors: Sequence[Errors]) -> float:
    """The common filter's: the root of the mean squared rest error, with what else is wanted of it added as squares.

    Of rides begun at rest: each cell's mean square and its 98th percentile, its two worst rides, and OCV. Of rides met
    under load: rest and OCV.
    """
    rested = [one for one in errors if not one.loaded]
    loaded = [one for one in errors if one.loaded and len(one.rest)]
    cells = _by_cell(rested)
    parts = [
        np.mean([_square(_joined(rides), MOST_V) for rides in cells]),
        OF_TAIL * np.mean([_percentile(_joined(rides), TAIL) ** 2 for rides in cells]),
        OF_WORST * np.mean([_worst(rides) for rides in cells]),
        OF_OCV * np.mean([min(_square(one.ocv), MOST_OCV_V**2) for one in rested]),
    ]
    if loaded:
        rest = np.mean([min(_square(one.rest), MOST_LOADED_V**2) for one in loaded])
        ocv = np.mean([min(_square(one.ocv), MOST_OCV_V**2) for one in loaded])
        parts.append(OF_LOADED * (rest + OF_OCV * ocv))
    total = float(np.sqrt(np.sum(parts)) * 1e3)
    return total if np.isfinite(total) else NO_NUMBER_MV


def _by_cell(errors: Iterable[Errors]) -> list[list[Errors]]:
    cells: dict[str, list[Errors]] = {}
    for one in errors:
        cells.setdefault(one.cell, []).append(one)
    return list(cells.values())


def _joined(rides: Iterable[Errors]) -> Floats:
    return np.concatenate([one.rest.ravel() for one in rides])


def _square(error: Floats, most: float = np.inf) -> float:
    return float(np.mean(np.minimum(np.abs(error), most) ** 2)) if error.size else 0.0


def _percentile(error: Floats, percent: float) -> float:
    return float(np.percentile(np.minimum(np.abs(error), MOST_V), percent)) if error.size else 0.0


def _worst(rides: Sequence[Errors]) -> float:
    """Mean square of the two worst rides."""
    return float(np.mean(sorted(min(_square(one.rest), WORST_V**2) for one in rides)[-2:]))


def line(errors: Sequence[Errors]) -> str:
    """For people: of rides begun at rest, then of those met under load, in mV."""
    rested, loaded = ([one for one in errors if one.loaded is met and one.rest.size] for met in (False, True))
    words = []
    for rides, head in ((rested, "rest"), (loaded, "under load")):
        if rides:
            rest, ocv = _joined(rides) * 1e3, np.concatenate([one.ocv.ravel() for one in rides]) * 1e3
            words.append(
                f"{head} {_rms(rest):5.1f} / {np.percentile(np.abs(rest), 99):5.1f} / {np.abs(rest).max():5.1f} "
                f"({rest.mean():+5.1f}), OCV {_rms(ocv):5.1f} / {np.percentile(np.abs(ocv), 99):5.1f}"
            )
    return "   ".join(words) or "no rides"


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))

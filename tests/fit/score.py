"""What makes settings good. Law: one number in mV, of which every part can be said in a sentence.

Errors are estimate less truth, at the moments at which the estimator of the tape said anything, so that settings cannot
gain by saying less. Cells count alike, however many rides each has. An error is counted up to a bound, since
a search would else give all to the one ride that no settings can save.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import filters
import numpy as np
from filters import OCV, REST, SIGMA, Common, Values
from rides import Fed

from sagwise_daemon.domain.model import Floats

MOST_V, MOST_OCV_V, MOST_LOADED_V = 0.070, 0.060, 0.050  # an error counts for no more, of rides met under load in all
MOST_OF_GROUP_V = 0.150  # of a single group, which figures of its own can save
WORST_V = 0.025  # nor does a ride, among the worst of its cell
TAIL = 98  # percentile
# Weights of the squares beside the rest's own.
OF_TAIL, OF_WORST, OF_OCV, OF_LOADED = 0.04, 0.15, 0.1, 0.12
OF_KIND = {"healthy": 1.0, "hidden": 0.25, "other": 0.25}  # as the bounds are: 10 mV for healthy groups, 25 for hidden
OF_LARGEST = 0.01  # a ride's largest error: one that lasts for seconds makes an alarm and is nothing in a mean
OF_HIGH, NEAR_V = 0.5, 0.060  # reading high this close over the limit, or under it, is what misses an alarm
UNSURE_V, UNSURE_FROM = 0.005, 2.0  # what an error of one sigma more than two counts for
NO_NUMBER_MV = 1e4


@dataclass(frozen=True, eq=False)
class Errors:
    """Of groups of one kind on one ride, at all moments at which anything was said, all (n,) and in V.

    kind: healthy, hidden, other, or middle for the common filter's. over: true rest over the limit of `rest_low`.
    of_sigma: the rest error's size in sigmas.
    """

    name: str
    cell: str
    loaded: bool
    kind: str
    rest: Floats
    ocv: Floats
    over: Floats
    of_sigma: Floats


def of_middle(rides: Iterable[Fed], values: Values) -> list[Errors]:
    """The common filter's errors, against the truth of the middle group."""
    found = []
    for fed in rides:
        said = filters.said(fed, values, filters.common(fed, values), middle=True)[:, 0]
        middle = [np.median(one, axis=1) for one in (fed.floor_v, fed.rest, fed.ocv)]
        known = 2 * fed.known.sum(axis=1) > fed.known.shape[1]
        found.append(_errors(fed, "middle", said, *middle, known))
    return found


def of_groups(rides: Sequence[Fed], values: Values, ridden: Sequence[Common] | None = None) -> list[Errors]:
    """Both filters' errors, of every kind of group by itself. ridden: the common filter's rides, if they are known."""
    found = []
    for fed, common in zip(rides, ridden or [filters.common(fed, values) for fed in rides], strict=True):
        said = filters.said(fed, values, common)
        kinds = np.where(fed.kinds == "healthy", "healthy", np.where(fed.lost, "hidden", "other"))
        for kind in OF_KIND:
            if (these := kinds == kind).any():
                truth = fed.floor_v[:, these], fed.rest[:, these], fed.ocv[:, these]
                found.append(_errors(fed, kind, said[:, these], *truth, fed.known[:, these]))
    return found


def _errors(
    fed: Fed, kind: str, said: Floats, floor_v: Floats, rest_v: Floats, ocv_v: Floats, known: np.ndarray
) -> Errors:
    rest = np.fmax(said[..., REST], floor_v) - rest_v
    of_sigma = np.abs(rest) / said[..., SIGMA]
    parts = rest, said[..., OCV] - ocv_v, rest_v - fed.limit_v, of_sigma
    return Errors(fed.name, fed.cell, fed.loaded, kind, *(part[known] for part in parts))


def common_mv(errors: Sequence[Errors]) -> float:
    """The common filter's: the root of the mean squared rest error, with what else is wanted of it added as squares.

    Of rides begun at rest: each cell's mean square and its 98th percentile, its two worst rides, and OCV. Of rides met
    under load: rest and OCV.
    """
    rested = [one for one in errors if not one.loaded]
    loaded = [one for one in errors if one.loaded and one.rest.size]
    worst = OF_WORST * np.mean([_worst(rides) for rides in _by_cell(rested)])
    return _millivolts([_of_cells(rested), worst, _of_ocv(rested), _of_loaded(loaded)])


def peers_mv(errors: Sequence[Errors]) -> float:
    """The groups': the same for each kind of group by its weight, with rides' largest errors for the worst rides.

    Added are what a group that is not healthy reads too high at its limit, which is the unsafe side, and by how much
    errors are larger than two of their sigmas.
    """
    parts = []
    for kind, weight in OF_KIND.items():
        rested = [one for one in errors if one.kind == kind and not one.loaded]
        loaded = [one for one in errors if one.kind == kind and one.loaded and one.rest.size]
        if rested:
            cells = _of_cells(rested, MOST_OF_GROUP_V)
            parts.append(weight * (cells + OF_LARGEST * _largest(rested) + _of_ocv(rested) + _of_loaded(loaded)))
    high = [_high(rides) for rides in _by_cell(one for one in errors if one.kind != "healthy")]
    parts.append(OF_HIGH * OF_KIND["hidden"] * float(np.mean(high)) if high else 0.0)
    unsure = np.maximum(np.concatenate([one.of_sigma for one in errors]) - UNSURE_FROM, 0.0)
    parts.append(float(np.mean((UNSURE_V * unsure) ** 2)))
    return _millivolts(parts)


def _millivolts(squares: Sequence[float]) -> float:
    total = float(np.sqrt(np.sum(squares)) * 1e3)
    return total if np.isfinite(total) else NO_NUMBER_MV


def _of_cells(rested: Sequence[Errors], most_v: float = MOST_V) -> float:
    """Mean over the cells of the mean square and of the tail."""
    cells = [np.concatenate([one.rest for one in rides]) for rides in _by_cell(rested)]
    tails = [np.percentile(np.minimum(np.abs(error), most_v), TAIL) ** 2 for error in cells]
    return float(np.mean([_square(error, most_v) for error in cells]) + OF_TAIL * np.mean(tails))


def _largest(rested: Sequence[Errors]) -> float:
    """Mean over the rides of the largest error's square."""
    return float(np.mean([min(np.abs(one.rest).max(initial=0.0), MOST_OF_GROUP_V) ** 2 for one in rested]))


def _of_ocv(rested: Sequence[Errors]) -> float:
    return OF_OCV * float(np.mean([min(_square(one.ocv), MOST_OCV_V**2) for one in rested]))


def _of_loaded(loaded: Sequence[Errors]) -> float:
    if not loaded:
        return 0.0
    rest = np.mean([min(_square(one.rest), MOST_LOADED_V**2) for one in loaded])
    ocv = np.mean([min(_square(one.ocv), MOST_OCV_V**2) for one in loaded])
    return OF_LOADED * float(rest + OF_OCV * ocv)


def _worst(rides: Sequence[Errors]) -> float:
    """Mean square of the two worst rides."""
    return float(np.mean(sorted(min(_square(one.rest), WORST_V**2) for one in rides)[-2:]))


def _high(rides: Sequence[Errors]) -> float:
    """Mean square of what is too high where the truth is near the limit or under it."""
    near = np.concatenate([one.rest[one.over < NEAR_V] for one in rides])
    return _square(np.maximum(near, 0.0), MOST_OF_GROUP_V)


def _by_cell(errors: Iterable[Errors]) -> list[list[Errors]]:
    cells: dict[str, list[Errors]] = {}
    for one in errors:
        cells.setdefault(one.cell, []).append(one)
    return list(cells.values())


def _square(error: Floats, most: float = np.inf) -> float:
    return float(np.mean(np.minimum(np.abs(error), most) ** 2)) if error.size else 0.0


def lines(errors: Sequence[Errors]) -> list[str]:
    """For people, in mV: a line for each kind of group, begun at rest and met under load."""
    found = []
    for kind in ("middle", *OF_KIND):
        for loaded in (False, True):
            chosen = [one for one in errors if one.kind == kind and one.loaded is loaded and one.rest.size]
            if chosen:
                found.append(f"{kind:8}{'under load' if loaded else 'at rest':11}{_line(chosen)}")
    return found


def _line(chosen: Sequence[Errors]) -> str:
    rest, ocv, over, of_sigma = (
        np.concatenate([getattr(one, part) for one in chosen]) for part in ("rest", "ocv", "over", "of_sigma")
    )
    size, near = np.abs(rest) * 1e3, rest[over < NEAR_V] * 1e3
    high = np.sqrt(_square(np.maximum(near, 0.0)))
    return (
        f"rest {_rms(rest):5.1f} {np.percentile(size, 99):6.1f} {size.max():6.1f} {rest.mean() * 1e3:+6.1f}  "
        f"OCV {_rms(ocv):5.1f} {np.percentile(np.abs(ocv), 99) * 1e3:6.1f}  high {high:5.1f}  "
        f"in 2 sigma {(of_sigma < 2).mean() * 100:5.1f} %"
    )


def _rms(volts: Floats) -> float:
    return float(np.sqrt(np.mean(volts**2))) * 1e3

"""Searches for the settings marked "fitted". Law: it prints what it found; settings.py is only changed by --write.

    make fit                                                      with rides made for it
    make fit RIDES="DIR DIR" FIT="--leave-out CELL --trials N"    with these

All rides of the folders are run through the filter in C with settings that CMA-ES (Hansen, arXiv:1604.00772; the
package `cma`) proposes, until it has made its trials. A cell that is left out is judged, not searched with: what is
gained on cells that were searched and lost on those left out was learnt by heart.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import figures
import filters
import numpy as np
import score
from figures import Figure
from filters import Values
from rides import Fed, fed
from score import Errors

STEP = 0.08  # of the cube: what is there already is not thrown away at once
TOLD_EVERY_S = 60.0


# What may be searched: its figures, the errors it is judged by, and what they come to.
OF: dict[str, tuple[Sequence[Figure], Callable[..., list[Errors]], Callable[..., float]]] = {
    "common": (figures.COMMON, score.of_middle, score.common_mv),
    "peers": (figures.PEERS, score.of_groups, score.peers_mv),
}


def search(of: str, rides: Sequence[Fed], start: Values, trials: int, seed: int) -> Values:
    """The best settings of all that were tried, those of the start included."""
    import cma  # takes seconds, and a wrong argument is told at once

    space, errors_of, total_mv = OF[of]
    if of == "peers":
        # The common filter does not know of the peers: one ride through it is enough.
        errors_of = partial(errors_of, ridden=[filters.common(fed, start) for fed in rides])
    best, best_mv = start, total_mv(errors_of(rides, start))
    print(f"{len(space)} figures, {len(rides)} rides; now {best_mv:.3f} mV", flush=True)
    inside = np.clip(figures.parts(space, start), 0.02, 0.98)
    walk = cma.CMAEvolutionStrategy(inside, STEP, {"bounds": [0, 1], "seed": seed, "maxfevals": trials, "verbose": -9})
    told_s = time.monotonic()
    while not walk.stop():
        places = walk.ask()
        tried = [figures.moved(space, start, place) for place in places]
        found_mv = [total_mv(errors_of(rides, one)) for one in tried]
        walk.tell(places, found_mv)
        if min(found_mv) < best_mv:
            best_mv, best = min(found_mv), tried[int(np.argmin(found_mv))]
        if time.monotonic() - told_s > TOLD_EVERY_S:
            told_s = time.monotonic()
            print(f"{walk.countevals} trials: {best_mv:.3f} mV", flush=True)
    print(f"{walk.countevals} trials: {best_mv:.3f} mV", flush=True)
    return best


def compare(of: str, rides: Sequence[Fed], before: Values, after: Values) -> list[str]:
    """Of each cell before and after: RMS, 99th percentile, largest and mean of the rest error, RMS and 99th of OCV."""
    _, errors_of, total_mv = OF[of]
    found = []
    cells = sorted({ride.cell for ride in rides})
    for cell in (*cells, None) if len(cells) > 1 else cells:
        chosen = [ride for ride in rides if cell in (None, ride.cell)]
        for name, values in (("before", before), ("after", after)):
            errors = errors_of(chosen, values)
            found.append(f"{cell or 'all'}, {name}: {total_mv(errors):.2f}")
            found += [f"  {line}" for line in score.lines(errors)]
    return found


def changes(before: Values, after: Values) -> list[str]:
    """The settings that moved, as they are written in settings.py."""
    return [f"{name} = {after[name]!r}  # was {before[name]!r}" for name in before if before[name] != after[name]]


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folders", nargs="+", type=Path, metavar="DIR", help="rides of tests/truth/make.py")
    parser.add_argument("--of", choices=OF, default="common", help="the filter whose figures are searched")
    parser.add_argument("--leave-out", action="append", default=[], metavar="CELL", help="judged, not searched with")
    parser.add_argument("--trials", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1, help="of the search")
    parser.add_argument("--json", type=Path, metavar="OUT", help="write all settings found here")
    parser.add_argument("--write", action="store_true", help="write them into settings.py; ruff format it afterwards")
    args = parser.parse_args()
    rides = fed(args.folders)
    cells = {ride.cell for ride in rides}
    unknown = set(args.leave_out) - cells
    if not rides or unknown:
        parser.error(f"--leave-out: no ride of {unknown}; there are {sorted(cells)}" if rides else "no rides (*.npz)")
    searched = [ride for ride in rides if ride.cell not in args.leave_out]
    before = filters.present()
    after = search(args.of, searched, before, args.trials, args.seed)
    print("searched with, mV", *compare(args.of, searched, before, after), sep="\n")
    if args.leave_out:
        left_out = [ride for ride in rides if ride.cell in args.leave_out]
        print("left out", *compare(args.of, left_out, before, after), sep="\n")
    print("settings that moved", *changes(before, after), sep="\n")
    if args.json is not None:
        args.json.write_text(json.dumps(after, indent=1) + "\n", encoding="utf-8")
    if args.write:
        moved = {name: value for name, value in after.items() if value != before[name]}
        text = figures.rewritten(figures.SETTINGS.read_text(encoding="utf-8"), moved)
        figures.SETTINGS.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Energy left above the reserve against what the cells then gave. Law: rides no setting was tuned on.

    python tests/bench/bench_energy.py [DIR] [--each]

Every ride of DIR (by default those of tests/truth/rides) goes through the daemon's core, as the whole pack and as its
healthy groups alone. Rides made with `make.py --again` come in pairs: the second begins with what the first one taught.
LFP is left out: its reserve lies past a plateau on which no voltage tells the charge. Cells whose curve is flat right
above the reserve have a line of their own. Columns: share of moments within 10 % of the truth, the same where more than
a tenth of the full pack was left, share within 10 % or 2 % of the full pack, mean of said over true less 1 and its
scatter between rides, share within what is stated as two sigma. `energy_rides` says it exactly.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from energy_rides import Course, line, parts, reserve_row, ridden
from truth_rides import RIDES, Truth, load

from sagwise_daemon.domain.estimate import Learnt

FLAT_V = 0.15  # volts per unit of charge, within 0.2 of charge above the reserve
HEADER = "packs    10 %    much  or 2 %    lean     +-  2 sigma"


def flat(truth: Truth) -> bool:
    """Whether a few millivolts are a tenth of the charge near the reserve."""
    at = np.interp(truth.limit_v, truth.curve_v, truth.curve_soc)
    slope = np.diff(truth.curve_v) / np.diff(truth.curve_soc)
    near = (truth.curve_soc[1:] > at) & (truth.curve_soc[1:] < at + 0.2)
    return bool(slope[near].min() < FLAT_V)


def judged(paths: list[Path], each: bool) -> tuple[list[Course], list[Course]]:
    """The courses of all rides, those of cells that are flat at their reserve apart."""
    usual: list[Course] = []
    apart: list[Course] = []
    taught: dict[tuple[int, int], Learnt | None] = {}
    for path in sorted(paths, key=lambda path: int(path.stem.rsplit("_", 1)[1])):
        truth = load(path)
        if truth.family == "lfp" or truth.loaded:
            continue
        for part in parts(truth):
            if part is not truth and np.isnan(reserve_row(part)):
                continue
            which, own = len(part.volts), truth.about["seed"]
            first = truth.about.get("members", own)
            course, taught[own, which] = ridden(part)
            before = None if own == first else taught.get((first, which))
            again = None if before is None else ridden(part, before, seed=1)[0]
            for one in filter(None, (course, again)):
                (apart if flat(truth) else usual).append(one)
                if each:
                    print(
                        f"{one.name:22s} {one.kind:8s} {'second' if one.second else 'first':7s}{line([one])}",
                        flush=True,
                    )
    return usual, apart


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folder", nargs="?", type=Path, default=RIDES)
    parser.add_argument("--each", action="store_true", help="every ride as well")
    args = parser.parse_args()
    usual, apart = judged(list(args.folder.glob("*.npz")), args.each)
    print(f"{'':32s}{HEADER}")
    for label, courses in (("", usual), ("flat at the reserve, ", apart)):
        for second in (False, True):
            for kind in ("healthy", "worn", "weak"):
                some = [one for one in courses if (one.kind, one.second) == (kind, second)]
                if some:
                    print(f"{label + kind + (', second ride' if second else ''):32s}{line(some)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())

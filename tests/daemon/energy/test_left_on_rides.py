"""Energy left on simulated rides, told by the core, against what the cells then gave.

The truth is the simulator's exact physics: the ride goes on as it went until the first group's rest voltage is at the
reserve. From half charge of the emptiest group down, healthy and with a hidden group of three quarters of the capacity
and 1.4 times the resistance. Close to the reserve a share of next to nothing says nothing, so beside the 10 % stands
an allowance of 2 % of what the full pack holds. No figure of the daemon was set on these rides.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from heard_ride import Heard, hear
from out_and_back import CELL_AH, PARALLEL, SERIES, Floats, Plan, ride_all

FULL_WH = SERIES * PARALLEL * CELL_AH * 3.65
HEALTHY, WEAK = (1.0, 1.0), (0.75, 1.4)
RELATIVE, ALLOWANCE = 0.10, 0.02
FIRST_SEED = 6000


def heard(seeds: range, weak: tuple[float, float]) -> list[Heard]:
    plans = [replace(Plan.draw(seed), weak=weak[0], weak_resistance=weak[1], start_soc=0.9) for seed in seeds]
    return [hear(ride, told=False) for ride in ride_all(plans, to_reserve=True)]


def below_half(one: Heard) -> tuple[Floats, Floats]:
    """Said less true, and true, Wh, every five seconds from half charge of the emptiest group down."""
    left_wh = one.ride.left_wh
    below = one.ride.soc[::25] <= 0.5
    return (one.left_wh - left_wh)[::25][below], left_wh[::25][below]


def told_of(rides: list[Heard]) -> tuple[Floats, Floats]:
    errors, left = zip(*(below_half(one) for one in rides), strict=True)
    error, true = np.concatenate(errors), np.concatenate(left)
    assert np.isfinite(error).all(), "known all the way"
    share = np.abs(error)[true > 0.1 * FULL_WH] / true[true > 0.1 * FULL_WH]
    print(
        f"{len(rides)} rides: median {np.median(share):.3f}, 90th percentile {np.quantile(share, 0.9):.3f}, "
        f"most {share.max():.3f} of what was left, over a tenth of the full pack; "
        f"most {np.abs(error).max() / FULL_WH:.3f} of the full pack; "
        f"within: {np.mean(np.abs(error) <= np.maximum(RELATIVE * true, ALLOWANCE * FULL_WH)):.3f}"
    )
    return error, true


@pytest.mark.slow
@pytest.mark.parametrize("weak", [HEALTHY, WEAK])
def test_from_half_charge_down_it_is_what_the_pack_then_gave(weak: tuple[float, float]) -> None:
    error, true = told_of(heard(range(FIRST_SEED, FIRST_SEED + 4), weak))
    within = np.abs(error) <= np.maximum(RELATIVE * true, ALLOWANCE * FULL_WH)
    assert within.mean() >= 0.95

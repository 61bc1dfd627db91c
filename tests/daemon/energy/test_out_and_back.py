"""Out-and-back rides of simulated packs, healthy and weak, 0 to 32 degC: `turn_back` misses none and seldom cries wolf.

A ride that could not have come home is one whose pack reached its reserve on the way back. It is missed when nothing
sounded before the rider turned, or only when a turn at once would no longer have helped. A ride that could is one with
at least the contract's margin of 15 % to spare at the turn, by the truth; wolf is cried when the rule speaks during it
before the bike is home, the rider having said at the turn that the bike heads home. In between, 0 to 15 % to spare, the
contract wants the rule to speak, so neither counts. No figure of the daemon was set on these seeds.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

MARGIN = 0.15
WOLF_SHARE = 0.05
FIRST_SEED = 1000


def judged(outcomes: list[Any]) -> dict[str, list[int]]:
    """Seeds by what came of the ride."""
    seeds: dict[str, list[int]] = {name: [] for name in ("could not", "missed", "could", "wolf", "between")}
    for out in outcomes:
        seed = out.plan.seed
        if not out.came_home:
            seeds["could not"].append(seed)
            in_time = [drawn for moment, drawn in out.raised if moment <= out.turned_s and out.end_wh >= 2 * drawn]
            if not in_time:
                seeds["missed"].append(seed)
        elif out.slack >= 1.0 + MARGIN:
            seeds["could"].append(seed)
            if any(moment <= out.home_s for moment, _ in out.raised):
                seeds["wolf"].append(seed)
        else:
            seeds["between"].append(seed)
    return seeds


def check(outcomes: list[Any]) -> None:
    seeds = judged(outcomes)
    print({name: len(of) for name, of in seeds.items()}, "missed", seeds["missed"], "wolf", seeds["wolf"])
    assert len(seeds["could not"]) >= len(outcomes) / 5
    assert len(seeds["could"]) >= len(outcomes) / 5
    assert seeds["missed"] == []
    assert len(seeds["wolf"]) <= max(WOLF_SHARE * len(seeds["could"]), 1.0)


@pytest.mark.slow
def test_twenty_rides(trip: Callable[..., Any]) -> None:
    check([trip(seed) for seed in range(FIRST_SEED, FIRST_SEED + 20)])


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_two_hundred_rides(trip: Callable[..., Any]) -> None:
    check([trip(seed) for seed in range(FIRST_SEED, FIRST_SEED + 200)])

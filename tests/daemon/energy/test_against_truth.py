"""Energy left against what simulated electrochemical cells then gave (tests/truth/PROVENANCE.md).

The truth is the energy delivered from a moment to the one when the first group's simulated rest voltage is at the
limit, the ride going on as it did. From half charge down nine moments of ten must be within 10 % of what was left at
half charge, and what is stated as two sigma must hold in nine of ten. The project asks 10 % of every moment: that is
not reached on groups that lost a quarter of their capacity. No figure of the daemon was set on these rides.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from energy_rides import ridden
from energy_steps import add
from truth_rides import load

from sagwise_daemon.domain import estimate
from sagwise_daemon.domain.estimate.energy import EnergyLeft
from sagwise_daemon.domain.model import Cell, Floats, Reading
from sagwise_daemon.domain.pack.profile import build_pack

TRUTH = Path(__file__).parents[2] / "truth" / "rides"
GROUP_AH = 22.0
EVERY = 50  # rows of 0.1 s


def compared(path: Path) -> Floats:
    """Said, its sigma, true Wh left and charge of a healthy group, every five seconds down to the reserve."""
    file = np.load(path)
    about = json.loads(str(file["about"]))
    soc, curve_v = file["curve_soc"] * 1e-4, file["curve_v"] * 1e-4
    rising = np.concatenate([[True], np.diff(curve_v) > 0])
    parallel = max(1, round(GROUP_AH / about["capacity_ah"]))
    cell = Cell(
        "measured", about["capacity_ah"], about["full_v"], about["empty_v"], None, None, soc[rising], curve_v[rising]
    )
    volts = np.cumsum(file["volts_diff"], axis=1) * 1e-4
    current = np.cumsum(file["c_diff"]) * 1e-3 * about["capacity_ah"] * parallel
    pack = build_pack("truth", len(volts), parallel, cell)
    row, lowest, limit = file["rest_row"], file["rest"].min(axis=0) * 1e-4, pack.rules["rest_low"].limit
    assert limit is not None
    first = int(np.flatnonzero(lowest < limit)[0])
    end = float(np.interp(-limit, -lowest[first - 1 : first + 1], row[first - 1 : first + 1]))
    power = volts.sum(axis=0) * current
    drawn = np.concatenate([[0.0], np.cumsum((power[1:] + power[:-1]) / 2 * 0.1 / 3600.0)])
    left = float(np.interp(end, np.arange(len(drawn)), drawn)) - drawn

    rng = np.random.default_rng(9)
    seen_v = np.round((volts + rng.normal(0.0, 0.002, volts.shape)) / 1e-3) * 1e-3
    seen_a = current * 1.01 + 0.3 + rng.normal(0.0, 0.5, len(current))
    seen_c = np.round(np.repeat(file["temp"] * 0.01, 10) * 2) / 2
    charge = np.interp(np.arange(len(current)), row, np.median(file["soc"][:3] * 1e-4, axis=0))
    state, said = estimate.new(pack), []
    energy = EnergyLeft(pack)
    for k in range(int(end)):
        reading = Reading(k * 0.1, seen_v[:, k], float(seen_a[k]), seen_c[k : k + 1])
        now = add(energy, state, reading)
        if k % EVERY == 0:
            said.append((now.left_wh, now.left_sigma_wh, left[k], charge[k]))
    return np.array(said)


@pytest.mark.slow
def test_from_half_charge_down_it_is_what_the_pack_then_gave() -> None:
    apart, within = [], []
    for path in sorted(TRUTH.glob("*_900[01].npz")):
        said = compared(path)
        below = said[said[:, 3] <= 0.5]
        assert np.isfinite(below[:, 0]).all(), path.name
        error = np.abs(below[:, 0] - below[:, 2])
        apart.append(error / below[0, 2])
        within.append(error <= 2 * below[:, 1])
        print(f"{path.stem}: mean {apart[-1].mean():.3f} most {apart[-1].max():.3f} of the energy at half charge")
    assert len(apart) >= 4
    assert np.mean(np.concatenate(apart) <= 0.10) >= 0.90
    assert np.mean(np.concatenate(within)) >= 0.90


@pytest.mark.slow
def test_a_sound_pack_is_foreseen_down_to_its_reserve() -> None:
    """Five sound groups from half charge down, to 10 % of the truth; 58 % of the moments while lag was half of the
    steady one whatever the time left."""
    course, _ = ridden(load(TRUTH / "oregan2022_9106.npz"))
    assert course is not None
    assert course.within.mean() >= 0.75


@pytest.mark.slow
def test_what_a_ride_found_of_a_weak_group_is_known_on_the_next() -> None:
    """Minutes at constant current, a group at 75 %: a ride with few coasts. 28 % of the second one's moments were
    within 10 % while a ride taught nothing of them, and the first of them half too high."""
    truth = load(TRUTH / "ecker2015_9104.npz")
    first, learnt = ridden(truth)
    second, _ = ridden(truth, learnt, seed=1)
    assert first is not None and second is not None
    assert second.within.mean() >= max(0.5, first.within.mean())
    begun = [one.said_wh[0] / one.true_wh[0] for one in (first, second)]
    assert abs(begun[1] - 1.0) < abs(begun[0] - 1.0)

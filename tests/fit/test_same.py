"""The C copies against the filters they copy, over kept rides begun at rest and under load.

They are written apart and compared in every number that the common filter hands on and in all that is said of a group,
with the settings of now and with limits so narrow that they are reached. Where this fails, common.py, peers.py or
output.py has changed and its copy has not, or the other way round: mirror the change, never the bound.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import figures
import filters
import numpy as np
import pytest
import rides
from truth_rides import RIDES, load

from sagwise_daemon.domain.estimate import settings
from sagwise_daemon.domain.estimate import told as columns
from sagwise_daemon.domain.model import Estimates, Floats

pytestmark = pytest.mark.slow

SAME = 1e-9  # of what is charge, volts or a share
COLUMNS = (
    *(columns.CHARGE, columns.CAPACITY_RATIO, columns.CHARGE_VARIANCE, columns.RATIO_VARIANCE),
    *(columns.OFFSET_VARIANCE, columns.DELTA_LEFT, columns.SLOW_LEFT, columns.OFFSET_LEFT_V, columns.UNSEEN),
)
# Two begun at rest, one met under load on the plateau of LFP, one too short for its resistance to be measured, and one
# whose voltage breaks down for half a minute and then for good.
BEGUN = (
    "ecker2015_9104",
    "mohtat2020_9100",
    "prada2013_9102 from 300 s",
    "mohtat2020_dfn_9101",
    "mohtat2020_9100 broken down",
)
MOST_ROWS = 9000
NARROW: filters.Values = {
    "INNOVATION_CAP": 0.5,
    "OHMIC_CLAMP": (0.95, 1.05),
    "SLOW_CLAMP": (0.95, 1.05),
    "RATIO_CLAMP": 0.0001,
    "OFFSET_CLAMP_V": 0.002,
    "SOC_CLAMP": (0.85, 0.96),
    "SOC_SIGMA_CAP": 0.005,
    "PEER_RATIO_CLAMP": (-0.01, 0.02),
    "PEER_SCALE_CLAMP": (-0.01, 0.02),
}


@dataclass(frozen=True, eq=False)
class Compared:
    """One ride at every row. fed: its tape. estimates, common, peers: of the estimator; told, said: of the copy."""

    fed: rides.Fed
    estimates: Estimates
    common: Floats
    peers: Floats
    told: Floats
    said: Floats


def both(name: str) -> Compared:
    ride, _, how = name.partition(" ")
    truth = load(RIDES / f"{ride}.npz")
    if how.startswith("from "):
        truth = truth.from_load(float(how.split()[1]))
    elif how == "broken down":
        truth = replace(truth, volts=truth.volts - 0.5 * _deep(truth.rows))
    fed, estimates, told = rides.heard(truth, np.arange(min(truth.rows, MOST_ROWS)))
    blank = told.blank[:, None]
    common = np.where(blank, np.nan, told.numbers[:, COLUMNS])
    states = np.concatenate([told.x, told.soc_variance[:, None], told.doubt_v[:, None]], axis=1).transpose(0, 2, 1)
    peers = np.where(blank[:, None], np.nan, states)
    return Compared(fed, estimates, common, peers, *run(fed, filters.present()))


def _deep(rows: int) -> Floats:
    """(rows,) from the 300th second for half a minute, and from the 500th on."""
    time_s = np.arange(rows) * 0.1
    return np.asarray(np.where((np.abs(time_s - 315.0) < 15.0) | (time_s > 500.0), 1.0, 0.0))


def run(fed: rides.Fed, values: filters.Values) -> tuple[Floats, Floats]:
    ridden = filters.common(fed, values)
    return ridden.told, filters.said(fed, values, ridden)


@pytest.fixture(scope="module")
def compared() -> dict[str, Compared]:
    """With the settings of now, and one ride with the narrow limits."""
    now = {name: both(name) for name in BEGUN}
    with pytest.MonkeyPatch.context() as patch:
        for name, value in NARROW.items():
            patch.setattr(settings, name, value)
        return now | {"narrow": both("chen2020_9001")}


@pytest.mark.parametrize("name", [*BEGUN, "narrow"])
def test_the_common_filter_says_the_same(compared: dict[str, Compared], name: str) -> None:
    one = compared[name]
    np.testing.assert_allclose(one.told[:, : len(COLUMNS)], one.common, rtol=0, atol=SAME)


@pytest.mark.parametrize("name", [*BEGUN, "narrow"])
def test_the_peers_say_the_same(compared: dict[str, Compared], name: str) -> None:
    one = compared[name]
    np.testing.assert_allclose(one.said[..., filters.SIGMA + 1 :], one.peers, rtol=0, atol=SAME)


@pytest.mark.parametrize("name", [*BEGUN, "narrow"])
def test_the_same_is_said_of_the_groups(compared: dict[str, Compared], name: str) -> None:
    one = compared[name]
    known, said = one.fed.known, one.said
    assert known.mean() > 0.5
    rest = np.fmax(said[..., filters.REST], one.fed.floor_v)
    estimates = one.estimates
    theirs = (estimates.rest_v, estimates.ocv_v, estimates.rest_sigma_v)
    for copied, their in zip((rest, said[..., filters.OCV], said[..., filters.SIGMA]), theirs, strict=True):
        np.testing.assert_allclose(copied[known], their[known], rtol=0, atol=SAME)


def test_the_middle_group_is_one_that_differs_from_nothing(compared: dict[str, Compared]) -> None:
    one = compared["mohtat2020_9100"]
    said = filters.said(one.fed, filters.present(), filters.common(one.fed, filters.present()), middle=True)
    begun = ~np.isnan(one.told[:, 0])
    assert said.shape == (len(begun), 1, len(filters.SAID))
    assert not said[begun, 0, filters.SIGMA + 1 : -2].any()
    curve = np.interp(one.told[begun, 0], np.linspace(-0.05, 1.05, len(one.fed.table_v)), one.fed.table_v)
    np.testing.assert_allclose(said[begun, 0, filters.OCV], curve, rtol=0, atol=SAME)


def test_every_kind_of_call_is_compared(compared: dict[str, Compared]) -> None:
    heard = {int(op) for one in compared.values() for op in one.fed.calls["op"]}
    assert heard == {
        rides.FLOW, rides.CARRY, rides.LEARN, rides.LEARN_STEADY, rides.BEGIN, rides.SCALE,
    }  # fmt: skip


@pytest.mark.parametrize("name", sorted({figure.name for figure in figures.ALL} | NARROW.keys()))
def test_a_setting_is_heeded(compared: dict[str, Compared], name: str) -> None:
    """One without an effect would be moved at random by the search, and one not reached is not compared."""
    now = filters.present() | NARROW if name in NARROW else filters.present()
    moved = now | {name: tuple(1.3 * np.array(now[name])) if isinstance(now[name], tuple) else 1.3 * now[name]}
    chosen = ["narrow"] if name in NARROW else BEGUN
    assert any(_differs(compared[ride], moved) for ride in chosen)


def _differs(one: Compared, values: filters.Values) -> bool:
    told, said = run(one.fed, values)
    return not (np.array_equal(told, one.told, equal_nan=True) and np.array_equal(said, one.said, equal_nan=True))

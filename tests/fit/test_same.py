"""The C copy against the filter it copies, over kept rides begun at rest and under load.

The two are written apart and compared in every number that the common filter hands on, with the settings of now and
with limits so narrow that they are reached. Where this fails, common.py has changed and common_filter.c has not, or
the other way round: mirror the change, never the bound.
"""

from __future__ import annotations

import figures
import filters
import numpy as np
import pytest
import rides
from truth_rides import RIDES, load

from sagwise_daemon.domain.estimate import settings
from sagwise_daemon.domain.estimate import told as columns
from sagwise_daemon.domain.model import Floats

pytestmark = pytest.mark.slow

SAME = 1e-9  # of what is charge, volts or a share
COLUMNS = (
    *(columns.CHARGE, columns.CAPACITY_RATIO, columns.CHARGE_VARIANCE, columns.RATIO_VARIANCE),
    *(columns.OFFSET_VARIANCE, columns.DELTA_LEFT, columns.SLOW_LEFT, columns.OFFSET_LEFT_V, columns.UNSEEN),
)
# Two begun at rest, one met under load on the plateau of LFP, and one too short for its resistance to be measured.
BEGUN = ("ecker2015_9104", "mohtat2020_9100", "prada2013_9102 from 300 s", "mohtat2020_dfn_9101")
MOST_ROWS = 9000
NARROW: filters.Values = {
    "INNOVATION_CAP": 0.5,
    "OHMIC_CLAMP": (0.95, 1.05),
    "SLOW_CLAMP": (0.95, 1.05),
    "RATIO_CLAMP": 0.0001,
    "OFFSET_CLAMP_V": 0.002,
    "SOC_CLAMP": (0.85, 0.96),
}


def both(name: str) -> tuple[Floats, Floats, rides.Fed]:
    """What the estimator says of the common filter at every row, the same by the copy, and the tape."""
    ride, _, cut = name.partition(" from ")
    truth = load(RIDES / f"{ride}.npz")
    truth = truth.from_load(float(cut.split()[0])) if cut else truth
    fed, _, told = rides.heard(truth, np.arange(min(truth.rows, MOST_ROWS)))
    theirs = np.where(told.blank[:, None], np.nan, told.numbers[:, COLUMNS])
    return theirs, filters.run(fed, filters.present())[0], fed


@pytest.fixture(scope="module")
def compared() -> dict[str, tuple[Floats, Floats, rides.Fed]]:
    """With the settings of now, and one ride with the narrow limits."""
    now = {name: both(name) for name in BEGUN}
    with pytest.MonkeyPatch.context() as patch:
        for name, value in NARROW.items():
            patch.setattr(settings, name, value)
        return now | {"narrow": both("chen2020_9001")}


@pytest.mark.parametrize("name", [*BEGUN, "narrow"])
def test_the_copy_says_the_same(compared: dict[str, tuple[Floats, Floats, rides.Fed]], name: str) -> None:
    theirs, copied, _ = compared[name]
    assert len(COLUMNS) == len(filters.TOLD)
    np.testing.assert_allclose(copied, theirs, rtol=0, atol=SAME)


def test_every_kind_of_call_is_compared(compared: dict[str, tuple[Floats, Floats, rides.Fed]]) -> None:
    heard = {int(op) for _, _, fed in compared.values() for op in fed.calls["op"]}
    assert heard == {
        rides.UNDER_WAY, rides.FLOW, rides.CARRY, rides.LEARN, rides.LEARN_STEADY, rides.OPEN, rides.SCALE,
    }  # fmt: skip


@pytest.mark.parametrize("name", sorted({figure.name for figure in figures.COMMON} | NARROW.keys()))
def test_a_setting_is_heeded(compared: dict[str, tuple[Floats, Floats, rides.Fed]], name: str) -> None:
    """One without an effect would be moved at random by the search, and one not reached is not compared."""
    now = filters.present() | NARROW if name in NARROW else filters.present()
    moved = now | {name: tuple(1.3 * np.array(now[name])) if isinstance(now[name], tuple) else 1.3 * now[name]}
    chosen = ["narrow"] if name in NARROW else BEGUN
    assert any(_differs(compared[ride][2], now, moved) for ride in chosen)


def _differs(fed: rides.Fed, values: filters.Values, others: filters.Values) -> bool:
    now, then = filters.run(fed, values), filters.run(fed, others)
    return not all(np.array_equal(a, b, equal_nan=True) for a, b in zip(now, then, strict=True))

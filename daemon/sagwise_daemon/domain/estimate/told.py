"""What the filters stood at after each of some readings. Law: all that is said follows from this record alone.

The filters go reading by reading, since each feeds the next; what is said of them is then made for all rows at once.
"""

from __future__ import annotations

from math import nan
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.common import ELEMENTS, SLOW, Common, Shared, W, Z
from sagwise_daemon.domain.estimate.common import RATIO as COMMON_RATIO
from sagwise_daemon.domain.estimate.peers import RATIO, SOC, STATES, Peers
from sagwise_daemon.domain.estimate.voltages_only import VoltagesOnly
from sagwise_daemon.domain.model import Floats, Unknown

# The columns of `Told.numbers`: first what the common filter has, then what was said of one moment.
CHARGE, CAPACITY_RATIO, CHARGE_VARIANCE, RATIO_VARIANCE, OFFSET_VARIANCE = range(5)
SLOW_R, SLOW_C = slice(5, 5 + ELEMENTS), slice(5 + ELEMENTS, 5 + 2 * ELEMENTS)
DELTA_LEFT, SLOW_LEFT, OFFSET_LEFT_V, FACTOR, GAP_SHARE, BASE_V, RESISTANCE, UNSEEN = range(
    SLOW_C.stop, SLOW_C.stop + 8
)
NUMBERS = UNSEEN + 1


class Filters(NamedTuple):
    """The filters after one reading.

    z, ratio: the common filter's charge and capacity ratio, with their variances; slow_r, slow_c: its slow resistances
    in volts per C, to be multiplied by the temperature's factor, and the low-passed currents in C that go with them,
    (elements,) each.
    soc, ratios: the groups' charge differences and capacity ratios, and the variance of soc; (groups,) each.
    """

    z: float
    ratio: float
    z_variance: float
    ratio_variance: float
    slow_r: Floats
    slow_c: Floats
    soc: Floats
    ratios: Floats
    soc_variance: Floats


class Told:
    """The record of some rows.

    numbers: (rows, NUMBERS). x: the peers' states, (rows, 5, groups). soc_variance: of their charge differences;
    floor_v: the least that rest may be, NaN for none; r_25: from steps, volts per C, NaN until known; valid, doubted;
    doubt_v: how far a group has lain from what is expected of it lately; (rows, groups) each. early: reason why nothing
    is known at all, `KNOWN` if none; late: reason where sigma is too wide; blank: whether the filters were not asked;
    starting; warm: whether a temperature is known; unmeasured: whether the current is not; believed: whether what
    earlier rides taught is; (rows,) each.
    """

    def __init__(self, valid: NDArray[np.bool_]) -> None:
        rows, groups = valid.shape
        self.numbers = np.zeros((rows, NUMBERS))
        self.x = np.zeros((rows, STATES, groups))
        self.soc_variance = np.zeros((rows, groups))
        self.floor_v = np.full((rows, groups), nan)
        self.r_25 = np.zeros((rows, groups))
        self.valid = valid
        self.doubted = np.zeros((rows, groups), np.bool_)
        self.doubt_v = np.zeros((rows, groups))
        self.early = np.zeros(rows, np.int8)
        self.late = np.zeros(rows, np.int8)
        self.blank = np.zeros(rows, np.bool_)
        self.starting = np.zeros(rows, np.bool_)
        self.warm = np.zeros(rows, np.bool_)
        self.unmeasured = np.zeros(rows, np.bool_)
        self.believed = np.zeros(rows, np.bool_)

    def filters(self, row: int, common: Common, peers: Peers) -> None:
        """Both filters as they are after this row's reading."""
        p, (z, ratio, *_) = common.p, common.x.tolist()
        fading = max(p[W, W] - s.SIGMA_OFFSET_V**2, 0.0) * common.offset_left**2
        variances = p[Z, Z], p[COMMON_RATIO, COMMON_RATIO], fading
        numbers = self.numbers[row]
        slow_r = (common.x[SLOW] * common.colder).tolist()
        numbers[:DELTA_LEFT] = (z, ratio, *variances, *slow_r, *common.currents.tolist())
        numbers[UNSEEN] = common.unseen
        self.x[row] = peers.x
        self.soc_variance[row] = peers.variances[SOC]

    def nothing(self, row: int, reason: Unknown, starting: bool) -> None:
        """Nothing is known of any group, for one reason."""
        self.early[row], self.blank[row], self.starting[row] = reason, True, starting

    def moment(self, row: int, shared: Shared, common: Common, factor: float, warm: bool) -> None:
        """What holds at this row's moment."""
        self.numbers[row, DELTA_LEFT:RESISTANCE] = (
            shared.delta_left,
            shared.slow_left_v,
            shared.offset_left_v,
            factor,
            s.SIGMA_OF_GAP if common.scaled else s.UNSCALED_SIGMA_OF_GAP,
            s.SIGMA_BASE_V if common.rested else s.SIGMA_LOADED_START_V,
        )
        self.warm[row] = warm

    def voltages(self, row: int, alone: VoltagesOnly) -> None:
        """What the voltages alone say, in place of the common filter; no resistance, which needs a current."""
        numbers, shared = self.numbers[row], alone.shared
        assert shared is not None
        numbers[CHARGE], numbers[CHARGE_VARIANCE] = shared.soc, alone.variance + s.SIGMA_SOC**2
        numbers[OFFSET_VARIANCE] = 0.0
        left = (
            shared.delta_left,
            shared.slow_left_v,
            shared.offset_left_v,
            alone.factor,
            s.BLIND_SIGMA_OF_GAP,
            alone.base_v,
            nan,
        )
        numbers[DELTA_LEFT:UNSEEN] = left
        self.r_25[row] = nan
        self.late[row] = Unknown.NO_CURRENT
        self.warm[row] = alone.warm

    def single(self, number: int) -> Floats:
        """(rows, 1) of one of `numbers`."""
        return self.numbers[:, number, None]

    def factor(self, row: int, before: float) -> float:
        """The temperature's factor on resistance at a row; `before` where it was not asked for."""
        return before if self.blank[row] else float(self.numbers[row, FACTOR])

    def filters_at(self, row: int) -> Filters:
        """The filters after one of the rows."""
        numbers = self.numbers[row].tolist()
        return Filters(
            z=numbers[CHARGE],
            ratio=numbers[CAPACITY_RATIO],
            z_variance=numbers[CHARGE_VARIANCE] + numbers[UNSEEN],
            ratio_variance=numbers[RATIO_VARIANCE],
            slow_r=self.numbers[row, SLOW_R],
            slow_c=self.numbers[row, SLOW_C],
            soc=self.x[row, SOC],
            ratios=self.x[row, RATIO],
            soc_variance=self.soc_variance[row],
        )

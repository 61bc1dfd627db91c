"""What the filters stood at after each of some readings. Law: all that is said follows from this record alone.

The filters go reading by reading, since each feeds the next; what is said of them is then made for all rows at once.
"""

from __future__ import annotations

from math import nan
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.common import RATIO as COMMON_RATIO
from sagwise_daemon.domain.estimate.common import SLOW, Common, Shared, W, Z
from sagwise_daemon.domain.estimate.peers import RATIO, SOC, STATES, Record
from sagwise_daemon.domain.estimate.slow_elements import ELEMENTS
from sagwise_daemon.domain.estimate.voltages_only import VoltagesOnly
from sagwise_daemon.domain.model import Floats, Unknown

# The columns of `Told.numbers`: first what the common filter has, then what was said of one moment.
CHARGE, CAPACITY_RATIO, CHARGE_VARIANCE, RATIO_VARIANCE, OFFSET_VARIANCE = range(5)
SLOW_R, SLOW_C = slice(5, 5 + ELEMENTS), slice(5 + ELEMENTS, 5 + 2 * ELEMENTS)
DELTA_LEFT, SLOW_LEFT, OFFSET_LEFT_V, FACTOR, GAP_SHARE, BASE_V, RESISTANCE, UNSEEN = range(
    SLOW_C.stop, SLOW_C.stop + 8
)
NUMBERS = UNSEEN + 1
NO_MOMENT = (0.0,) * (UNSEEN - DELTA_LEFT)


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


def settled(common: Common) -> tuple[float, ...]:
    """What of the common filter changes only where it learns or begins: columns CAPACITY_RATIO to SLOW_R."""
    p = common.p
    fading = max(float(p[W, W]) - s.SIGMA_OFFSET_V**2, 0.0) * common.offset_left**2
    variances = float(p[Z, Z]), float(p[COMMON_RATIO, COMMON_RATIO]), fading
    return (float(common.x[COMMON_RATIO]), *variances, *(common.x[SLOW] * common.colder).tolist())


class Told:
    """The record of some rows. Each adds what the filters stand at in turn; once all have, `close` lays it in arrays.

    numbers: (rows, NUMBERS). x: the peers' states, (rows, 5, groups). soc_variance: of their charge differences; volts:
    as read, NaN where not valid; floor_v: the least that rest may be, NaN for none; r_25: from steps, volts per C, NaN
    until known; valid, doubted; doubt_v: how far a group has lain from what is expected of it lately; (rows, groups)
    each. early: reason why nothing is known at all, `KNOWN` if none; late: reason where sigma is too wide; blank:
    whether the filters were not asked; starting; warm: whether a temperature is known; unmeasured: whether the current
    is not; believed: whether what earlier rides taught is; (rows,) each.
    """

    def __init__(self, volts: Floats, valid: NDArray[np.bool_]) -> None:
        rows, groups = valid.shape
        self.numbers: Floats
        self.r_25: Floats
        self._numbers: list[tuple[float, ...]] = []
        self._r_25: list[Floats] = []
        self.x = np.empty((rows, STATES, groups))
        self.soc_variance = np.empty((rows, groups))
        self.floor_v = np.full((rows, groups), nan)
        self.volts, self.valid = volts, valid
        self.doubted = np.empty((rows, groups), np.bool_)
        self.doubt_v = np.empty((rows, groups))
        self.early = np.zeros(rows, np.int8)
        self.late = np.full(rows, int(Unknown.SETTLING), np.int8)
        self.blank = np.zeros(rows, np.bool_)
        self.starting = np.zeros(rows, np.bool_)
        self.warm = np.zeros(rows, np.bool_)
        self.unmeasured = np.zeros(rows, np.bool_)
        self.believed = np.zeros(rows, np.bool_)

    def close(self) -> None:
        """All rows have been added."""
        self.numbers, self.r_25 = np.array(self._numbers), np.array(self._r_25)

    def peers(self, rows: slice, record: Record, lessons: list[int]) -> None:
        """The peer filter after each of some rows; lessons: how many of the record each has behind it."""
        owns = self.x, self.soc_variance, self.doubt_v, self.doubted
        if len(lessons) == 1:  # a live reading: no need to look for its lesson
            for own, of_record in zip(owns, record, strict=True):
                own[rows] = of_record[lessons[0]]
            return
        which = np.array(lessons, np.intp)
        for own, of_record in zip(owns, record, strict=True):
            own[rows] = of_record.take(which, 0)

    def nothing(self, row: int, common: Common, reason: Unknown, starting: bool) -> None:
        """Nothing is known of any group, for one reason."""
        self.early[row], self.blank[row], self.starting[row] = reason, True, starting
        self._add(float(common.x[Z]), settled(common), common, NO_MOMENT, np.full(self.valid.shape[1], nan))

    def moment(
        self,
        common: Common,
        known: tuple[float, ...],
        shared: Shared,
        factor: float,
        resistance_v: float,
        r_25: Floats,
    ) -> None:
        """What holds at a moment. known: `settled`. resistance_v: the common filter's, where r_25 is not complete."""
        self._numbers.append(
            (
                float(common.x[Z]),
                *known,
                *common.currents,
                shared.delta_left,
                shared.slow_left_v,
                shared.offset_left_v,
                factor,
                s.SIGMA_OF_GAP if common.scaled else s.UNSCALED_SIGMA_OF_GAP,
                s.SIGMA_BASE_V if common.rested else s.SIGMA_LOADED_START_V,
                resistance_v,
                common.unseen,
            )
        )
        self._r_25.append(r_25)

    def voltages(self, row: int, common: Common, alone: VoltagesOnly) -> None:
        """What the voltages alone say, in place of the common filter; no resistance, which needs a current."""
        shared = alone.shared
        assert shared is not None
        ratio, _, ratio_variance, _, *slow_r = settled(common)
        known = (ratio, alone.variance + s.SIGMA_SOC**2, ratio_variance, 0.0, *slow_r)
        left = shared.delta_left, shared.slow_left_v, shared.offset_left_v
        moment = (*left, alone.factor, s.BLIND_SIGMA_OF_GAP, alone.base_v, nan)
        self._add(shared.soc, known, common, moment, np.full(self.valid.shape[1], nan))
        self.late[row] = Unknown.NO_CURRENT
        self.warm[row] = alone.warm

    def _add(self, z: float, known: tuple[float, ...], common: Common, moment: tuple[float, ...], r_25: Floats) -> None:
        self._numbers.append((z, *known, *common.currents, *moment, common.unseen))
        self._r_25.append(r_25)

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

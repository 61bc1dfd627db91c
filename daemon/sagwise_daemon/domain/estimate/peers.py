"""The peer filter: how each group differs from the median. Law: all groups at once, closed-form arrays, no loop.

All groups carry the same current, so what the common model gets wrong (the curve, the current's gain) cancels in
the difference. States of a group: charge difference; capacity ratio κ = Q/Qg − 1, whose mark is the drift of that
difference; resistance scale on the median's measured fast drop; extra ohmic resistance (a bad joint); one slow offset.
κ also scales the slow polarisation, but is not learnt from it.

What is known of all groups lies in one table, (ROWS, groups): the covariance's upper triangle, the states, and a row of
ones. All that a reading asks of it is linear, save for the curve's slope at each group, and so is what time does to it.
So one product with a matrix, made for many readings at once (`_plans`), gives both.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.common import Shared
from sagwise_daemon.domain.estimate.inputs import Moment, Seen
from sagwise_daemon.domain.estimate.lowpass import low_passed
from sagwise_daemon.domain.model import Floats
from sagwise_daemon.domain.pack.chemistry import OcvCurve

SOC, RATIO, SCALE, EXTRA, OFFSET = range(5)
STATES = 5
OFFSET_LEFT = exp(-s.REST_HORIZON_S / s.PEER_OFFSET_TAU_S)

# The table's rows. Those of the two resistances alone lie together, since they often stay as they are.
PAIRS = (
    *((SOC, state) for state in range(STATES)),
    *((RATIO, state) for state in range(RATIO, STATES)),
    *((SCALE, SCALE), (SCALE, EXTRA), (EXTRA, EXTRA)),
    *((SCALE, OFFSET), (EXTRA, OFFSET), (OFFSET, OFFSET)),
)
OF_PAIR = {pair: row for row, pair in enumerate(PAIRS)} | {(b, a): row for row, (a, b) in enumerate(PAIRS)}
TRIANGLE = len(PAIRS)
X = slice(TRIANGLE, TRIANGLE + STATES)
KNOWN, ONE = X.stop, X.stop
ROWS = ONE + 1
OF_RESISTANCES = (slice(OF_PAIR[SCALE, SCALE], OF_PAIR[EXTRA, EXTRA] + 1), slice(X.start + SCALE, X.start + EXTRA + 1))
SQUARE = np.array([[OF_PAIR[row, column] for column in range(STATES)] for row in range(STATES)])
DIAGONAL = SQUARE.diagonal()

# What a plan gives of the table: for each state the covariance with the voltage expected, that voltage less the one
# measured, the charge inside the curve, the first of all twice, and the voltage's variance, all but for the part of the
# curve's slope; then the table itself as it is by then.
PULL, APART, INSIDE, TWICE, VARIANCE, THEN = slice(0, STATES), STATES, STATES + 1, STATES + 2, STATES + 3, STATES + 4
ASKED = THEN + KNOWN
# Learning takes off the table the products of what it gives: pull by pull, and for the states pull by innovation.
FIRST, SECOND = np.array(PAIRS).T
ONES, OTHERS = np.append(FIRST, np.arange(STATES)), np.append(SECOND, [APART] * STATES)


def _plan() -> tuple[Floats, NDArray[np.intp]]:
    """What all plans have in common, and the places, in the flat plan, of what `Peers._numbers` gives."""
    plan = np.zeros((ASKED, ROWS))
    plan[range(THEN, ASKED), range(KNOWN)] = 1.0
    plan[range(STATES), SQUARE[OFFSET]] = 1.0
    plan[TWICE, OF_PAIR[SOC, OFFSET]] = 2.0
    plan[APART, X.start + OFFSET] = plan[INSIDE, X.start + SOC] = plan[VARIANCE, OF_PAIR[OFFSET, OFFSET]] = 1.0
    of_soc = [(SOC, SCALE), (SOC, EXTRA), (RATIO, SCALE), (RATIO, EXTRA), (RATIO, OFFSET)]
    places = [
        *((SOC, OF_PAIR[pair]) for pair in of_soc),
        *((state, OF_PAIR[state, other]) for state in range(RATIO, STATES) for other in (SCALE, EXTRA)),
        *((state, ONE) for state in (SCALE, EXTRA, OFFSET)),
        *((TWICE, OF_PAIR[pair]) for pair in of_soc),
        *((APART, place) for place in (X.start + RATIO, X.start + SCALE, X.start + EXTRA, ONE)),
        *((INSIDE, place) for place in (X.start + RATIO, ONE)),
        *((VARIANCE, OF_PAIR[p]) for p in [(SCALE, SCALE), (EXTRA, EXTRA), (SCALE, EXTRA), (SCALE, OFFSET)]),
        *((VARIANCE, place) for place in (OF_PAIR[EXTRA, OFFSET], ONE)),
        (THEN + X.start + SOC, X.start + RATIO),
        *((THEN + OF_PAIR[SOC, SOC], OF_PAIR[pair]) for pair in [(SOC, RATIO), (RATIO, RATIO)]),
        *((THEN + OF_PAIR[SOC, state], OF_PAIR[RATIO, state]) for state in range(RATIO, STATES)),
        *((THEN + row, ONE) for row in DIAGONAL.tolist()),
    ]
    rows, columns = np.array(places).T
    return plan, rows * ROWS + columns


PLAN, PLACES = _plan()


class Lesson(NamedTuple):
    """A reading to learn from. charge: share of the median's capacity drawn since the last, waited_s ago. crowd:
    multiplies noise's variance.
    """

    seen: Seen
    shared: Shared
    moment: Moment
    charge: float
    waited_s: float
    crowd: float


class Record(NamedTuple):
    """The filter before the first and after each of some lessons: states, (1 + lessons, STATES, groups), the charge
    difference's variance, `doubt_v` and `doubted`, (1 + lessons, groups) each.
    """

    x: Floats
    soc_variance: Floats
    doubt_v: Floats
    doubted: NDArray[np.bool_]


class Peers:
    """x: (5, groups), soc_variance: (groups,), views of what is known. `drop_v`: prior 1 s resistance at 25 degC, volts
    per C.
    """

    def __init__(self, curve: OcvCurve, groups: int, drop_v: float) -> None:
        self._curve = curve
        self._shape(drop_v)
        self._known = np.zeros((ROWS, groups))
        self._known[ONE] = 1.0
        self.x: Floats = self._known[X]
        self.soc_variance: Floats = self._known[SOC]
        self._asked, self._products = np.zeros((ASKED, groups)), np.zeros((KNOWN, groups))
        self._by_slope, self._others = np.zeros((STATES, groups)), np.zeros((KNOWN, groups))
        self._clamped = self.x[RATIO : SCALE + 1]
        clamps = np.array([s.PEER_RATIO_CLAMP, s.PEER_SCALE_CLAMP]).T[:, :, None]
        self._low, self._high = np.repeat(clamps, groups, axis=2)
        self._least, self._most = np.full(groups, -s.INNOVATION_CAP), np.full(groups, s.INNOVATION_CAP)
        self.doubt_v: Floats = np.zeros(groups)
        self.doubted: NDArray[np.bool_] = np.zeros(groups, bool)
        self._any_doubted = False
        self._known[DIAGONAL] = self._sigmas[:, None] ** 2
        self._known[OF_PAIR[RATIO, SCALE]] = s.PEER_CORRELATION * s.PEER_SIGMA_RATIO * s.PEER_SIGMA_SCALE

    @property
    def p(self) -> Floats:
        """(5, 5, groups) covariance of each group's states."""
        return np.asarray(self._known[SQUARE])

    def _shape(self, drop_v: float) -> None:
        self.drop_v = drop_v
        extra = s.PEER_SIGMA_EXTRA * drop_v
        others = (s.PEER_SIGMA_SOC, s.PEER_SIGMA_RATIO, s.PEER_SIGMA_SCALE)
        self._sigmas = np.array([*others, extra, s.PEER_SIGMA_OFFSET_V])
        walk = [s.PEER_WALK_SOC, s.PEER_WALK_RATIO, s.PEER_WALK_SCALE, s.PEER_WALK_EXTRA * drop_v]
        self._walk = [rate**2 for rate in (*walk, s.PEER_WALK_OFFSET_V)]

    def _unlink(self, state: int, variance: Floats | float, groups: NDArray[np.bool_] | slice = slice(None)) -> None:
        """A state of some groups is as unsure as said, whatever the others are."""
        for row in SQUARE[state]:
            self._known[row, groups] = 0.0
        self._known[DIAGONAL[state], groups] = variance

    def scale(self, drop_v: float) -> None:
        """Take extra resistances anew, in proportion to a 1 s resistance now measured."""
        self._shape(drop_v)
        self.x[EXTRA] = 0.0
        self._unlink(EXTRA, self._sigmas[EXTRA] ** 2)

    def start_from(self, ratio: Floats, ratio_sigma: Floats, scale: Floats, drop_v: float) -> None:
        """Begin from what earlier rides taught, (groups,) each, NaN where they did not; scale: resistance over the
        median's, less 1.
        """
        self.scale(drop_v)
        known = np.isfinite(ratio)
        part = np.where(known, s.PEER_SIGMA_RATIO**2 / (s.PEER_SIGMA_RATIO**2 + ratio_sigma**2), 0.0)
        sigma = np.where(known, np.sqrt(part) * np.where(known, ratio_sigma, 0.0), s.PEER_SIGMA_RATIO)
        sigma = np.maximum(sigma, s.LEARNT_SIGMA_PEER_RATIO)
        scaled = np.where(np.isfinite(scale), s.LEARNT_SIGMA_PEER_SCALE, s.PEER_SIGMA_SCALE)
        self.x[RATIO], self.x[SCALE] = part * np.nan_to_num(ratio), np.nan_to_num(scale)
        self._hold()
        self._known[DIAGONAL[RATIO]], self._known[DIAGONAL[SCALE]] = sigma**2, scaled**2
        self._known[OF_PAIR[RATIO, SCALE]] = s.PEER_CORRELATION * sigma * scaled

    def reopen(self, groups: NDArray[np.bool_]) -> None:
        """Begin anew, but for the capacity, with (groups,) some whose readings were not to be believed for a while."""
        for state in (SOC, SCALE, EXTRA, OFFSET):
            self._unlink(state, self._sigmas[state] ** 2, groups)
        self.x[SCALE:, groups] = 0.0
        self.soc_variance[groups] = s.REOPENED_PEER_SIGMA**2
        self.doubt_v[groups] = 0.0

    def forget(self) -> None:
        """What earlier rides taught was of another pack: capacities and resistances are as on the first ride."""
        everyone = np.ones(self.x.shape[1], bool)
        self.reopen(everyone)
        self.x[RATIO] = 0.0
        self._unlink(RATIO, s.PEER_SIGMA_RATIO**2)
        self._known[OF_PAIR[RATIO, SCALE]] = s.PEER_CORRELATION * s.PEER_SIGMA_RATIO * s.PEER_SIGMA_SCALE

    def open(self, soc: Floats, soc_sigma: Floats) -> None:
        """Set the charge differences anew, unlinked from the rest, which keeps what it learnt."""
        self.x[SOC] = soc
        self.x[OFFSET] = 0.0
        self._unlink(SOC, soc_sigma**2)
        self._unlink(OFFSET, s.PEER_SIGMA_OFFSET_V**2)

    def predict(self, charge: float, seconds: float) -> None:
        """Carry the states on by `seconds` in which `charge` (share of the median's capacity) was drawn."""
        known, soc, ratio = self._known, SQUARE[SOC], SQUARE[RATIO]
        self.x[SOC] -= charge * self.x[RATIO]
        known[soc] -= charge * known[ratio]
        self.soc_variance -= charge * known[soc[RATIO]]
        known[DIAGONAL] += np.array(self._walk)[:, None] * seconds

    def learn(self, lessons: Sequence[Lesson]) -> Record:
        """Learn from readings in turn; groups that are not valid only drift."""
        groups = len(self.doubt_v)
        if not lessons:
            return Record(self.x[None], self.soc_variance[None], self.doubt_v[None], self.doubted[None])
        x, variances = np.empty((len(lessons) + 1, STATES, groups)), np.empty((len(lessons) + 1, groups))
        x[0], variances[0] = self.x, self.soc_variance
        apart_v = np.empty((len(lessons), groups))
        for lesson, plan, apart, now, variance in zip(
            lessons, self._plans(lessons), apart_v, x[1:], variances[1:], strict=True
        ):
            self._ask(plan, lesson.seen, apart)
            self._take(stays=lesson.moment.steady or abs(lesson.moment.c) < s.REST_C)
            now[:], variance[:] = self.x, self.soc_variance
        doubt_v, doubted = self._judge(np.abs(apart_v), np.array([lesson.waited_s for lesson in lessons]))
        return Record(x, variances, doubt_v, doubted)

    def _plans(self, lessons: Sequence[Lesson]) -> Floats:
        """(lessons, ASKED, ROWS): what gives `_asked` of each lesson from what was known before it."""
        plans = np.empty((len(lessons), ASKED, ROWS))
        plans[:] = PLAN
        plans.reshape(len(lessons), -1)[:, PLACES] = [self._numbers(lesson) for lesson in lessons]
        return plans

    def _numbers(self, lesson: Lesson) -> tuple[float, ...]:
        """What a plan has at `PLACES`. The charge differences drift by what was drawn, and all grows less sure."""
        _, shared, moment, charge, waited_s, crowd = lesson
        fast_v, slow_v, drawn = shared.fast_v, shared.slow_v, -charge
        # The voltage's slope on the scale and on the extra resistance; at rest it tells of no scale.
        scale, extra = 0.0 if abs(moment.c) < s.REST_C else -fast_v, -moment.factor * moment.c
        wider = [walk * waited_s for walk in self._walk]
        drop_v, change_v = s.PEER_NOISE_OF_DROP * fast_v, s.PEER_NOISE_OF_CHANGE * moment.factor * moment.change
        noise = crowd * (s.PEER_NOISE_V**2 + drop_v**2 + (change_v * self.drop_v) ** 2)
        of_scale, of_extra, of_offset = scale * wider[SCALE], extra * wider[EXTRA], wider[OFFSET]
        of_soc = (scale, extra, drawn * scale, drawn * extra, drawn)
        return (
            *of_soc,
            *(scale, extra) * (STATES - 1),
            *(of_scale, of_extra, of_offset),
            *[2.0 * number for number in of_soc],
            *(-slow_v, -fast_v, extra, shared.offset_v - slow_v - fast_v),
            *(drawn - shared.delta, shared.soc - shared.delta),
            *(scale**2, extra**2, 2.0 * scale * extra, 2.0 * scale, 2.0 * extra),
            noise + scale * of_scale + extra * of_extra + of_offset,
            *(drawn, 2.0 * drawn, drawn**2),
            *(drawn,) * (STATES - 1),
            *wider,
        )

    def _ask(self, plan: Floats, seen: Seen, apart_v: Floats) -> None:
        """Carry what is known on to the reading; apart_v: set to how far each group lies from what is expected."""
        asked, by_slope = self._asked, self._by_slope
        np.dot(plan, self._known, out=asked)
        volts, slope = self._curve.both(asked[INSIDE])
        pull, deviation = asked[PULL], asked[TWICE]
        np.multiply(asked[THEN : THEN + STATES], slope, out=by_slope)
        deviation += by_slope[SOC]
        deviation *= slope
        deviation += asked[VARIANCE]
        np.sqrt(deviation, out=deviation)
        pull += by_slope
        apart = asked[APART]
        apart += volts
        np.subtract(apart, seen.volts, out=apart_v)
        if not seen.all_valid:
            apart_v[~seen.valid] = 0.0
            pull[:, ~seen.valid] = 0.0
        apart[:] = apart_v
        pulls = asked[: APART + 1]
        pulls /= deviation

    def _take(self, stays: bool) -> None:
        """Kalman's step; stays: the current is constant, so that the resistances keep what they are."""
        asked, products, apart = self._asked, self._products, self._asked[APART]
        np.maximum(apart, self._least, out=apart)
        np.minimum(apart, self._most, out=apart)
        asked.take(ONES, 0, products, "clip")
        asked.take(OTHERS, 0, self._others, "clip")
        products *= self._others
        if stays:
            for rows in OF_RESISTANCES:
                products[rows] = 0.0
        np.subtract(asked[THEN:], products, out=self._known[:KNOWN])
        self._hold()

    def _hold(self) -> None:
        """Within what cells may be; `np.clip` costs three times as much on a few groups."""
        np.maximum(self._clamped, self._low, out=self._clamped)
        np.minimum(self._clamped, self._high, out=self._clamped)

    def _judge(self, apart_v: Floats, seconds: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """`doubt_v` and `doubted` before the first and after each of some lessons."""
        doubt_v = np.empty((len(apart_v) + 1, len(self.doubt_v)))
        doubt_v[0] = self.doubt_v
        doubt_v[1:] = low_passed(self.doubt_v, apart_v, seconds, s.DOUBT_TAU_S)
        doubted = np.zeros(doubt_v.shape, np.bool_)
        doubted[0] = self.doubted
        if self._any_doubted or doubt_v.max() > s.DOUBT_CLEAR_V:
            for row in range(1, len(doubt_v)):
                limit_v = np.where(doubted[row - 1], s.DOUBT_CLEAR_V, s.DOUBT_RAISE_V)
                doubted[row] = doubt_v[row] > limit_v
            self._any_doubted = bool(doubted[-1].any())
        self.doubt_v, self.doubted = doubt_v[-1].copy(), doubted[-1].copy()
        return doubt_v, doubted

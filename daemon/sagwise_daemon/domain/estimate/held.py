"""The resistance of a step held for ten seconds. Law: what was measured at one second, and what the filters add to it.

Few steps of a ride are held for so long, but the slower elements of the filters say what a held step does after its
first second. For a builder who compares with a cell's data sheet, which often states ten seconds.
"""

from __future__ import annotations

from math import nan

import numpy as np

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.estimate.common import SLOW
from sagwise_daemon.domain.estimate.estimator import EstimatorState
from sagwise_daemon.domain.estimate.peers import EXTRA, RATIO, SCALE
from sagwise_daemon.domain.model import Floats

# The part of each element's drop that comes between the first second and the tenth.
LATER: Floats = np.exp(-1.0 / np.array(s.TAU_S)) - np.exp(-10.0 / np.array(s.TAU_S))


def resistance_10s_25c_mohm(state: EstimatorState) -> Floats:
    """(groups,) direct-current resistance of a step held for 10 s, mΩ at 25 degC; NaN until the filters run.

    A group short of capacity carries more current for its size, and so has more of the later part.
    """
    if state.start is not None:
        return np.full(state.pack.series, nan)
    common, x, steps = state.common, state.peers.x, state.steps
    filtered = common.resistance(steps.step_c) * (1.0 + x[SCALE]) + x[EXTRA]
    first = np.where(np.isnan(steps.r_25), filtered, steps.r_25)
    later = float(np.dot(common.x[SLOW], LATER))
    return np.asarray((first + (1.0 + x[RATIO]) * later) * state.milliohm)

"""The slow elements of the common filter, by the kind of curve. Law: where the curve is flat, what is slow is charge.

On a curve that slopes everywhere most of the slow drop is told by volts. On a plateau diffusion shows nothing in the
voltage, however far the particles' surface has run ahead of their inside, and all at once at its end; so with such a
curve most of what the slower elements do is inside it, OCV(z − δ), and stated in charge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sagwise_daemon.domain.estimate import settings as s
from sagwise_daemon.domain.model import Floats

ELEMENTS = len(s.TAU_S)
# The part of an element's drop that is left after 60 s of rest.
LEFT: Floats = np.exp(-s.REST_HORIZON_S / np.array(s.TAU_S))


@dataclass(frozen=True, slots=True, eq=False)
class SlowElements:
    """All (elements,). shares: first resistances over the 1 s resistance; lags: and added, charge per C by which
    diffusion lags. sigmas: of the first values, as shares of them. inside, outside: shares that act inside the curve
    and outside it.
    """

    shares: Floats
    lags: Floats
    sigmas: Floats
    inside: Floats

    @property
    def outside(self) -> Floats:
        return 1.0 - self.inside

    def first_v(self, drop_v: float, slope: float) -> Floats:
        """First resistances in volts per C. drop_v: 1 s resistance, volts per C; slope: the curve's mean one, volts."""
        return self.shares * drop_v + self.lags * slope


SLOPING = SlowElements(*map(np.array, (s.SLOW_SHARES, s.SLOW_LAGS, s.SIGMA_SLOW, s.INSIDE_SHARES)))
FLAT = SlowElements(*map(np.array, (s.FLAT_SLOW_SHARES, s.FLAT_SLOW_LAGS, s.FLAT_SIGMA_SLOW, s.FLAT_INSIDE_SHARES)))


def slow_elements(slope: float) -> SlowElements:
    """For a curve of this mean slope, in volts from empty to full."""
    return FLAT if slope < s.FLAT_SLOPE else SLOPING

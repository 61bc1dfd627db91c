"""Every assumption about time. Law: the core's `time_s` only ever rises, whatever boards and clocks do.

Three clocks, each trusted for one thing:
- the board's uptime (64-bit microseconds, with its boot id) is the truth between samples of one boot;
- the host's monotonic clock bridges what uptime cannot: a reboot, or an uptime that goes back or leaps;
- the wall clock is a label. It may be wrong (a small computer without a battery-backed clock boots in the past)
  and may be put right later; `dated` then dates what was labelled before.

Only gaps in uptime count as time lost: a sample that is late on the wire is not late on the board.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from enum import Enum

from sagwise_protocol import Stamp

# Samples wait at most this long on the board before they are sent; a larger step back is a board that began anew
# under its old boot id (a board that draws the same "random" number at every boot).
LATE_US = 1_000_000
# A reboot takes some time, however quickly the host heard of it.
SHORTEST_GAP_S = 0.001
# Uptime may outrun the host's clock: bytes queue in adapters, the host sleeps, a simulated board runs faster than
# time. Beyond this it is no clock any more.
LEAP_S = 60.0
LEAP_FACTOR = 1000.0

SEQUENCES = 0x10000
HALF = SEQUENCES // 2
# A frame that looks old is dropped, but so many in a row that rise among themselves are a board that began anew.
ODD_RUN = 3
PAST_BOOTS = 8


class Turn(Enum):
    """What a frame's stamp says about its place in the stream."""

    NEXT = "next"
    FIRST = "first"  # the first of a boot
    AGAIN = "again"  # the first of a boot whose boot id was there before
    TWIN = "twin"
    OLD = "old"


class Order:
    """The order of one board's frames: gaps are counted, twins and old frames are told apart from a fresh start.

    `lost`: frames that never came, counted by the sequence number, which wraps at 65536; a silence that is longer
    than a wrap makes it too small. Frames before the first one heard are not counted.
    """

    def __init__(self) -> None:
        self.lost = 0
        self._last: Stamp | None = None
        self._latest_us = 0
        self._past: deque[int] = deque(maxlen=PAST_BOOTS)
        self._odd: Stamp | None = None
        self._odd_run = 0

    def judge(self, stamp: Stamp) -> Turn:
        """Take the next frame's stamp; frames judged TWIN or OLD are to be dropped."""
        last = self._last
        if last is None:
            return self._begin(stamp)
        if stamp.boot_id != last.boot_id:
            return self._oddity(stamp) if stamp.boot_id in self._past else self._begin(stamp)
        ahead_us = stamp.uptime_us - self._latest_us
        step = (stamp.sequence - last.sequence) % SEQUENCES
        if step == 0 and abs(ahead_us) <= LATE_US:
            return Turn.TWIN
        if ahead_us < -LATE_US or (step >= HALF and ahead_us <= LATE_US):
            return self._oddity(stamp)
        self.lost += (step - 1) % SEQUENCES
        self._keep(stamp, max(self._latest_us, stamp.uptime_us))
        return Turn.NEXT

    def _begin(self, stamp: Stamp) -> Turn:
        if self._last is not None and self._last.boot_id != stamp.boot_id:
            self._past.append(self._last.boot_id)
        self._keep(stamp, stamp.uptime_us)
        return Turn.FIRST

    def _keep(self, stamp: Stamp, latest_us: int) -> None:
        self._last, self._latest_us = stamp, latest_us
        self._odd, self._odd_run = None, 0

    def _oddity(self, stamp: Stamp) -> Turn:
        """Count frames that look old; a run of them that rises is a fresh start under an old boot id."""
        before = self._odd
        rises = before is not None and before.boot_id == stamp.boot_id and before.uptime_us < stamp.uptime_us
        self._odd, self._odd_run = stamp, self._odd_run + 1 if rises else 1
        if self._odd_run < ODD_RUN:
            return Turn.OLD
        self._begin(stamp)
        return Turn.AGAIN


@dataclass(frozen=True, slots=True)
class Placed:
    """Where a sample lies on the core's clock. `anew`: the first sample of a boot, or after a broken uptime."""

    time_s: float
    anew: bool


class CoreClock:
    """Board stamps to the core's strictly rising `time_s`, which begins at 0 with the first sample."""

    def __init__(self) -> None:
        self._boot_id: int | None = None
        self._anchor_us = 0
        self._anchor_s = 0.0
        self._last_us = 0
        self._last_s = 0.0
        self._heard_s = 0.0

    def place(self, boot_id: int, uptime_us: int, heard_s: float) -> Placed | None:
        """The time of a sample heard at `heard_s` (host's monotonic clock); None for one that is old or a twin.

        A new boot, an uptime that falls by more than `LATE_US` and one that leaps continue the clock by the time
        that passed on the host.
        """
        gap_s = max(heard_s - self._heard_s, SHORTEST_GAP_S)
        step_us = uptime_us - self._last_us
        same_boot = boot_id == self._boot_id
        if same_boot and -LATE_US <= step_us <= 0:
            return None
        anew = not same_boot or step_us < 0 or step_us > 1e6 * (LEAP_S + LEAP_FACTOR * gap_s)
        if anew:
            self._anchor_s = 0.0 if self._boot_id is None else self._last_s + gap_s
            self._anchor_us, self._boot_id = uptime_us, boot_id
        self._last_us, self._heard_s = uptime_us, heard_s
        self._last_s = self._anchor_s + (uptime_us - self._anchor_us) * 1e-6
        return Placed(self._last_s, anew)


@dataclass(frozen=True, slots=True)
class WallTime:
    """One look at the host's clocks.

    unix_s: seconds since 1970-01-01 UTC, a label only. trusted: whether something has set that clock.
    monotonic_s: the host's monotonic clock at the same moment; host_boot: which boot of the host it counts from.
    """

    unix_s: float
    trusted: bool
    monotonic_s: float
    host_boot: str


def dated(label: WallTime, known: WallTime) -> WallTime:
    """`label` with its wall time worked out from `known`, a trusted look of the same host boot.

    Returned unchanged where it is trusted itself, where `known` is not, or where another boot lies between.
    """
    if label.trusted or not known.trusted or label.host_boot != known.host_boot:
        return label
    return replace(label, unix_s=known.unix_s - (known.monotonic_s - label.monotonic_s), trusted=True)

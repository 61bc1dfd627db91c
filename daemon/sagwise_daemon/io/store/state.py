"""What the writer knows of a ride that goes on. Law: values; a new one replaces the old only after its commit.

Time in a ride: `zero_s` is the core's clock at the ride's first sample. The core's clock begins anew with the
daemon, so a ride taken up again has no zero until its first reading places it (`placed`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from sagwise_daemon.domain.model import Pack, Reading
from sagwise_daemon.domain.ride.kinds import RIDE
from sagwise_daemon.io.store.columns import BOOT, CLOCK, Table, unsigned
from sagwise_daemon.io.store.snapshot import Snapshot
from sagwise_daemon.io.store.totals import Totals


@dataclass(frozen=True, slots=True, eq=False)
class RideStart:
    """How a ride begins: its pack, the board's boot, the wall clock and the stamp of its first sample.

    time_s: the core's clock at the first sample. uptime_us: the board's own. kind: of `domain.ride.kinds`.
    started_monotonic_s: the host's monotonic clock at the first sample, by which the ride is dated later; None: now.
    """

    pack: Pack
    boot_id: int
    started_unix_s: float
    started_trusted: bool
    uptime_us: int
    time_s: float
    kind: str = RIDE
    started_monotonic_s: float | None = None


@dataclass(frozen=True, slots=True)
class HostMoment:
    """A moment of the host: its boot (the kernel's id) and the monotonic clock since then."""

    boot: str
    monotonic_s: float


@dataclass(frozen=True, slots=True, eq=False)
class RideState:
    """A ride that goes on. `snapshot` None: its row is stored already. `heard`: when its last sample arrived."""

    ride_id: int
    pack: str
    series: int
    snapshot: Snapshot | None
    started_unix_s: float
    started_trusted: bool
    boot_id: int
    uptime_us: int
    heard: HostMoment
    zero_s: float | None
    totals: Totals = field(default_factory=Totals)
    tail: Table | None = None
    boots: frozenset[int] = frozenset()
    piece_since_us: int | None = None
    estimate_since_us: int | None = None
    estimate_last_us: int | None = None
    kind: str = RIDE

    @property
    def last_us(self) -> int | None:
        """Time of the last stored sample."""
        return None if self.tail is None else int(self.tail.time_us[-1])

    @property
    def last_stamp(self) -> tuple[int, int]:
        """The board's boot id and uptime at the last stored sample, or at the start."""
        if self.tail is None:
            return self.boot_id, self.uptime_us
        row = self.tail
        uptime_us = unsigned(int(row.block(CLOCK).values[0, -1]) + int(row.time_us[-1]))
        return unsigned(int(row.block(BOOT).values[0, -1])), uptime_us

    def ride_time_us(self, time_s: float) -> int | None:
        """A moment of the core's clock in the ride, None while a ride taken up again is not placed."""
        return None if self.zero_s is None else round((time_s - self.zero_s) * 1e6)


def placed(state: RideState, reading: Reading, arrived: HostMoment) -> RideState:
    """The state with its zero known. A ride taken up again goes on by the board's uptime while the boot is the
    same.

    After another boot the time away is only known to be at least that boot's uptime; the host's monotonic clock
    says it better if the host did not reboot as well.
    """
    if state.zero_s is not None:
        first = state.tail is None and reading.time_s < state.zero_s
        return replace(state, zero_s=reading.time_s) if first else state
    boot_id, uptime_us = state.last_stamp
    if boot_id == reading.boot_id and reading.uptime_us > uptime_us:
        away_s = (reading.uptime_us - uptime_us) / 1e6
    else:
        away_s = max(reading.uptime_us / 1e6, 1e-6)
        if arrived.boot == state.heard.boot:
            away_s = max(away_s, arrived.monotonic_s - state.heard.monotonic_s)
    return replace(state, zero_s=reading.time_s - (state.last_us or 0) / 1e6 - away_s)

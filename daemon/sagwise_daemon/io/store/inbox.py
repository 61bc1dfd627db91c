"""What waits for the writer. Law: putting never blocks; samples are bounded and drop the oldest, events never
drop.

The drop policy by name: *drop oldest, gap recorded*. Samples that the writer has taken but could not store come
back to the front and count towards the bound, so that a full disk costs bounded memory and the newest readings
survive.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import TypeAlias

from sagwise_daemon.domain.model import AlarmEvent, Estimate, Reading
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.io.store.state import HostMoment, RideState

SAMPLES_MAX = 6000  # five minutes at 20 Hz, about 6 MB


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """A reading or an estimate of a ride. arrived_s: the host's monotonic clock."""

    ride_id: int
    item: Reading | Estimate
    arrived_s: float


@dataclass(slots=True)
class Loss:
    """Readings of a ride that were dropped, by the core's clock."""

    first_time_s: float
    last_time_s: float
    samples: int


@dataclass(frozen=True, slots=True, eq=False)
class Open:
    """A ride begins, or is taken up again."""

    state: RideState


@dataclass(frozen=True, slots=True, eq=False)
class NewEvent:
    """An alarm event to store at once; `done` is set when it is committed. told: when, where `unix_s` is not
    to be trusted.
    """

    event_id: int
    ride_id: int | None
    unix_s: float
    event: AlarmEvent
    done: Future[None]
    told: HostMoment | None = None


@dataclass(frozen=True, slots=True)
class End:
    """A ride is over."""

    ride_id: int
    ended_by: str


@dataclass(frozen=True, slots=True, eq=False)
class Flush:
    """Store everything that waits; `done` is set then. `last`: the writer ends afterwards."""

    done: Future[None]
    last: bool = False


@dataclass(frozen=True, slots=True)
class Keep:
    """A row of `learnt`, in place of the pack's former one."""

    pack_digest: str
    pack: str
    rides: int
    updated_unix_s: float
    updated_trusted: bool
    document: str


@dataclass(frozen=True, slots=True)
class Date:
    """A trusted look at the host's clocks, by which rides of its boot are dated."""

    known: WallTime


Order: TypeAlias = Open | NewEvent | End | Keep | Date | Flush


class Inbox:
    """The queue between the recorder's callers and the writer's thread."""

    def __init__(self, samples_max: int = SAMPLES_MAX) -> None:
        self._samples_max = samples_max
        self._pressing = max(1, samples_max // 2)
        self._samples: deque[Sample] = deque()
        self._taken = 0
        self._taken_from_s = 0.0
        self._orders: deque[Order] = deque()
        self._losses: dict[int, Loss] = {}
        self._changed = threading.Condition()

    def put(self, sample: Sample) -> None:
        """Queue a sample; beyond the bound the oldest is dropped."""
        with self._changed:
            self._samples.append(sample)
            self._trim()
            if len(self._samples) == self._pressing:
                self._changed.notify()

    def order(self, order: Order) -> None:
        """Queue anything but a sample and wake the writer."""
        with self._changed:
            self._orders.append(order)
            self._changed.notify()

    def orders(self, timeout_s: float, *, until_pressing: bool) -> list[Order]:
        """Everything ordered so far, in turn; waits up to `timeout_s` for the first, or for half the bound."""
        with self._changed:
            self._changed.wait_for(
                lambda: bool(self._orders) or (until_pressing and self.pressing), max(0.0, timeout_s)
            )
            found = list(self._orders)
            self._orders.clear()
            return found

    def opened(self) -> list[Open]:
        """The rides that have begun since `orders` was last called; other orders stay."""
        with self._changed:
            found = [order for order in self._orders if isinstance(order, Open)]
            if found:
                self._orders = deque(order for order in self._orders if not isinstance(order, Open))
            return found

    def take(self, limit: int) -> list[Sample]:
        """The oldest samples, up to `limit` and half the bound, so that new ones have room while these are written.

        Follow with `stored` or `give_back`.
        """
        with self._changed:
            count = min(limit, self._pressing, len(self._samples))
            taken = [self._samples.popleft() for _ in range(count)]
            self._taken = len(taken)
            self._taken_from_s = taken[0].arrived_s if taken else 0.0
            return taken

    def stored(self) -> None:
        """The samples taken last are committed."""
        with self._changed:
            self._taken = 0

    def give_back(self, samples: Sequence[Sample]) -> None:
        """The samples taken last could not be stored."""
        with self._changed:
            self._taken = 0
            self._samples.extendleft(reversed(samples))
            self._trim()

    def losses(self) -> dict[int, Loss]:
        """What was dropped since the last call, by ride."""
        with self._changed:
            found, self._losses = self._losses, {}
            return found

    @property
    def pressing(self) -> bool:
        """Whether half the bound is reached, as when a ride is stored faster than it was ridden."""
        return len(self._samples) >= self._pressing

    def oldest_s(self) -> float | None:
        """When the oldest sample arrived that is not stored, by the host's monotonic clock; None when all are."""
        with self._changed:
            if self._taken:
                return self._taken_from_s
            return self._samples[0].arrived_s if self._samples else None

    @property
    def waiting(self) -> int:
        """Samples not yet taken."""
        return len(self._samples)

    def _trim(self) -> None:
        while self._samples and len(self._samples) + self._taken > self._samples_max:
            dropped = self._samples.popleft()
            if isinstance(dropped.item, Reading):
                merge(self._losses, dropped.ride_id, Loss(dropped.item.time_s, dropped.item.time_s, 1))


def merge(losses: dict[int, Loss], ride_id: int, more: Loss) -> None:
    """Add a loss to those already known of a ride."""
    known = losses.setdefault(ride_id, Loss(more.first_time_s, more.last_time_s, 0))
    known.first_time_s = min(known.first_time_s, more.first_time_s)
    known.last_time_s = max(known.last_time_s, more.last_time_s)
    known.samples += more.samples

"""What the page and the outlets read from and act through. Law: protocols and plain values, no implementation.

`io` and `pipeline` implement these, `__main__` hands them to the page; page and `io` stay blind to each other.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from sagwise_daemon.domain.estimate.taught import Learnt
from sagwise_daemon.domain.estimate.weak import Weakness
from sagwise_daemon.domain.model import AlarmEvent, AlarmView, Floats, Pack


@dataclass(frozen=True, slots=True)
class LiveState:
    """One moment of the bike for those who watch. Tuples are one entry a group; None is unknown.

    age_s: seconds since the last valid sample, None before the first. sequence: rises with every change.
    unknown: per group None or the reason in words ("settling: 8 s of rest needed").
    link: "waiting" (never heard), "up", "lost". sound: priority now sounding, or None.
    notice: one plain sentence when something is wrong that is no alarm ("board has 14 groups, pack has 16").
    energy_left_wh: above the reserve, with its standard uncertainty. energy_home_wh: what it takes to get home;
    home_margin: how much more than that `turn_back` wants, as a share of it.
    weak: groups that hold the pack back for sure, and why.
    """

    sequence: int
    bike: str
    pack: str
    link: str
    age_s: float | None
    time_s: float | None
    loaded_v: tuple[float | None, ...]
    rest_v: tuple[float | None, ...]
    rest_sigma_v: tuple[float | None, ...]
    resistance_mohm: tuple[float | None, ...]
    soc: tuple[float | None, ...]
    unknown: tuple[str | None, ...]
    current_a: float | None
    temperature_c: tuple[float | None, ...]
    distance_m: float | None
    rest_limit_v: float
    floor_v: float
    full_v: float
    alarms: tuple[AlarmView, ...]
    sound: str | None
    ride_id: int | None
    notice: str | None
    energy_left_wh: float | None = None
    energy_left_sigma_wh: float | None = None
    energy_home_wh: float | None = None
    home_margin: float = 0.15
    weak: tuple[Weakness, ...] = ()


class Live(Protocol):
    """The live state: latest wins."""

    def latest(self) -> LiveState:
        """The present state, with `age_s` as of now."""
        ...

    async def changed(self, sequence: int, timeout_s: float) -> LiveState:
        """Wait until the state is newer than `sequence`, or the timeout; then the latest either way."""
        ...


class Commands(Protocol):
    """What a paired person may do. `by` is "page" or "button". Unknown rules raise KeyError, a group that the rule or
    the pack does not have ValueError."""

    def acknowledge(self, by: str, rule: str | None = None, group: int | None = None) -> None: ...

    def shelve(self, by: str, rule: str, seconds: float, group: int | None = None) -> None:
        """Raises ValueError for a rule that may not be shelved or a time outside 0 (end it) to 86400 s."""
        ...


@dataclass(frozen=True, slots=True)
class Ride:
    """One record. Energy and charge are net, discharge positive. None where unknown.

    started_unix_s: wall time of the first sample; `started_trusted` says whether that clock could be trusted.
    thinned: its samples at full rate are gone to make room; lowest and highest value of every 2 s are left.
    ended_by: None until it has an end, else "standstill", "link", "stopped", "power", "import", or the kind of record
    that followed at once. kind: "ride", "charge" or "standing". deleted: it can be had back.
    """

    ride_id: int
    pack: str
    series: int
    started_unix_s: float
    started_trusted: bool
    duration_s: float
    samples: int
    ended_by: str | None
    energy_wh: float | None
    charge_ah: float | None
    distance_m: float | None
    current_max_a: float | None
    loaded_min_v: float | None
    rest_min_v: float | None
    alarms: int
    thinned: bool = False
    kind: str = "ride"
    name: str | None = None
    note: str = ""
    deleted: bool = False


@dataclass(frozen=True, slots=True)
class RideFilter:
    """Which records are wanted; None: any. pack: by its name. since_unix_s, until_unix_s: of the start.

    deleted: those that were deleted instead of those that were not.
    """

    kind: str | None = None
    pack: str | None = None
    since_unix_s: float | None = None
    until_unix_s: float | None = None
    deleted: bool = False


ALL_RIDES = RideFilter()


@dataclass(frozen=True, slots=True)
class StoredEvent:
    """An alarm event as kept. `unix_s` is the wall time it was stored; `ride_id` None outside a ride.

    ride_s: seconds from the ride's first sample on the ride's own clock, as in `Envelope.time_s`; None outside a
    ride, and where the store cannot tell (the page then takes the difference of the wall times).
    """

    event_id: int
    ride_id: int | None
    unix_s: float
    event: AlarmEvent
    ride_s: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Envelope:
    """Channels reduced to minimum and maximum in `points` spans of equal time.

    time_s: (points,) middle of each span, from the ride's start. low, high: (channels, points), NaN where empty.
    """

    channels: tuple[str, ...]
    time_s: Floats
    low: Floats
    high: Floats


class Rides(Protocol):
    """Stored rides, safe to call from any thread; every call may block on the disk."""

    def rides(self, limit: int = 100, before_id: int | None = None, wanted: RideFilter = ALL_RIDES) -> Sequence[Ride]:
        """Newest first; `before_id` goes on behind that ride. Raises KeyError where it is none."""
        ...

    def ride(self, ride_id: int) -> Ride:
        """Raises KeyError where there is none."""
        ...

    def channels(self, ride_id: int) -> Sequence[str]:
        """Names that `envelope` takes for this ride: the trace columns (`group_01_v` … `distance_m`), the stored
        estimates (`group_01_rest_v` …) and over all groups `loaded_v`, `rest_v` (lowest to highest group).
        Raises KeyError."""
        ...

    def envelope(
        self,
        ride_id: int,
        channels: Sequence[str],
        points: int,
        start_s: float | None = None,
        end_s: float | None = None,
    ) -> Envelope:
        """Raises KeyError for an unknown ride, ValueError naming an unknown channel or an empty span.

        Spans of 2 s and more may be made from extremes stored for spans of up to their own length: an extreme
        may then lie up to half a stored span from where it happened, and none is lost.
        """
        ...

    def overview(self, ride_id: int, channels: Sequence[str]) -> bytes:
        """The whole ride as a chart's body (`chart`) of at most 800 spans.

        Cheap for what is stored that way: the channels over all groups, current, temperatures, distance. Raises
        KeyError for an unknown ride, ValueError naming an unknown channel.
        """
        ...

    def events(self, ride_id: int | None = None, limit: int = 200) -> Sequence[StoredEvent]:
        """Newest first; of one ride, or of all."""
        ...


@dataclass(frozen=True, slots=True)
class KnownPack:
    """A pack that the store has rides of, as it was ridden last."""

    name: str
    series: int
    parallel: int
    chemistry: str
    rides: int
    last_unix_s: float


class Archive(Protocol):
    """What is known of records that are over, and what a person may change about them. Safe from any thread; every call
    may take seconds. Documents are plain values as JSON has them, unknown numbers None.
    """

    def summary(self, ride_id: int) -> Mapping[str, Any] | None:
        """`ride.figures.RideSummary`; None while the record goes on. Raises KeyError."""
        ...

    def health(self, pack: str) -> Mapping[str, Any]:
        """`ride.health.Health` of all packs of that name. Raises KeyError where there are none."""
        ...

    def compare(self, sides: Sequence[int | str], by: str, channels: Sequence[str], points: int) -> Mapping[str, Any]:
        """Rides by number or packs by name on one axis. Raises KeyError for one that there is not, ValueError for an
        axis or channel that there is not.
        """
        ...

    def report(self, ride_id: int) -> str:
        """A self-contained HTML page. Raises KeyError, and ValueError where no sample is left."""
        ...

    def known_packs(self) -> Sequence[KnownPack]:
        """Packs of the store, by name."""
        ...

    def change(self, ride_id: int, wish: Mapping[str, str | None]) -> None:
        """Set what `wish` has of "name", "note" and "pack". Raises KeyError for an unknown ride, ValueError for a pack
        that does not fit or is unknown.
        """
        ...

    def delete(self, ride_id: int) -> None:
        """Nobody sees it any more until it is restored. Raises KeyError, and ValueError while it goes on."""
        ...

    def restore(self, ride_id: int) -> None:
        """Undo `delete`. Raises KeyError."""
        ...


class Memory(Protocol):
    """What rides have taught, pack by pack. A pack file whose electrical facts changed is another pack."""

    def recall(self, pack: Pack) -> Learnt | None:
        """What the pack's last ride left, None before the first; may block on the disk."""
        ...

    def keep(self, pack: Pack, learnt: Learnt) -> None:
        """In place of what was kept before. Never blocks; what cannot be written is tried again."""
        ...


class Packs(Protocol):
    """The packs that are known, and the one fitted now."""

    def packs(self) -> Sequence[Pack]: ...

    def fitted(self) -> Pack: ...

"""What the owner may change and try from the page. Law: protocols and plain values, no implementation.

As `ports`: the daemon's parts implement these, `run` hands them to the page.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

from sagwise_daemon.domain.model import Pack
from sagwise_daemon.domain.ride.settings_grid import Setting, Tried

Value = float | bool | str
Teller = Literal["phone", "computer"]
SetBy = Literal["nothing", "network", "phone", "computer"]


class WallClock(Protocol):
    """The bike's wall clock, which a person may set where no network does."""

    def look(self) -> tuple[float, SetBy]:
        """Unix time now, and who vouches for it."""
        ...

    def tell(self, unix_s: float, by: Teller) -> None:
        """What time it is, said by a paired phone or at the bike's own computer. A clock that a network has set does
        not listen."""
        ...


@dataclass(frozen=True, slots=True)
class Change:
    """One change of settings, as kept. A fitted pack has no rule.

    values: by key of a pack file, what it was and what it became. undoes: the change that it took back. undone:
    whether it was taken back itself.
    """

    change_id: int
    unix_s: float
    device: str
    pack: str
    rule: str | None
    values: Mapping[str, tuple[Value, Value]]
    undoes: int | None = None
    undone: bool = False


class Garage(Protocol):
    """The packs and their settings. Safe to call from any thread; every call may block on the disk.

    Changes raise KeyError for an unknown pack, rule, key or change, and ValueError, in words for the owner, for a value
    that is not allowed or a time at which it cannot be done.
    """

    def packs(self) -> Sequence[Pack]: ...

    def fitted(self) -> Pack: ...

    def as_filed(self, pack: str) -> Pack:
        """The pack by its file, before anything was changed here. Raises KeyError."""
        ...

    def change(self, pack: str, rule: str, values: Mapping[str, Value], device: str) -> Change: ...

    def fit(self, pack: str, device: str) -> Change: ...

    def undo(self, change_id: int, device: str) -> Change: ...

    def changes(self, limit: int) -> Sequence[Change]:
        """Newest first."""
        ...


@dataclass(frozen=True, slots=True)
class TriedRide:
    """A ride judged by other settings. now: the fitted or known pack's own. floor_s: when `loaded_floor` sounded."""

    ride_id: int
    pack: str
    duration_s: float
    now: Setting
    floor_s: float | None
    tried: tuple[Tried, ...]


class WhatIf(Protocol):
    """Judges a stored ride anew. Safe to call from any thread; takes seconds, in a process of its own."""

    def judge(self, ride_id: int) -> TriedRide:
        """By a grid of limits and delays around the pack's own. Raises KeyError for an unknown ride, ValueError for
        one without samples or without an end."""
        ...

"""What is known of records that are over, from the store. Law: a summary is worked out once and kept; whoever asks
again gets the same words, and only those who say so get it anew.

Everything here reads whole rides and may take seconds; the daemon asks it in another process (`archive`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Engine

from sagwise_daemon.domain.model import AlarmEvent, Floats, Pack, Readings
from sagwise_daemon.domain.ports import Ride, RideFilter
from sagwise_daemon.domain.ride.comparison import CHANNELS, UNITS, Laid, Side, compare, lay
from sagwise_daemon.domain.ride.figures import summarise
from sagwise_daemon.domain.ride.health import HealthPoint, health
from sagwise_daemon.domain.ride.kinds import RIDE
from sagwise_daemon.domain.ride.recorded import Recorded, document
from sagwise_daemon.domain.ride.standing import SelfDischarge, between, calm_v
from sagwise_daemon.io.store.columns import ESTIMATES, FINE, SAMPLES
from sagwise_daemon.io.store.known_packs import lost, pack_or_none
from sagwise_daemon.io.store.rides import StoredRides
from sagwise_daemon.io.store.summaries import StoredSummaries
from sagwise_daemon.io.store.whole import estimates_of, extremes_of

EARLIER = 20  # rides that a resistance is held against
OF_A_PACK = 5  # rides that stand for a pack in a comparison
EVERY = 100_000
SECONDS_PER_HOUR = 3600.0


class History:
    """Summaries, health and comparisons. `engine` reads; summaries are written through `path`."""

    def __init__(self, engine: Engine, path: Path) -> None:
        self.rides = StoredRides(engine)
        self._summaries = StoredSummaries(engine, path)
        self._hopeless: set[int] = set()  # records that are over and can have no summary

    def close(self) -> None:
        """Let go of the file."""
        self._summaries.close()

    def recorded(self, ride_id: int) -> Recorded | None:
        """A whole record, None where its samples at full rate are not all there any more, or where nobody knows of
        which pack they are. Raises KeyError."""
        readings = self.rides.readings(ride_id)
        return None if readings is None else self._with_estimates(ride_id, readings)

    def pack(self, ride_id: int) -> Pack | None:
        """The pack as it was ridden, None where it is lost. Raises KeyError."""
        return pack_or_none(self.rides.pack(ride_id))

    def left(self, ride_id: int) -> Recorded | None:
        """What can be drawn of a record that was thinned: its readings are extremes (`whole.extremes_of`). None where
        not even those are left. Raises KeyError.
        """
        readings = extremes_of(self.rides.recorded(ride_id, FINE), self.rides.ride(ride_id).duration_s)
        return None if readings is None else self._with_estimates(ride_id, readings)

    def _with_estimates(self, ride_id: int, readings: Readings) -> Recorded | None:
        pack = self.pack(ride_id)
        if pack is None:
            return None
        at_most = min(len(readings), round(float(readings.time_s[-1])) + 1)  # one a second, and none without a reading
        estimates = estimates_of(self.rides.recorded(ride_id, ESTIMATES), readings, at_most)
        return Recorded(pack, readings, estimates, self.events(ride_id))

    def events(self, ride_id: int) -> tuple[tuple[float, AlarmEvent], ...]:
        """A record's events at its own time, oldest first."""
        kept = self.rides.events(ride_id, limit=self.rides.event_count(ride_id))
        timed = [(one.ride_s, one.event) for one in kept if one.ride_s is not None]
        return tuple(sorted(timed, key=lambda pair: (pair[0], pair[1].group or 0)))

    def summary(self, ride_id: int, again: bool = False) -> dict[str, Any] | None:
        """As JSON has it; None while the record goes on, and where no sample of it is left. Raises KeyError.

        again: worked out anew, from what the earlier rides say today; of a thinned ride the kept one stays.
        """
        ride = self.rides.ride(ride_id)
        kept = self._summaries.get(ride_id)
        if kept is not None and (not again or ride.thinned):
            return kept
        if ride.ended_by is None:
            return None
        record = self.recorded(ride_id)
        if record is None:
            return None
        made: dict[str, Any] = document(
            summarise(record, ride.kind, self._earlier(ride), self._since_before(ride, record))
        )
        if self._first_waiting(ride_id) in (None, ride_id):  # those before it are what it is held against
            self._summaries.put(ride_id, made)
        return made

    def _first_waiting(self, ride_id: int) -> int | None:
        """The oldest record that is over, has no summary and can have one; `ride_id` can."""
        self._hopeless.discard(ride_id)
        while (first := self._summaries.waiting(self._hopeless)) not in (None, ride_id):
            if self.pack(first) is not None and next(self.rides.recorded(first, SAMPLES), None) is not None:
                break
            self._hopeless.add(first)
        return first

    def health(self, pack: str) -> dict[str, Any]:
        """Health over all rides of the packs of that name, as JSON has it: those that were built as the newest is,
        since more cells in parallel are no ageing backwards. Raises KeyError where there are none.
        """
        found = self._of_pack(pack)
        if not found:
            raise KeyError(f"there is no pack {pack!r}")
        series, kept = found[0].series, self._summaries.all()
        same = self._built_alike(found, found[0])
        points = [point_of(ride, kept[ride.ride_id], series) for ride in same if ride.ride_id in kept]
        told = health(points, series, otherwise_built=len(found) - len(same))
        return {"pack": pack, "series": series, **document(told)}

    def compare(self, sides: Sequence[int | str], by: str, channels: Sequence[str], points: int) -> dict[str, Any]:
        """Rides (numbers) or packs (names) on one axis, as JSON has it.

        Raises KeyError for a ride or pack that there is not, ValueError for an axis or channel that there is not.
        """
        if by not in UNITS:
            raise ValueError(f"by {by!r} is unknown; there are {', '.join(UNITS)}")
        for name in channels:
            if name not in CHANNELS:
                raise ValueError(f"channel {name!r} is unknown; there are {', '.join(CHANNELS)}")
        of_each = [self._side(side) for side in sides]
        laid = [[self._laid(ride, by, channels) for ride in some] for some in of_each]
        axis, found = compare(laid, points)
        named = [_named(side, some, one) for side, some, one in zip(sides, of_each, found, strict=True)]
        told: dict[str, Any] = document({"by": by, "unit": UNITS[by], "x": axis, "sides": named})
        return told

    def _laid(self, ride: Ride, by: str, channels: Sequence[str]) -> Laid:
        """Of a thinned ride what is left of it, along the energy that is known of the whole."""
        record = self.recorded(ride.ride_id)
        if record is not None:
            return lay(record, by, channels)
        record = self.left(ride.ride_id)
        if record is None:
            known = self.pack(ride.ride_id) is not None
            raise ValueError(f"ride {ride.ride_id} has no reading left to compare" if known else lost(ride.ride_id))
        return lay(record, by, channels, energy_wh=ride.energy_wh)

    def _side(self, side: int | str) -> list[Ride]:
        if isinstance(side, int):
            return [self.rides.ride(side)]
        found = [ride for ride in self._of_pack(side) if ride.ended_by is not None]
        if not found:
            raise KeyError(f"there is no pack {side!r} with rides")
        return found[:OF_A_PACK]

    def _of_pack(self, pack: str) -> list[Ride]:
        """Rides of a pack, newest first."""
        return list(self.rides.rides(EVERY, wanted=RideFilter(kind=RIDE, pack=pack)))

    def _earlier(self, ride: Ride) -> list[Floats]:
        """Resistances at 25 degC of the pack's rides before this one, built as it was."""
        wanted = RideFilter(kind=RIDE, pack=ride.pack, until_unix_s=ride.started_unix_s)
        before = self._built_alike(self.rides.rides(EARLIER, wanted=wanted), ride)
        kept = (self._summaries.get(one.ride_id) for one in before)
        return [column(summary, "resistance_25c_mohm") for summary in kept if summary is not None]

    def _built_alike(self, found: Iterable[Ride], ride: Ride) -> list[Ride]:
        """Those of some rides of one pack's name that were ridden with a pack built as `ride`'s."""
        facts = self.rides.packs_named(ride.pack)
        built = _built(facts.get(ride.ride_id, {}))
        return [one for one in found if one.series == ride.series and _built(facts.get(one.ride_id, {})) == built]

    def _since_before(self, ride: Ride, record: Recorded) -> SelfDischarge | None:
        """What was lost since the pack's record before; None where either date is a guess."""
        wanted = RideFilter(pack=ride.pack, until_unix_s=ride.started_unix_s)
        before = next((one for one in self.rides.rides(1, wanted=wanted) if one.series == ride.series), None)
        if before is None or not (before.started_trusted and ride.started_trusted):
            return None
        kept = self._summaries.get(before.ride_id)
        if kept is None:
            return None
        hours = (ride.started_unix_s - before.started_unix_s - before.duration_s) / SECONDS_PER_HOUR
        start_v, _ = calm_v(record)
        ends_v = column(kept, "calm_end_v")
        return between(record.pack, ends_v, start_v, hours, before.ride_id, after_ride=before.kind == RIDE)


def _built(facts: Mapping[str, Any]) -> tuple[Any, ...]:
    """Of a pack's facts those that resistance and capacity hang on; the same for all whose pack is lost."""
    cell = facts.get("cell", {})
    return facts.get("parallel"), cell.get("chemistry"), cell.get("capacity_ah")


def column(summary: Mapping[str, Any], key: str) -> Floats:
    """(groups,) one figure of a summary's groups; NaN where unknown."""
    return np.array([math.nan if group.get(key) is None else group[key] for group in summary["groups"]], float)


def point_of(ride: Ride, summary: Mapping[str, Any], series: int) -> HealthPoint:
    """A ride as health looks at it."""
    spread = summary.get("rest_spread_start_v")
    return HealthPoint(
        ride.ride_id,
        ride.started_unix_s if ride.started_trusted else None,
        column(summary, "resistance_25c_mohm")[:series],
        column(summary, "capacity_ah")[:series],
        math.nan if spread is None else spread,
    )


def _named(side: int | str, rides_of: Sequence[Ride], found: Side) -> dict[str, Any]:
    count = len(rides_of)
    one = f"ride {side}" if isinstance(side, int) else f"{side}, {count} ride{'s' if count != 1 else ''}"
    return {
        "name": rides_of[0].name or one if isinstance(side, int) else one,
        "pack": rides_of[0].pack,
        "ride_ids": [ride.ride_id for ride in rides_of],
        "thinned": any(ride.thinned for ride in rides_of),
        "end": found.end,
        "channels": {name: {"low": band.low, "high": band.high} for name, band in found.channels.items()},
    }

"""Charts are worked out in a process of their own. Law: however long a chart takes, it never holds the interpreter that
judges readings.

A thread would not do: numpy and the decoder keep Python's lock for milliseconds at a time, and an alarm would wait for
it.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from sagwise_daemon.domain.ports import Envelope
from sagwise_daemon.io.store.engine import reader_engine
from sagwise_daemon.io.store.other_process import OtherProcess, serve
from sagwise_daemon.io.store.rides import StoredRides


class RidesAside:
    """Implements `domain.ports.Rides`: everything as `StoredRides`, envelopes by the other process, one at a time."""

    def __init__(self, rides: StoredRides, path: Path) -> None:
        self._process = OtherProcess("sagwise_daemon.io.store.aside", path)
        self.rides, self.ride = rides.rides, rides.ride
        self.channels, self.events, self.overview = rides.channels, rides.events, rides.overview

    def envelope(
        self,
        ride_id: int,
        channels: Sequence[str],
        points: int,
        start_s: float | None = None,
        end_s: float | None = None,
    ) -> Envelope:
        """As `StoredRides.envelope`, with the same errors; StoreError when the process fails twice."""
        answer = self._process.ask(ride_id, tuple(channels), points, start_s, end_s)
        assert isinstance(answer, Envelope)
        return answer

    def close(self) -> None:
        """End the process; there are no envelopes afterwards."""
        self._process.close()


def main(path: Path) -> None:
    """Answer wishes from standard input until it closes."""
    engine = reader_engine(path)
    serve(StoredRides(engine).envelope)
    engine.dispose()


if __name__ == "__main__":
    main(Path(sys.argv[1]))

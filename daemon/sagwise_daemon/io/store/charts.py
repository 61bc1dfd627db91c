"""`ports.Rides` for the daemon. Law: no chart is drawn where readings are judged.

A stored overview is bytes on the shelf and sent from here. Whatever has to be unpacked and reduced is drawn by another
process of low priority: unpacking in a thread takes the interpreter from the alarm path time and again, for as long as
somebody drags a chart about.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sagwise_daemon.domain.ports import Envelope
from sagwise_daemon.io.store.engine import reader_engine
from sagwise_daemon.io.store.other_process import OtherProcess, serve
from sagwise_daemon.io.store.rides import StoredRides

IDLE_S = 120.0  # as long as a person looks at one picture before going closer


class RidesAside(StoredRides):
    """Stored rides whose charts are drawn elsewhere. Implements `domain.ports.Rides`."""

    def __init__(self, path: Path) -> None:
        self._readers = reader_engine(path)
        self._process = OtherProcess("sagwise_daemon.io.store.charts", path)
        super().__init__(self._readers)

    def envelope(
        self,
        ride_id: int,
        channels: Sequence[str],
        points: int,
        start_s: float | None = None,
        end_s: float | None = None,
    ) -> Envelope:
        """As the port has it; StoreError when the other process fails."""
        drawn = self._process.ask("envelope", ride_id, tuple(channels), points, start_s, end_s)
        assert isinstance(drawn, Envelope)
        return drawn

    def overview(self, ride_id: int, channels: Sequence[str]) -> bytes:
        """As the port has it. Whoever opens a ride goes closer next, so the other process is started by then."""
        body = super().overview(ride_id, channels)
        self._process.warm()
        return body

    def close(self) -> None:
        """End the process and let go of the file."""
        self._process.close()
        self._readers.dispose()


def main(path: Path) -> None:
    """Draw what is asked for on standard input until it closes, or nobody has asked for a while."""
    engine = reader_engine(path)
    rides = StoredRides(engine)

    def answer(name: str, *arguments: Any) -> Any:
        return getattr(rides, name)(*arguments)

    serve(answer, IDLE_S)
    engine.dispose()


if __name__ == "__main__":
    main(Path(sys.argv[1]))

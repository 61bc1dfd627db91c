"""What readings say about their own sensors: `Sense.take` gives `Senses`. Law: callers use these names only."""

from __future__ import annotations

from sagwise_daemon.domain.alarm.sense.watch import Sense, Senses

__all__ = ["Sense", "Senses"]

"""Whether recording is in trouble. Law: one plain sentence that says what is wrong and what to do, or None.

What is looked at, the worst first: writing fails, the writer falls behind, the disk is nearly full.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Protocol

# Samples are stored every 1.8 s; so late, several commits have taken too long or were refused.
BEHIND_S = 6.0
# A day of riding is some 20 MB, and the file's log may hold a few more while rides are read.
FREE_BYTES = 50_000_000


class Recording(Protocol):
    """What a `Recorder` tells of itself."""

    def failing(self) -> bool: ...

    def behind_s(self) -> float: ...


def trouble(path: Path, recording: Recording) -> str | None:
    """What is wrong with recording into the store at `path`, None where nothing is. May block on the disk."""
    if recording.failing():
        return "Rides are not recorded: the store cannot be written. See the log, and whether the disk is full."
    behind_s = recording.behind_s()
    if behind_s > BEHIND_S:
        return f"Recording is {behind_s:.0f} s behind: the disk is too slow or too busy."
    try:
        disk = os.statvfs(path.parent)
    except OSError as fault:
        return f"The disk of the rides cannot be looked at: {fault.strerror}."
    free = disk.f_bavail * disk.f_frsize
    if free < FREE_BYTES:
        return f"The disk is nearly full: {free / 1e6:.0f} MB are left. Make room, or rides will not be recorded."
    return None

"""A ride for process tests: pulls and coasting without an end, so that alarms come and go all the time."""

from __future__ import annotations

from pathlib import Path

HEAD = """
[scenario]
title = "Pull and coast"
seed = {seed}
[pack]
name = "Otter 16s5p"
chemistry = "nmc"
series = 16
parallel = 5
capacity_ah = 4.5
resistance_mohm = 14
start_soc = 0.9
[[segment]]
kind = "rest"
duration_s = 1
"""
PULL = """
[[segment]]
kind = "cruise"
duration_s = 0.6
intensity = 0.8
[[segment]]
kind = "coast"
duration_s = 0.6
"""

# The floor at 3.95 V without a delay: every pull raises it, every coast clears it. 30 transitions in a second.
RESTLESS = """
[alarm.loaded_floor]
volts = 3.95
deadband = 0.001
on_delay_s = 0
off_delay_s = 0
"""


def pull_and_coast(path: Path, minutes: float = 15.0, seed: int = 11) -> Path:
    """Write the scenario to `path`."""
    path.write_text(HEAD.format(seed=seed) + PULL * round(minutes * 60 / 1.2))
    return path

"""How fast a recorded ride goes through estimator and alarms. Law: processor time of one process, reading included.

The ride: two hours, 24 groups, 20 Hz, throttle, temperatures and distance by `bench_store.make_ride`, voltages from the
pack's own curve less an ohmic and three relaxing drops, group 7 short of a tenth of its capacity; down to 4 % of
charge, written as a trace CSV. Speed is the ride's
duration over the processor time of reading the file and replaying it. Processor time and not the clock on the wall,
so that other work on the machine counts less; it still slows the caches, so `unit_us` (one addition of 24 numbers) is
measured beside it. The grid: what 64 settings cost over one, on the same rows of the ride, which ends low.
`python tests/bench/bench_replay.py [--seconds N]`, or `report()`.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from bench_store import GROUPS, HZ, SECONDS, low_pass, make_ride

from sagwise_daemon.config import load_pack
from sagwise_daemon.domain.alarm.engine import Engine
from sagwise_daemon.domain.core import new_state, take
from sagwise_daemon.domain.model import Pack, Readings
from sagwise_daemon.domain.pack.chemistry import built_in_curve
from sagwise_daemon.domain.ride.settings_grid import Setting
from sagwise_daemon.domain.ride.summary import Summary
from sagwise_daemon.io.trace import Trace, read_trace, write_trace
from sagwise_daemon.replay import pieces, replay

REQUIRED, MOONSHOT, GRID_ALLOWED = 500.0, 3000.0, 2.0
SPLIT_ROWS, GRID_ROWS = 20_000, 24_000
LIMITS_V, DELAYS_S = np.linspace(2.9, 3.65, 16).tolist(), (0.5, 1.0, 2.0, 5.0)

PACK = f"""[pack]
name = "Otter's big sister"
series = {GROUPS}
parallel = 8
[cell]
chemistry = "nmc"
capacity_ah = 4.5
full_v = 4.20
empty_v = 2.80
resistance_mohm = 14
max_discharge_a = 30
"""


def cpu_s(work: Callable[[], Any]) -> tuple[float, Any]:
    """Processor seconds of `work`, and what it gave."""
    start = time.process_time()
    result = work()
    return time.process_time() - start, result


def write_ride(path: Path, seconds: int) -> None:
    ride = make_ride(seconds)
    write_trace(
        path,
        Trace(
            (ride.uptime_us - ride.uptime_us[0]) / 1e6,
            cell_volts(ride.current_ma / 1000),
            ride.current_ma / 1000,
            ride.temperature_centi_c / 100,
            ride.distance_cm / 100,
        ),
    )


def cell_volts(amperes: np.ndarray) -> np.ndarray:
    """(rows, groups) with 2 mV rms of noise, in the wire's steps. Resistances of a group of eight 14 mOhm cells."""
    rng = np.random.default_rng(7)
    drawn = np.cumsum(amperes)
    capacity = np.ones(GROUPS)
    capacity[6] = 0.9
    soc = 0.96 - 0.92 * drawn[:, None] / drawn[-1] / capacity
    soc += rng.normal(0, 0.002, GROUPS)
    volts = np.interp(soc, *built_in_curve("nmc"))
    for ohms, tau_s in ((0.00175, 0.0), (0.0005, 2.0), (0.0005, 20.0), (0.0007, 150.0)):
        flow = low_pass(amperes, tau_s) if tau_s else amperes
        volts -= flow[:, None] * ohms * rng.normal(1, 0.04, GROUPS)
    return np.rint((volts + rng.normal(0, 0.002, volts.shape)) * 2000) / 2000


def cut(trace: Trace, rows: slice) -> Trace:
    readings = trace.readings().rows(rows)
    return Trace(readings.time_s, readings.group_v, readings.current_a, readings.temperature_c, readings.distance_m)


def unit_us() -> float:
    """What the machine is worth at this moment."""
    numbers, count = np.ones(GROUPS), 100_000

    def add() -> None:
        for _ in range(count):
            numbers + numbers

    return cpu_s(add)[0] / count * 1e6


def split(trace: Trace, pack: Pack) -> dict[str, float]:
    """Microseconds a row of the core's parts, each run alone over the same rows."""
    blocks = [piece for piece in pieces(trace, pack) if isinstance(piece, Readings)]
    state, totals, engine = new_state(pack), Summary(pack.series), Engine(pack)
    all_s, taken = cpu_s(lambda: [take(state, block) for block in blocks])
    alarms_s = cpu_s(
        lambda: [engine.readings(b, t.estimates, t.shortfall_v) for b, t in zip(blocks, taken, strict=True)]
    )[0]
    totals_s = cpu_s(lambda: [totals.readings(block) for block in blocks])[0]
    rows = len(trace.time_s)
    parts = {"core_us": all_s, "alarms_us": alarms_s, "totals_us": totals_s, "estimator_us": all_s - alarms_s}
    return {name: seconds / rows * 1e6 for name, seconds in parts.items()}


def grid(trace: Trace, pack: Pack) -> dict[str, float]:
    """64 settings over one: processor time of the whole replay with them."""
    settings = [Setting(volts, seconds) for volts in LIMITS_V for seconds in DELAYS_S]
    one_s, _ = cpu_s(lambda: replay(trace, pack, settings=[Setting(3.3, 1.0)]))
    many_s, many = cpu_s(lambda: replay(trace, pack, settings=settings))
    raises = sum(one.rest.count for one in many.tried)
    return {"settings": len(settings), "ratio": many_s / one_s, "raises": raises, "allowed": GRID_ALLOWED}


def report(seconds: int = SECONDS) -> dict[str, Any]:
    """All figures; `holds` where speed and grid reach what is required."""
    with tempfile.TemporaryDirectory() as folder:
        file, pack_file = Path(folder) / "ride.csv", Path(folder) / "pack.toml"
        pack_file.write_text(PACK, encoding="utf-8")
        write_ride(file, seconds)
        pack = load_pack(pack_file)
        before_us = unit_us()
        read_s, trace = cpu_s(lambda: read_trace(file, GROUPS))
        replay_s, result = cpu_s(lambda: replay(trace, pack))
        unit = (before_us + unit_us()) / 2
    rows = len(trace.time_s)
    speed = rows / HZ / (read_s + replay_s)
    figures: dict[str, Any] = {
        "rows": rows,
        "speed": speed,
        "required": REQUIRED,
        "moonshot": MOONSHOT,
        "read_us": read_s / rows * 1e6,
        "replay_us": replay_s / rows * 1e6,
        "unit_us": unit,
        "events": len(result.events),
        **split(cut(trace, slice(0, SPLIT_ROWS)), pack),
        "grid": grid(cut(trace, slice(-GRID_ROWS, None)), pack),
    }
    figures["holds"] = speed >= REQUIRED and figures["grid"]["ratio"] <= GRID_ALLOWED
    return figures


def main() -> None:
    parser = argparse.ArgumentParser(description="the replay bench")
    parser.add_argument("--seconds", type=int, default=SECONDS)
    print(json.dumps(report(parser.parse_args().seconds), indent=1))


if __name__ == "__main__":
    main()

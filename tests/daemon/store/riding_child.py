"""A process that rides until it is killed; test_crash starts it. Law: it says on standard output what it was promised.

`S number monotonic` a reading was handed over, `E id` an event's future is done, `R ride number` it rides on
from there. A second of riding is 50 ms here, so that minutes are folded within seconds.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from conftest import make_estimate, make_event, make_reading, make_start

from sagwise_daemon.io.store import Recorder, Store


def say(*words: object) -> None:
    sys.stdout.write(" ".join(map(str, words)) + "\n")
    sys.stdout.flush()


def take_up(recorder: Recorder) -> tuple[int, int]:
    """The ride and the number of the next reading; two readings are lost while the daemon is away."""
    left = recorder.unfinished()
    if left is None:
        return recorder.begin_ride(make_start(time_s=0.0)), 0
    return left.ride_id, 0 if not left.samples else round((left.uptime_us - 1_000_000) / 1e6) + 3


def main() -> None:
    recorder = Store.open(Path(sys.argv[1])).recorder
    ride_id, number = take_up(recorder)
    say("R", ride_id, number)
    waiting = []
    due = time.monotonic()
    while True:
        recorder.append(ride_id, make_reading(number, time_s=0.0, hz=1.0))
        recorder.append_estimate(ride_id, make_estimate(number, time_s=0.0, hz=1.0))
        say("S", number, time.monotonic())
        if number % 4 == 0:
            waiting.append(recorder.event(make_event(float(number)), ride_id, time.time()))
        for event_id, done in [pair for pair in waiting if pair[1].done()]:
            done.result()
            say("E", event_id)
        waiting = [pair for pair in waiting if not pair[1].done()]
        number += 1
        due += 0.05
        time.sleep(max(0.0, due - time.monotonic()))


if __name__ == "__main__":
    main()

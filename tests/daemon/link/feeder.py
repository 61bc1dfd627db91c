"""A board in a process of its own: frames of 16 groups into a pseudo-terminal at a steady rate.

Usage: feeder.py RATE_HZ. Prints the device to open; ends when standard input closes.
"""

from __future__ import annotations

import contextlib
import os
import pty
import select
import sys
import time
import tty

from sagwise_protocol import Sample, Stamp, encode


def main() -> None:
    period_s = 1.0 / float(sys.argv[1])
    master, slave = pty.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    print(os.ttyname(slave), flush=True)
    sample = Sample(0xFFFF, 3, 3, 12_345, 678, (7400,) * 16, (2512, 2490))
    began, sequence = time.monotonic(), 0
    while True:
        due = began + sequence * period_s
        if select.select([sys.stdin], [], [], max(0.0, due - time.monotonic()))[0]:
            return
        frame = encode(sample, Stamp(1, 7, round(sequence * period_s * 1e6), sequence % 65_536))
        with contextlib.suppress(BlockingIOError):
            os.write(master, frame)
        sequence += 1


if __name__ == "__main__":
    main()

"""What ten phones on the live view cost the daemon over one. Law: processor time of the real daemon with its board, by
the kernel's count; the phones are sockets of another process, and each must have heard its events.

One and ten by turns, so that a pack that empties or a ride that begins weighs on both. `python
tests/bench/bench_phones.py`, or `report()`.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from daemon_process import Daemon
from ridden_bike import ridden_bike

PHASE_S = 30
ROUNDS = 2
MANY = 10
ALLOWED_PERCENT = 2.0
LEAST_HZ = 4.0  # at most five a second are sent; fewer would be no live view

# Prints processor seconds of the daemon over the phase, then the events that each phone heard.
PHONES = """
import glob, selectors, socket, sys, time
port, count, seconds, pid = (int(word) for word in sys.argv[1:5])
cookie = sys.argv[5]
request = f"GET /api/v1/live/stream HTTP/1.1\\r\\nHost: 127.0.0.1:{port}\\r\\nCookie: {cookie}\\r\\n\\r\\n".encode()
ready, heard = selectors.DefaultSelector(), [0] * count

def used_s():
    return sum(int(open(path).read().split()[0]) for path in glob.glob(f"/proc/{pid}/task/*/schedstat")) / 1e9

def listen(until):
    while (left := until - time.monotonic()) > 0:
        for key, _ in ready.select(left):
            data = key.fileobj.recv(65536)
            if not data:
                sys.exit("the stream ended")
            heard[key.data] += data.count(b"data: ")

for number in range(count):
    phone = socket.create_connection(("127.0.0.1", port))
    phone.sendall(request)
    ready.register(phone, selectors.EVENT_READ, number)
listen(time.monotonic() + 2)
heard[:] = [0] * count
before, began = used_s(), time.monotonic()
listen(began + seconds)
took = time.monotonic() - began
print(used_s() - before, took, *heard)
"""


def phase(daemon: Daemon, cookie: str, phones: int) -> tuple[float, float]:
    """Percent of a core that the daemon used, and the fewest events a second that a phone heard."""
    command = [sys.executable, "-c", PHONES, *map(str, (daemon.port, phones, PHASE_S, daemon.pid)), cookie]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(done.stderr)
    used_s, took_s, *heard = map(float, done.stdout.split())
    return 100.0 * used_s / took_s, min(heard) / took_s


def report() -> dict[str, Any]:
    """Percent of a core with one phone and with ten, the difference, and whether it is within what is allowed."""
    with tempfile.TemporaryDirectory() as folder, ridden_bike(Path(folder), rides=0) as daemon:
        cookie = daemon.pair()
        seen = [(phones, *phase(daemon, cookie, phones)) for _ in range(ROUNDS) for phones in (1, MANY)]
    used = {phones: sum(row[1] for row in seen if row[0] == phones) / ROUNDS for phones in (1, MANY)}
    over = used[MANY] - used[1]
    slowest_hz = min(row[2] for row in seen)
    return {
        "one_percent": used[1],
        "ten_percent": used[MANY],
        "over_percent": over,
        "slowest_hz": slowest_hz,
        "holds": over <= ALLOWED_PERCENT and slowest_hz >= LEAST_HZ,
    }


if __name__ == "__main__":
    print(json.dumps(report(), indent=1))

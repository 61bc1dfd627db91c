"""What the page's requests cost the server. Law: processor time of the serving process, whoever asks is another.

An empty request goes the same way as any other (connection, guard, routing) and answers nothing. Against it: the
overview of a stored two-hour ride of 24 groups at 20 Hz, a part of it at full rate, and the list of 500 rides. The
client keeps its connection, as a browser does. `python tests/bench/bench_page.py`, or `report()`.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from bench_store import GROUPS, HZ, Ints, estimate_of, make_ride, readings_of, start_of
from fastapi import FastAPI, Response

from sagwise_api import PageServer, PageSettings, create_app
from sagwise_daemon.io.store import Store

SECONDS, RIDES = 7200, 500
TIMES_EMPTY, LIST_MS = 5.0, 50.0
CHART = "/api/v1/rides/{ride}/chart?channels=loaded_v,rest_v,current_a"

CLIENT = """
import http.client, sys
connection = http.client.HTTPConnection("127.0.0.1", int(sys.argv[1]))
for _ in range(int(sys.argv[3])):
    connection.request("GET", sys.argv[2])
    answer = connection.getresponse()
    body = answer.read()
    assert answer.status in (200, 204), (answer.status, body)
print(len(body))
"""


def store_long_ride(store: Store, ride: Ints) -> int:
    """The ride with its estimates; waits until its overview is stored."""
    recorder, readings = store.recorder, readings_of(ride)
    ride_id = recorder.begin_ride(start_of(readings[0]))
    for number, reading in enumerate(readings):
        recorder.append(ride_id, reading)
        if number % HZ == 0:
            recorder.append_estimate(ride_id, estimate_of(reading, number / len(readings)))
        if number % 1200 == 1199:
            recorder.flush(60)
    recorder.end_ride(ride_id, "standstill")
    recorder.flush(60)
    wait_for_overview(store, ride_id)
    return ride_id


def wait_for_overview(store: Store, ride_id: int) -> None:
    until = time.monotonic() + 60
    while not store.rides.has_overview(ride_id):
        if time.monotonic() > until:
            raise RuntimeError(f"ride {ride_id} got no overview")
        time.sleep(0.05)


def store_short_rides(store: Store, ride: Ints, count: int) -> None:
    recorder, first = store.recorder, readings_of(ride)[0]
    for _ in range(count):
        recorder.append(ride_id := recorder.begin_ride(start_of(first)), first)
        recorder.end_ride(ride_id, "standstill")
        recorder.flush(60)


async def cost_ms(port: int, path: str, times: int) -> tuple[float, int]:
    """Milliseconds of processor time a request, and the bytes of the answer; a tenth of the requests go before."""
    for count in (max(1, times // 10), times):
        before = time.process_time()
        command = [sys.executable, "-c", CLIENT, str(port), path, str(count)]
        client = await asyncio.create_subprocess_exec(*command, stdout=subprocess.PIPE)
        out, _ = await client.communicate()
        if client.returncode:
            raise RuntimeError(f"{path} was not answered")
        took = time.process_time() - before
    return took / times * 1e3, int(out)


async def measure(store: Store, ride_id: int) -> dict[str, float]:
    nothing = cast(Any, None)  # nothing is commanded here, and of the live state only whether a board is there
    live = cast(Any, SimpleNamespace(latest=lambda: SimpleNamespace(link="down", ride_id=None)))
    app: FastAPI = create_app(live, nothing, store.rides, nothing, PageSettings(paired_on_loopback=True))

    @app.get("/api/v1/empty")
    async def empty() -> Response:
        return Response(status_code=204)

    server = PageServer(app, "127.0.0.1", 0)
    serving = asyncio.create_task(server.run())
    await server.ready()
    chart = CHART.format(ride=ride_id)
    try:
        figures = {}
        for name, path, times in (
            ("empty", "/api/v1/empty", 1500),
            ("overview", chart, 500),
            ("overview_of_all_groups", chart + "".join(f",group_{n:02d}_v" for n in range(1, GROUPS + 1)), 30),
            ("part_of_1600_s", f"{chart}&start_s=1000&end_s=2599", 30),
            ("part_of_60_s", f"{chart}&start_s=1000&end_s=1060", 60),
            ("list_of_500", "/api/v1/rides?limit=500", 30),
        ):
            figures[f"{name}_ms"], figures[f"{name}_bytes"] = await cost_ms(server.port, path, times)
    finally:
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)
    return figures


def report(seconds: int = SECONDS, rides: int = RIDES) -> dict[str, Any]:
    """All figures; `holds` where overview and list stay within what is allowed."""
    ride = make_ride(seconds)
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "rides.sqlite") as store:
        ride_id = store_long_ride(store, ride)
        store_short_rides(store, ride, rides)
        for number in range(ride_id, ride_id + rides + 1):  # or making them would count as serving
            wait_for_overview(store, number)
        figures: dict[str, Any] = asyncio.run(measure(store, ride_id))
    figures["overview_to_empty"] = figures["overview_ms"] / figures["empty_ms"]
    figures["holds"] = figures["overview_to_empty"] <= TIMES_EMPTY and figures["list_of_500_ms"] <= LIST_MS
    return figures


if __name__ == "__main__":
    print(json.dumps(report(), indent=1))

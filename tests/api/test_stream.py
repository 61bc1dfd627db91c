"""The live stream over a real server. Law: at most five a second, latest wins, it ends when asked, nothing stays."""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
import time
from dataclasses import replace

import httpx
import pytest

from sagwise_api import PageSettings
from sagwise_api.stream import LiveFeed

pytestmark = pytest.mark.slow


async def events(client: httpx.AsyncClient, seconds: float) -> tuple[list[str], list[dict]]:
    """Lines that are no data, and the states, heard within the time."""
    others, states = [], []

    async def read() -> None:
        async with client.stream("GET", "/api/v1/live/stream") as answer:
            assert answer.status_code == 200
            assert answer.headers["content-type"] == "text/event-stream; charset=utf-8"
            async for line in answer.aiter_lines():
                if line.startswith("data: "):
                    states.append(json.loads(line[6:]))
                elif line:
                    others.append(line)

    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(read(), seconds)
    return others, states


def test_a_state_is_encoded_once_for_all_watchers(house) -> None:
    encoded: list[int] = []

    def encode(state) -> bytes:
        encoded.append(state.sequence)
        return b"{}"

    async def run() -> list[bytes]:
        feed = LiveFeed(house.live, encode, 16)
        watchers = [aiter(feed.join()) for _ in range(10)]
        for watcher in watchers:
            await anext(watcher)
        encoded.clear()
        house.live.advance()
        frames = [await anext(watcher) for watcher in watchers]
        feed.close()
        return frames

    frames = asyncio.run(run())
    assert encoded == [2]
    assert all(frame is frames[0] for frame in frames)


async def keep_changing(house) -> None:
    while True:
        house.live.advance()
        await asyncio.sleep(0.01)


def test_a_hundred_changes_a_second_become_five_events(house) -> None:
    async def run():
        async with house.served() as (_, client):
            changing = asyncio.create_task(keep_changing(house))
            heard = await events(client, 2.0)
            changing.cancel()
            return *heard, house.live.state.sequence

    others, states, last = asyncio.run(run())
    assert "retry: 1000" in others
    assert 6 <= len(states) <= 12
    sequences = [state["sequence"] for state in states]
    assert sequences == sorted(sequences)
    assert last - sequences[-1] < 40, "an old state was sent"
    assert states[0]["loaded_v"] == [3.51, None, None]


def test_silence_is_said_every_second(house) -> None:
    async def run():
        async with house.served() as (_, client):
            return await events(client, 2.8)

    _, states = asyncio.run(run())
    assert 3 <= len(states) <= 4


def test_the_stream_and_the_server_end_when_asked(house) -> None:
    async def run():
        async with house.served() as (server, client):
            reading = [asyncio.create_task(events(client, 9.0)) for _ in range(3)]
            await asyncio.sleep(0.3)
            began = time.monotonic()
            server.stop()
            await asyncio.gather(*reading)
            return time.monotonic() - began

    assert asyncio.run(run()) < 1.0


def test_a_client_that_goes_leaves_nothing_behind(house) -> None:
    async def run():
        async with house.served() as (server, client):
            feed = server._feed
            for _ in range(5):
                await events(client, 0.2)
            for _ in range(50):
                if feed.watchers == 0:
                    break
                await asyncio.sleep(0.02)
            asked = house.live.waiting
            await asyncio.sleep(1.2)
            return feed.watchers, house.live.waiting - asked

    assert asyncio.run(run()) == (0, 0)


def test_one_more_phone_closes_the_oldest_stream(house) -> None:
    async def run():
        async with house.served(PageSettings(paired_on_loopback=True, max_streams=2)) as (server, client):
            first = asyncio.create_task(events(client, 9.0))
            await asyncio.sleep(0.2)
            others = [asyncio.create_task(events(client, 1.0)) for _ in range(2)]
            await asyncio.wait_for(first, 2.0)
            await asyncio.sleep(0.1)
            watching = server._feed.watchers
            await asyncio.gather(*others)
            return watching

    assert asyncio.run(run()) == 2


def test_a_reader_that_never_reads_costs_no_memory_and_holds_up_nobody(house) -> None:
    async def run():
        house.live.state = replace(house.live.state, notice="x" * 60_000)
        async with house.served() as (server, client):
            _, writer = await asyncio.open_connection("127.0.0.1", server.port)
            writer.write(f"GET /api/v1/live/stream HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\n\r\n".encode())
            await writer.drain()
            changing = asyncio.create_task(keep_changing(house))
            _, states = await events(client, 2.0)
            changing.cancel()
            writer.close()
            return states

    assert len(asyncio.run(run())) >= 6


def test_a_failing_live_port_ends_the_streams_and_the_next_one_works(house) -> None:
    async def run():
        async with house.served() as (_, client):
            good, fails = house.live.changed, [True]

            async def changed(sequence: int, timeout_s: float):
                if fails:
                    fails.clear()
                    raise RuntimeError("made to fail")
                return await good(sequence, timeout_s)

            house.live.changed = changed
            await asyncio.wait_for(events(client, 5.0), 2.0)
            return await events(client, 1.5)

    _, states = asyncio.run(run())
    assert len(states) >= 2


def test_a_slow_chart_holds_up_neither_the_stream_nor_the_lists(house) -> None:
    release = threading.Event()
    house.rides.wait = lambda: release.wait(10)

    async def run():
        async with house.served() as (_, client):
            changing = asyncio.create_task(keep_changing(house))
            charts = [asyncio.create_task(client.get("/api/v1/rides/7/chart?channels=rest_v")) for _ in range(14)]
            await asyncio.sleep(0.2)
            _, states = await events(client, 1.5)
            began = time.monotonic()
            assert (await client.get("/api/v1/rides")).status_code == 200
            listed_s = time.monotonic() - began
            release.set()
            answers = await asyncio.gather(*charts)
            changing.cancel()
            return states, listed_s, [answer.status_code for answer in answers]

    states, listed_s, statuses = asyncio.run(run())
    assert len(states) >= 5
    assert listed_s < 0.5
    assert statuses.count(200) == 11 and statuses.count(503) == 3, "one at work, ten waiting, the rest refused"


def test_a_taken_port_is_an_error_at_once(house) -> None:
    async def run():
        async with house.served() as (server, _):
            from sagwise_api import PageServer

            other = PageServer(house.app(PageSettings()), "127.0.0.1", server.port)
            with pytest.raises(OSError):
                await other.run()

    asyncio.run(run())


def test_cancelling_ends_the_server(house) -> None:
    async def run():
        from sagwise_api import serve

        serving = asyncio.create_task(serve(house.app(PageSettings()), "127.0.0.1", 0))
        await asyncio.sleep(0.3)
        serving.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asyncio.wait_for(serving, 3)

    asyncio.run(run())

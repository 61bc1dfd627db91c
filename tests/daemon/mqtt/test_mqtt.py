"""MQTT against a real Mosquitto. Holds the law of `io/mqtt.py`.

Retained messages, last will and clean disconnect are those of MQTT 3.1.1 (OASIS Standard, 29 October 2014): 3.3.1.3
RETAIN, 3.1.2.5 Will Flag, 3.14.4 DISCONNECT discards the will.
"""

from __future__ import annotations

import asyncio
import json
import logging
import time
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from sagwise_daemon.domain.model import AlarmState
from sagwise_daemon.io.mqtt import MOST_EVENTS


def test_state_and_alarms_are_retained_and_events_are_not(
    broker: Any, outlet_on: Any, watcher_on: Any, run_with: Any, event: Any
) -> None:
    outlet, first, late = outlet_on(broker.port), watcher_on(broker.port), watcher_on(broker.port)

    async def body() -> None:
        await first.until(lambda: first.of("availability") == ["online"])
        outlet.offer(event())
        outlet.offer(event("link_lost", None))
        await first.until(lambda: len(first.of("events")) == 2)
        watching = asyncio.ensure_future(late.watch())
        await late.until(lambda: len(late.seen) >= 4)
        await asyncio.sleep(0.2)
        watching.cancel()
        await asyncio.gather(watching, return_exceptions=True)
        retained = {topic for topic, _, kept in late.seen if kept}
        assert retained == {
            "sagwise/otter/availability",
            "sagwise/otter/state",
            "sagwise/otter/alarms/rest_low/7",
            "sagwise/otter/alarms/link_lost",
        }
        assert late.of("events") == []

    run_with(body, first.watch, outlet.run)


def test_payloads_are_json_without_nan(broker: Any, outlet_on: Any, watcher_on: Any, run_with: Any, event: Any) -> None:
    outlet, watcher = outlet_on(broker.port), watcher_on(broker.port)

    def no_constant(name: str) -> None:
        raise AssertionError(f"{name} in JSON")

    async def body() -> None:
        outlet.offer(event())
        await watcher.until(lambda: bool(watcher.of("state") and watcher.of("events")))
        state = json.loads(watcher.of("state")[0], parse_constant=no_constant)
        assert state["rest_v"] == [3.6, None] and state["soc"] == [0.5, None]
        assert state["alarms"][0]["state"] == "unacknowledged" and state["alarms"][0]["value"] is None
        told = json.loads(watcher.of("events")[0], parse_constant=no_constant)
        assert (told["rule"], told["group"], told["to"], told["basis"]) == ("rest_low", 7, "unacknowledged", "rest")
        assert abs(told["unix_s"] - time.time()) < 60
        alarm = json.loads(watcher.of("alarms/rest_low/7")[0])
        assert alarm == {
            "rule": "rest_low",
            "group": 7,
            "state": "unacknowledged",
            "priority": "high",
            "value": 3.28,
            "limit": 3.3,
            "unit": "V",
            "basis": "rest",
        }

    run_with(body, watcher.watch, outlet.run)


@pytest.mark.slow
def test_state_is_told_at_most_once_a_second(
    broker: Any, outlet_on: Any, watcher_on: Any, run_with: Any, live: Any
) -> None:
    outlet, watcher = outlet_on(broker.port), watcher_on(broker.port)

    async def body() -> None:
        await watcher.until(lambda: len(watcher.of("state")) == 1)
        began = time.monotonic()
        for _ in range(125):
            live.move()
            await asyncio.sleep(0.02)
        told, seconds = len(watcher.of("state")) - 1, time.monotonic() - began
        assert 2 <= told <= seconds + 1

    run_with(body, watcher.watch, outlet.run)


def test_a_clean_end_says_offline_itself(broker: Any, outlet_on: Any, watcher_on: Any, run_with: Any) -> None:
    outlet, watcher = outlet_on(broker.port), watcher_on(broker.port)

    async def body() -> None:
        running = asyncio.ensure_future(outlet.run())
        await watcher.until(lambda: watcher.of("availability") == ["online"])
        began = time.monotonic()
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        assert running.cancelled() and time.monotonic() - began < 2.0
        await watcher.until(lambda: watcher.of("availability") == ["online", "offline"])
        await asyncio.sleep(0.3)
        assert watcher.of("availability") == ["online", "offline"]  # the will did not fire as well

    run_with(body, watcher.watch)


def test_the_will_fires_when_the_daemon_is_killed(
    broker: Any, watcher_on: Any, run_with: Any, start_child: Any
) -> None:
    watcher = watcher_on(broker.port)

    async def body() -> None:
        child = start_child(broker.port)
        try:
            await watcher.until(lambda: bool(watcher.of("alarms/rest_low/7")))
            assert watcher.of("availability") == ["online"]
        finally:
            child.kill()
            child.wait()
        await watcher.until(lambda: watcher.of("availability") == ["online", "offline"])

    run_with(body, watcher.watch)


@pytest.mark.slow
def test_alarms_of_a_killed_run_do_not_stand_for_ever(
    broker: Any, outlet_on: Any, watcher_on: Any, run_with: Any, event: Any, start_child: Any
) -> None:
    """The killed run's alarms go to normal when the next one knows nothing of them; those it knows stand."""
    outlet, watcher = outlet_on(broker.port), watcher_on(broker.port)

    async def body() -> None:
        child = start_child(broker.port)
        try:
            await watcher.until(lambda: watcher.states("alarms/rest_low/7") == ["unacknowledged"])
        finally:
            child.kill()
            child.wait()
        outlet.offer(event(group=8))
        running = asyncio.ensure_future(outlet.run())
        await watcher.until(lambda: watcher.states("alarms/rest_low/7") == ["unacknowledged", "normal"])
        await asyncio.sleep(0.2)
        assert watcher.states("alarms/rest_low/8") == ["unacknowledged"]
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    run_with(body, watcher.watch)


@pytest.mark.slow
def test_a_broker_that_restarts_gets_everything_again(
    broker: Any, outlet_on: Any, watcher_on: Any, run_with: Any, event: Any
) -> None:
    """It kept nothing; what happened while it was away is told as well."""
    outlet, before, after = outlet_on(broker.port), watcher_on(broker.port), watcher_on(broker.port)

    async def body() -> None:
        outlet.offer(event())
        await before.until(lambda: bool(before.of("events")))
        await asyncio.to_thread(broker.stop)
        await asyncio.sleep(0.2)
        outlet.offer(event(to=AlarmState.ACKNOWLEDGED))
        outlet.offer(event(group=9))
        await asyncio.to_thread(broker.start)
        watching = asyncio.ensure_future(after.watch())
        await after.until(
            lambda: (
                after.states("alarms/rest_low/7")[-1:] == ["acknowledged"]
                and after.states("alarms/rest_low/9")[-1:] == ["unacknowledged"]
                and after.of("availability")[-1:] == ["online"]
                and bool(after.of("state"))
                and not outlet._events
            )
        )
        watching.cancel()
        await asyncio.gather(watching, return_exceptions=True)
        assert outlet.events_dropped == 0

    async def watch_until_it_ends() -> None:
        await asyncio.gather(before.watch(), return_exceptions=True)

    run_with(body, watch_until_it_ends, outlet.run)


@pytest.mark.slow
def test_without_a_broker_the_queue_is_bounded_and_nothing_blocks(
    outlet_on: Any, watcher_on: Any, run_with: Any, make_broker: Any, event: Any
) -> None:
    """Ten thousand transitions: the newest are kept, the standing of every alarm is the latest, then all is told."""
    broker = make_broker()
    outlet, watcher = outlet_on(broker.port), watcher_on(broker.port)
    states = [AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED]

    async def body() -> None:
        began = time.process_time()
        for n in range(10_000):
            outlet.offer(event(group=n % 16 + 1, to=states[n // 16 % 2]))
        assert time.process_time() - began < 3.0
        assert len(outlet._events) == MOST_EVENTS and outlet.events_dropped == 10_000 - MOST_EVENTS
        assert len(outlet._due) == len(outlet._alarms) == 16
        await asyncio.to_thread(broker.start)
        watching = asyncio.ensure_future(watcher.watch())
        await watcher.until(lambda: not outlet._events and not outlet._due)
        last = {group: states[n // 16 % 2] for n in range(10_000) for group in [n % 16 + 1]}
        await watcher.until(lambda: all(watcher.of(f"alarms/rest_low/{g}") for g in last))
        assert {g: watcher.states(f"alarms/rest_low/{g}")[-1] for g in last} == last
        watching.cancel()
        await asyncio.gather(watching, return_exceptions=True)

    run_with(body, outlet.run)


@pytest.mark.slow
def test_a_missing_broker_costs_neither_time_nor_descriptors(outlet_on: Any, make_broker: Any, run_with: Any) -> None:
    outlet = outlet_on(make_broker().port)

    async def body() -> None:
        outlet._wait_s = 0.05
        await asyncio.sleep(0.3)
        held, began = descriptors(), time.process_time()
        await asyncio.sleep(1.0)
        assert descriptors() <= held + 1
        assert time.process_time() - began < 0.2

    run_with(body, outlet.run)


def descriptors() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


def test_a_broker_with_passwords(make_broker: Any, outlet_on: Any, watcher_on: Any, run_with: Any) -> None:
    broker = make_broker(anonymous=False)
    broker.start()
    login = {"username": "otter", "password": "secret"}
    outlet, watcher = outlet_on(broker.port, **login), watcher_on(broker.port, **login)

    async def body() -> None:
        await watcher.until(lambda: watcher.of("availability") == ["online"])

    run_with(body, watcher.watch, outlet.run)


@pytest.mark.slow
def test_a_wrong_password_is_said_once_and_never_shown(
    make_broker: Any, outlet_on: Any, run_with: Any, caplog: pytest.LogCaptureFixture
) -> None:
    broker = make_broker(anonymous=False)
    broker.start()
    outlet = outlet_on(broker.port, username="otter", password="hush-hush")

    async def body() -> None:
        outlet._wait_s = 0.05
        await asyncio.sleep(1.0)

    run_with(body, outlet.run)
    said = [record.getMessage() for record in caplog.records if record.name.endswith("io.mqtt")]
    assert len(said) == 1 and "uthor" in said[0]
    assert "hush-hush" not in caplog.text
    assert "hush-hush" not in repr(outlet._settings)


@pytest.mark.slow
def test_each_loss_is_said_although_the_last_had_the_same_reason(
    broker: Any, outlet_on: Any, run_with: Any, caplog: pytest.LogCaptureFixture
) -> None:
    """Another client takes the bike's name: the broker sends the bike away, and at once lets it in again."""
    caplog.set_level(logging.INFO)
    outlet = outlet_on(broker.port)

    def said(words: str) -> int:
        return sum(words in record.getMessage() for record in caplog.records)

    async def connected(times: int) -> None:
        async with asyncio.timeout(10.0):
            while said("is connected") < times:  # noqa: ASYNC110
                await asyncio.sleep(0.02)

    async def body() -> None:
        for times in (1, 2):
            await connected(times)
            async with aiomqtt.Client("127.0.0.1", broker.port, identifier=outlet._identifier):
                pass
        await connected(3)

    run_with(body, outlet.run)
    assert said("Disconnected") == 2

"""Live state and alarms for an MQTT broker. Law: a broker that is slow, wrong or gone costs the rest nothing.

Topics under `sagwise/<bike>/`:
- `availability`: "online" or "offline", retained. The last will says "offline" when the daemon or the bike dies; a
  clean end says it itself, since a will does not fire then.
- `state`: the live state as JSON, retained, at most once a second, and every `STATE_AGAIN_S` if nothing changes.
- `alarms/<rule>` or `alarms/<rule>/<group>`: an alarm's present standing as JSON, retained. One that an earlier run
  left behind is brought back to "normal" when the broker hands it out.
- `events`: each alarm transition as JSON, not retained.

Bounds: of `state` and each alarm only the latest waits; of events the newest `MOST_EVENTS`, the oldest are dropped
and counted. JSON never carries NaN: an unknown number is null.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import math
import re
from collections import deque
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Any

import aiomqtt

from sagwise_daemon.domain.model import AlarmEvent, AlarmState
from sagwise_daemon.domain.pack.profile import RULES
from sagwise_daemon.domain.ports import Live
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.io.clock import wall_time

log = logging.getLogger(__name__)

STATE_EVERY_S = 1.0
STATE_AGAIN_S = 10.0
MOST_EVENTS = 256
FIRST_WAIT_S = 0.5
LONGEST_WAIT_S = 30.0
KEEPALIVE_S = 10  # a broker misses the bike after one and a half of it
CALL_S = 3.0  # with the farewell it stays under the 5 s in which the daemon must end
CONNECT_S = 2.0  # a connection attempt cannot be called off either
FAREWELL_S = 1.0

GROUP = re.compile(r"[1-9][0-9]?")
ONLINE, OFFLINE = "online", "offline"


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """Which broker, and as whom."""

    host: str
    port: int
    username: str | None = None
    password: str | None = field(default=None, repr=False)


class MqttOutlet:
    """One bike on one broker. `offer` returns at once; `run` until cancelled. Both on the event loop's thread.

    events_dropped: transitions that were not told because too many waited.
    """

    def __init__(self, bike: str, settings: MqttSettings, live: Live, wall: Callable[[], WallTime] = wall_time) -> None:
        self.events_dropped = 0
        self._root = f"sagwise/{bike}"
        self._identifier = f"sagwise-{bike}"
        self._settings, self._live, self._wall = settings, live, wall
        self._alarms: dict[str, str] = {}  # every alarm topic of this run and its latest payload
        self._due: dict[str, str] = {}  # those of them that the broker has not got yet
        self._events: deque[str] = deque()
        self._wake = asyncio.Event()
        self._wait_s = FIRST_WAIT_S
        self._told: str | None = None  # why there is no connection, as the log has it

    def offer(self, event: AlarmEvent) -> None:
        """Take one transition."""
        wall = self._wall()
        body = dump({**asdict(event), "unix_s": round(wall.unix_s, 3), "unix_trusted": wall.trusted})
        self._events.append(body)
        while len(self._events) > MOST_EVENTS:
            self._events.popleft()
            self.events_dropped += 1
        self._stand(self._alarm_topic(event.rule, event.group), standing(event))
        self._wake.set()

    async def run(self) -> None:
        """Keep a connection until cancelled; then say "offline" and disconnect."""
        while True:
            try:
                await self._connected()
            except* aiomqtt.MqttError as errors:
                reason = "; ".join(dict.fromkeys(str(error) for error in leaves(errors)))
                if reason != self._told:
                    log.warning("MQTT broker %s:%d: %s", self._settings.host, self._settings.port, reason)
                self._told = reason
            await asyncio.sleep(self._wait_s)
            self._wait_s = min(self._wait_s * 2, LONGEST_WAIT_S)

    async def _connected(self) -> None:
        """One connection; ends with an error of the broker's or by being cancelled."""
        async with self._client() as client:
            log.info("MQTT broker %s:%d is connected", self._settings.host, self._settings.port)
            try:
                await self._availability(client, ONLINE)
                self._wait_s, self._told = FIRST_WAIT_S, None
                self._due = dict(self._alarms)  # the broker may have forgotten them
                self._wake.set()
                await client.subscribe(f"{self._root}/alarms/#", qos=1)
                async with asyncio.TaskGroup() as tasks:
                    tasks.create_task(self._listen(client))
                    tasks.create_task(self._tell_alarms(client))
                    tasks.create_task(self._tell_state(client))
            except asyncio.CancelledError:
                with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                    async with asyncio.timeout(FAREWELL_S):
                        await self._availability(client, OFFLINE)
                raise

    def _client(self) -> aiomqtt.Client:
        client = aiomqtt.Client(
            self._settings.host,
            self._settings.port,
            username=self._settings.username,
            password=self._settings.password,
            identifier=self._identifier,
            will=aiomqtt.Will(f"{self._root}/availability", OFFLINE, qos=1, retain=True),
            keepalive=KEEPALIVE_S,
            timeout=CALL_S,
            max_queued_incoming_messages=MOST_EVENTS,
        )
        client._client.connect_timeout = CONNECT_S
        return client

    async def _availability(self, client: aiomqtt.Client, word: str) -> None:
        await client.publish(f"{self._root}/availability", word, qos=1, retain=True)

    async def _listen(self, client: aiomqtt.Client) -> None:
        """Alarms that an earlier run left on the broker, and the end of the connection, which raises MqttError."""
        async for message in client.messages:
            topic, payload = str(message.topic), message.payload
            alarm = self._alarm_of(topic)
            if message.retain and payload and alarm is not None and topic not in self._alarms:
                self._stand(topic, nothing(*alarm))
                self._wake.set()

    async def _tell_alarms(self, client: aiomqtt.Client) -> None:
        """A payload is struck off only once the broker has it, and unless a newer one took its place."""
        while True:
            await self._wake.wait()
            self._wake.clear()
            while self._due:
                topic, payload = next(iter(self._due.items()))
                await client.publish(topic, payload, qos=1, retain=True)
                if self._due.get(topic) is payload:
                    del self._due[topic]
            while self._events:
                body = self._events[0]
                await client.publish(f"{self._root}/events", body, qos=1)
                if self._events and self._events[0] is body:
                    self._events.popleft()

    async def _tell_state(self, client: aiomqtt.Client) -> None:
        state = self._live.latest()
        while True:
            await client.publish(f"{self._root}/state", dump(asdict(state)), qos=0, retain=True)
            await asyncio.sleep(STATE_EVERY_S)
            state = await self._live.changed(state.sequence, STATE_AGAIN_S - STATE_EVERY_S)

    def _stand(self, topic: str, payload: str) -> None:
        self._alarms[topic] = payload
        self._due.pop(topic, None)
        self._due[topic] = payload

    def _alarm_topic(self, rule: str, group: int | None) -> str:
        return f"{self._root}/alarms/{rule}" if group is None else f"{self._root}/alarms/{rule}/{group}"

    def _alarm_of(self, topic: str) -> tuple[str, int | None] | None:
        """Rule and group of a topic of ours; None for any other, so that a broker cannot make us keep much."""
        rule, _, group = topic.removeprefix(f"{self._root}/alarms/").partition("/")
        if rule not in RULES:
            return None
        if not group:
            return rule, None
        return (rule, int(group)) if GROUP.fullmatch(group) else None


def standing(event: AlarmEvent) -> str:
    """The alarm's standing after this transition."""
    return dump(
        {
            "rule": event.rule,
            "group": event.group,
            "state": event.to,
            "priority": event.priority,
            "value": event.value,
            "limit": event.limit,
            "unit": event.unit,
            "basis": event.basis,
        }
    )


def nothing(rule: str, group: int | None) -> str:
    """The standing of an alarm that this run knows nothing of."""
    words = dict.fromkeys(("priority", "value", "limit", "unit", "basis"))
    return dump({"rule": rule, "group": group, "state": AlarmState.NORMAL, **words})


def dump(value: Any) -> str:
    """JSON on one line; numbers that are not finite become null."""
    return json.dumps(finite(value), allow_nan=False, separators=(",", ":"))


def finite(value: Any) -> Any:
    """The value with None for every NaN and infinity in it."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: finite(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [finite(entry) for entry in value]
    return value


def leaves(errors: BaseExceptionGroup[Any]) -> list[BaseException]:
    """The plain exceptions in a group of groups."""
    found: list[BaseException] = []
    for error in errors.exceptions:
        found += leaves(error) if isinstance(error, BaseExceptionGroup) else [error]
    return found

"""A live state and alarm events to tell. Run as a program (`fakes.py PORT`) it is a daemon's MQTT part alone, for the
test that kills it."""

from __future__ import annotations

import asyncio
import contextlib
import sys
from dataclasses import replace

from sagwise_daemon.domain.model import AlarmEvent, AlarmState, AlarmView, Basis, Priority
from sagwise_daemon.domain.ports import LiveState
from sagwise_daemon.io.mqtt import MqttOutlet, MqttSettings

VIEW = AlarmView(
    "rest_low", 7, AlarmState.UNACKNOWLEDGED, Priority.HIGH, float("nan"), 3.3, "V", Basis.REST, since_s=12.0
)
STATE = LiveState(
    sequence=1,
    bike="otter",
    pack="Otter 16s5p",
    link="up",
    age_s=0.05,
    time_s=12.5,
    loaded_v=(3.5, None),
    rest_v=(3.6, float("nan")),
    rest_sigma_v=(0.01, None),
    resistance_mohm=(3.0, None),
    soc=(0.5, float("inf")),
    unknown=(None, "settling: 10 s of rest needed"),
    current_a=40.0,
    temperature_c=(25.0,),
    distance_m=None,
    rest_limit_v=3.3,
    floor_v=2.8,
    full_v=4.2,
    alarms=(VIEW,),
    sound="high",
    ride_id=3,
    notice=None,
)


class FakeLive:
    """Implements `domain.ports.Live`; `move` makes a new moment."""

    def __init__(self) -> None:
        self._state = STATE
        self._moved = asyncio.Event()

    def move(self) -> None:
        self._state = replace(self._state, sequence=self._state.sequence + 1)
        self._moved.set()

    def latest(self) -> LiveState:
        return self._state

    async def changed(self, sequence: int, timeout_s: float) -> LiveState:
        if self._state.sequence <= sequence:
            self._moved.clear()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._moved.wait(), timeout_s)
        return self._state


def event(rule: str = "rest_low", group: int | None = 7, to: AlarmState = AlarmState.UNACKNOWLEDGED) -> AlarmEvent:
    return AlarmEvent(12.5, rule, group, to, Priority.HIGH, 3.28, 3.3, "V", Basis.REST)


async def main(port: int) -> None:
    outlet = MqttOutlet("otter", MqttSettings("127.0.0.1", port), FakeLive())
    outlet.offer(event())
    await outlet.run()


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1])))

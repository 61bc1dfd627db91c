"""Link, intake and voice against the simulated board on its own pseudo-terminal: the wire's both ends together."""

from __future__ import annotations

import asyncio
import itertools
import time
from pathlib import Path

import pytest

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.host import HostVoice, fallback_limits
from sagwise_daemon.domain.intake import Intake, Taken
from sagwise_daemon.domain.model import Pack, Reading
from sagwise_daemon.io.serial_link import SerialLink
from sagwise_protocol import Decoder, Frame, Pattern, Status
from sagwise_sim import PtyPort, build, load


class Host:
    """The host's side, put together as the daemon does it, with everything noted down."""

    def __init__(self, device: str, pack: Pack) -> None:
        self.intake = Intake(pack)
        self.voice = HostVoice(0xC0FFEE, 50.0, fallback_limits(pack))
        self.link = SerialLink(device, 115_200, self._bytes, self._up, lambda reason: None)
        self.readings: list[Reading] = []
        self.taken: list[Taken] = []
        self.statuses: list[Status] = []
        self._decoder = Decoder()

    def _up(self) -> None:
        self._decoder = Decoder()
        self.intake.opened()
        self.link.send(self.voice.opened(time.monotonic()))

    def _bytes(self, data: bytes, now_s: float) -> None:
        for event in self._decoder.feed(data):
            taken = self.intake.take(event, now_s)
            self.taken.append(taken)
            self.readings += taken.readings
            if isinstance(event, Frame):
                self._frame(event, taken, now_s)

    def _frame(self, frame: Frame, taken: Taken, now_s: float) -> None:
        self.voice.heard(frame.stamp)
        if isinstance(frame.message, Status):
            self.statuses.append(frame.message)
        if taken.hello is not None:
            self.link.send(self.voice.hello(frame.stamp, taken.hello, now_s))
        for order in taken.to_send:
            self.link.send(self.voice.say(order.message, now_s, order.board_id))

    def sound(self, pattern: Pattern, event_id: int) -> None:
        self.link.send(self.voice.sound(pattern, event_id, time.monotonic()))

    async def run(self) -> None:
        link = asyncio.ensure_future(self.link.run())
        try:
            while not link.done():
                self.link.send(self.voice.tick(time.monotonic()))
                await asyncio.sleep(0.05)
        finally:
            link.cancel()
            await asyncio.gather(link, return_exceptions=True)


@pytest.mark.slow
def test_a_ride_over_the_wire_with_alarm_button_and_unplugging(tmp_path: Path) -> None:
    simulation = build(load("otter_hills"))
    port = PtyPort(simulation.board, tmp_path / "board", 1.0)
    host = Host(str(tmp_path / "board"), built_in_pack("otter")[1])
    port.start()
    try:
        asyncio.run(ride(host, port, simulation))
    finally:
        port.stop()
    times = [reading.time_s for reading in host.readings]
    assert all(later > earlier for earlier, later in itertools.pairwise(times))
    assert {reading.group_v.shape for reading in host.readings} == {(16,)}
    assert host.intake.counts.twins == host.intake.counts.old == 0


async def ride(host: Host, port: PtyPort, simulation: object) -> None:
    board = simulation.board  # type: ignore[attr-defined]
    running = asyncio.ensure_future(host.run())
    await until(lambda: len(host.readings) > 50)
    assert any(taken.hello is not None for taken in host.taken)
    host.sound(Pattern.HIGH, 7)
    await until(lambda: board.buzzer == Pattern.HIGH)
    await asyncio.sleep(3.0)  # longer than the pattern lives unless renewed
    assert board.buzzer == Pattern.HIGH and board.told[-1].event_id == 7
    host.sound(Pattern.SILENT, 7)
    await until(lambda: board.buzzer == Pattern.SILENT)
    board.press()
    await until(lambda: any(taken.presses for taken in host.taken))
    await asyncio.sleep(0.3)
    assert sum(len(taken.presses) for taken in host.taken) == 1
    seconds = host.readings[-1].time_s - host.readings[-51].time_s
    assert seconds == pytest.approx(50 / 50.0, rel=0.1)  # the rate that was asked for
    for _ in range(3):
        port.unplug()
        await until(lambda: not host.link.up)
        count = len(host.readings)
        port.replug()
        await until(lambda count=count: len(host.readings) > count + 10)
    assert not any(status.host_silent for status in host.statuses[2:])
    assert host.intake.notice(time.monotonic()) is None
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def until(done: object, seconds: float = 8.0) -> None:
    async with asyncio.timeout(seconds):
        while not done():  # type: ignore[operator]  # noqa: ASYNC110
            await asyncio.sleep(0.01)

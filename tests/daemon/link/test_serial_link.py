"""The serial link over a real pseudo-terminal opened by pyserial. Holds the law of `io/serial_link.py`."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
import termios
import time
from typing import Any

import pytest
import serial

from sagwise_daemon.io import serial_link
from sagwise_daemon.io.serial_link import LARGEST_BACKLOG_BYTES, SerialLink, TtyPort


def test_bytes_pass_both_ways_unchanged(plug: Any, watch: Any, run_linked: Any) -> None:
    """Every byte value: no echo, no line discipline, no newline translation."""
    watched, every = watch(), bytes(range(256)) * 4

    async def body() -> None:
        plug.plug()
        await watched.until(lambda: watched.ups == 1)
        before = time.monotonic()
        plug.write(every)
        await watched.until(lambda: len(watched.heard) == len(every))
        assert watched.heard == every
        assert before <= watched.stamps[0] <= time.monotonic()
        watched.link.send(every)
        got = b""
        for _ in range(100):
            got += plug.read()
            await asyncio.sleep(0.002)
        assert got == every
        assert watched.link.dropped == 0

    run_linked(watched, body)


@pytest.mark.slow
def test_a_device_that_is_missing_at_the_start_is_awaited(plug: Any, watch: Any, run_linked: Any) -> None:
    watched = watch()

    async def body() -> None:
        await watched.until(lambda: len(watched.downs) == 1)
        await asyncio.sleep(0.5)
        assert len(watched.downs) == 1 and "No such file" in watched.downs[0]
        assert not watched.link.up
        plug.plug()
        await watched.until(lambda: watched.ups == 1)
        assert watched.link.up

    run_linked(watched, body)


@pytest.mark.slow
def test_unplugging_and_replugging_is_survived(plug: Any, watch: Any, run_linked: Any, descriptors: Any) -> None:
    """Each life carries bytes both ways; no descriptor is left of any of them."""
    cycles(plug, watch(), run_linked, descriptors, 5)


@pytest.mark.slow
def test_fifty_unplugs_make_fifty_reconnections(
    plug: Any, watch: Any, run_linked: Any, descriptors: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    cpu_s = cycles(plug, watch(), run_linked, descriptors, 50)
    with capsys.disabled():
        print(f"\n50 unplugs: {cpu_s * 1000:.0f} ms of CPU in all")


def cycles(plug: Any, watched: Any, run_linked: Any, descriptors: Any, count: int) -> float:
    spent: list[float] = []

    async def body() -> None:
        plug.plug()
        await watched.until(lambda: watched.ups == 1)
        held, began = descriptors(), time.process_time()
        for cycle in range(count):
            plug.write(b"board")
            await watched.until(lambda cycle=cycle: len(watched.heard) == 5 * (cycle + 1))
            watched.link.send(b"host")
            await asyncio.sleep(0.01)
            assert plug.read() == b"host"
            plug.unplug()
            await watched.until(lambda cycle=cycle: len(watched.downs) > cycle and not watched.link.up)
            plug.plug()
            await watched.until(lambda cycle=cycle: watched.ups == cycle + 2)
        spent.append(time.process_time() - began)
        assert watched.ups == count + 1
        assert descriptors() == held

    before = descriptors()
    run_linked(watched, body)
    plug.unplug()
    assert descriptors() == before
    # Measured: about 5 ms a cycle with this test's own polling; a spinning reader takes the whole 100 ms of it.
    assert spent[0] < 0.04 * count
    return spent[0]


@pytest.mark.slow
def test_neither_a_dead_nor_an_idle_port_takes_cpu(plug: Any, watch: Any, run_linked: Any) -> None:
    watched = watch()

    async def body() -> None:
        plug.plug()
        await watched.until(lambda: watched.ups == 1)
        for unplugged in (False, True):
            if unplugged:
                plug.unplug()
                await watched.until(lambda: not watched.link.up)
            began = time.process_time()
            await asyncio.sleep(1.0)
            assert time.process_time() - began < 0.05

    run_linked(watched, body)


def test_waits_double_to_two_seconds_and_bytes_start_them_anew(
    plug: Any, watched_with: Any, run_linked: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    waits: list[float] = []
    sleep = asyncio.sleep

    async def noted(seconds: float) -> None:
        waits.append(seconds)
        await sleep(0)

    watched = watched_with(lambda *calls: SerialLink(str(plug.name), 115_200, *calls))
    monkeypatch.setattr(serial_link.asyncio, "sleep", noted)

    async def body() -> None:
        while len(waits) < 8:
            await sleep(0.001)
        assert waits[:8] == [0.1, 0.2, 0.4, 0.8, 1.6, 2.0, 2.0, 2.0]
        plug.plug()
        while watched.ups < 1:
            await sleep(0.001)
        plug.write(b"x")
        while not watched.heard:
            await sleep(0.001)
        waits.clear()
        plug.unplug()
        while len(waits) < 2:
            await sleep(0.001)
        assert waits[:2] == [0.1, 0.2]

    run_linked(watched, body)


class Ailing:
    """A port that is readable and then fails in one of the ways seen on real adapters."""

    def __init__(self, fault: bytes | Exception) -> None:
        self._near, self._far = socket.socketpair()
        self._far.send(b"x")
        self._fault = fault
        self.closed = 0

    def fileno(self) -> int:
        return self._near.fileno()

    def read(self) -> bytes:
        if isinstance(self._fault, bytes):
            return self._fault
        raise self._fault

    def write(self, data: bytes) -> int:
        return len(data)

    def close(self) -> None:
        self.closed += 1
        self._near.close()
        self._far.close()


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (b"", "the device is gone"),
        (OSError(5, "Input/output error"), "Input/output error"),
        (serial.SerialException("device reports readiness to read"), "device reports readiness to read"),
        (termios.error(5, "Input/output error"), "Input/output error"),
    ],
    ids=["empty read", "OSError", "SerialException", "termios.error"],
)
def test_the_four_ways_of_being_unplugged(
    fault: bytes | Exception, words: str, watched_with: Any, run_linked: Any, descriptors: Any
) -> None:
    ports: list[Ailing] = []

    def open_port(device: str, baud: int) -> Ailing:
        ports.append(Ailing(fault))
        return ports[-1]

    watched = watched_with(lambda *calls: SerialLink("x", 9600, *calls, open_port=open_port))

    async def body() -> None:
        await watched.until(lambda: watched.ups == 2)
        assert watched.downs[0] == words
        assert ports[0].closed == 1

    before = descriptors()
    run_linked(watched, body)
    assert [port.closed for port in ports] == [1] * len(ports)
    assert descriptors() == before


@pytest.mark.parametrize("error", [ValueError("no such rate"), OverflowError("too fast"), termios.error(25, "no tty")])
def test_a_port_that_cannot_be_opened_is_a_reason_and_no_crash(
    error: Exception, watched_with: Any, run_linked: Any
) -> None:
    def open_port(device: str, baud: int) -> Any:
        raise error

    watched = watched_with(lambda *calls: SerialLink("x", 9600, *calls, open_port=open_port))

    async def body() -> None:
        await watched.until(lambda: bool(watched.downs))
        (said,) = watched.downs
        assert said.startswith("x cannot be opened (") and "serial.device" in said
        assert str(error.args[-1]) in said or "no serial port" in said

    run_linked(watched, body)


@pytest.mark.parametrize(
    ("number", "remedy"),
    [(errno.EACCES, "dialout"), (errno.EAGAIN, "another program uses it"), (errno.ENOENT, "plug the board in")],
)
def test_what_keeps_a_port_shut_is_said_with_the_remedy(
    number: int, remedy: str, watched_with: Any, run_linked: Any
) -> None:
    def open_port(device: str, baud: int) -> Any:
        raise serial.SerialException(number, f"could not open port {device}")

    watched = watched_with(lambda *calls: SerialLink("/dev/ttyACM0", 9600, *calls, open_port=open_port))

    async def body() -> None:
        await watched.until(lambda: bool(watched.downs))
        (said,) = watched.downs
        assert said.startswith(f"/dev/ttyACM0 cannot be opened ({os.strerror(number)}); ") and remedy in said

    run_linked(watched, body)


def test_a_file_that_is_no_port_is_said(tmp_path: Any, watched_with: Any, run_linked: Any) -> None:
    (tmp_path / "file").write_text("x")
    watched = watched_with(lambda *calls: SerialLink(str(tmp_path / "file"), 115_200, *calls))

    async def body() -> None:
        await watched.until(lambda: bool(watched.downs))
        assert "Inappropriate ioctl" in watched.downs[0] and "it is no serial port" in watched.downs[0]

    run_linked(watched, body)


def test_a_second_program_cannot_share_the_port(plug: Any, watch: Any, run_linked: Any) -> None:
    watched = watch()

    async def body() -> None:
        plug.plug()
        await watched.until(lambda: watched.ups == 1)
        with pytest.raises(serial.SerialException, match="lock"):
            TtyPort(str(plug.name), 115_200)

    run_linked(watched, body)


@pytest.mark.slow
def test_a_board_that_does_not_drain_costs_the_oldest_messages_whole(plug: Any, watch: Any, run_linked: Any) -> None:
    """The loop goes on, the backlog is bounded; what arrives later is whole messages, the newest among them."""
    watched = watch()
    messages = [f"<{n:06d}>".encode() * 8 for n in range(3000)]

    async def body() -> None:
        plug.plug()
        await watched.until(lambda: watched.ups == 1)
        began = time.process_time()
        for message in messages:
            watched.link.send(message)
            assert watched.link._backlog_bytes <= LARGEST_BACKLOG_BYTES + 2 * len(message)
        await asyncio.sleep(0.5)
        assert time.process_time() - began < 0.3
        assert watched.link.dropped > 1000
        heard = b""
        for _ in range(100):
            heard += plug.read()
            await asyncio.sleep(0.002)
        size = len(messages[0])
        whole = [heard[at : at + size] for at in range(0, len(heard), size)]
        assert set(whole) <= set(messages)
        assert whole == sorted(whole)
        assert whole[-1] == messages[-1]
        assert len(whole) + watched.link.dropped == len(messages)

    run_linked(watched, body)


def test_what_is_sent_while_the_port_is_away_is_dropped_and_counted(watch: Any) -> None:
    watched = watch()
    watched.link.send(b"nobody there")
    assert watched.link.dropped == 1


def test_nothing_sent_to_one_life_leaks_into_the_next(plug: Any, watch: Any, run_linked: Any) -> None:
    watched = watch()

    async def body() -> None:
        plug.plug()
        await watched.until(lambda: watched.ups == 1)
        for _ in range(500):
            watched.link.send(b"old" * 40)
        plug.unplug()
        await watched.until(lambda: not watched.link.up)
        plug.plug()
        await watched.until(lambda: watched.ups == 2)
        watched.link.send(b"new")
        await asyncio.sleep(0.05)
        assert plug.read() == b"new"

    run_linked(watched, body)


def test_cancelling_while_the_port_opens_closes_it(descriptors: Any) -> None:
    ports: list[Ailing] = []

    def slow(device: str, baud: int) -> Ailing:
        time.sleep(0.2)
        ports.append(Ailing(b""))
        return ports[-1]

    async def body() -> None:
        link = SerialLink("x", 9600, lambda *_: None, lambda: None, lambda _: None, open_port=slow)
        task = asyncio.create_task(link.run())
        await asyncio.sleep(0.05)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await asyncio.sleep(0.3)
        assert [port.closed for port in ports] == [1]

    before = descriptors()
    asyncio.run(body())
    assert descriptors() == before


def test_a_callback_that_fails_takes_the_link_not_down(plug: Any, run_linked: Any, watched_with: Any) -> None:
    calls: list[bytes] = []

    def fails(data: bytes, monotonic_s: float) -> None:
        calls.append(data)
        raise RuntimeError("somebody else's fault")

    watched = watched_with(lambda _, up, down: SerialLink(str(plug.name), 115_200, fails, up, down))

    async def body() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda *_: None)
        plug.plug()
        await watched.until(lambda: watched.ups == 1)
        for n in range(3):
            plug.write(b"x")
            await watched.until(lambda n=n: len(calls) == n + 1)
        assert watched.link.up and not watched.downs

    run_linked(watched, body)


def test_the_port_is_closed_when_the_link_is_cancelled(plug: Any, watch: Any, run_linked: Any) -> None:
    watched = watch()

    async def body() -> None:
        plug.plug()
        await watched.until(lambda: watched.ups == 1)

    run_linked(watched, body)
    assert not watched.link.up
    TtyPort(str(plug.name), 115_200).close()  # would raise while the link holds the lock

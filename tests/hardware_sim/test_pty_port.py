"""The pseudo-terminal, opened by pyserial as the daemon opens it. Law: waits end on what is seen, never on luck."""

from __future__ import annotations

import itertools
import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from sagwise_protocol import (
    AlarmPattern,
    BoardHello,
    Decoder,
    Frame,
    HostHello,
    Pattern,
    Rejected,
    Sample,
    Stamp,
    encode,
)
from sagwise_sim.pty_port import PtyPort
from sagwise_sim.simulation import Simulation

WAIT_S = 20.0
GREETING = encode(HostHello(1, 1, "test"), Stamp(0, 1, 0, 0))


@pytest.fixture
def open_port(make_simulation: Callable[..., Simulation], tmp_path: Path) -> Iterator[Callable[..., Any]]:
    ports: list[PtyPort] = []

    def make(**options: Any) -> tuple[Simulation, PtyPort]:
        tables = options.pop("tables", {})
        simulation = make_simulation(**tables)
        port = PtyPort(simulation.board, tmp_path / "board", **options)
        ports.append(port)
        port.start()
        return simulation, port

    yield make
    for port in ports:
        port.stop()
        assert port.failure is None


def until(condition: Callable[[], Any]) -> Any:
    end = time.monotonic() + WAIT_S
    while time.monotonic() < end:
        if got := condition():
            return got
        time.sleep(0.005)
    raise AssertionError("it did not happen")


class Listener:
    """A host on pyserial."""

    def __init__(self, device: str) -> None:
        self.line = serial.Serial(device, 115200, timeout=0.05)
        self.events: list[Frame | Rejected] = []
        self._decoder = Decoder()

    def read(self) -> list[Frame | Rejected]:
        self.events += self._decoder.feed(self.line.read(max(1, self.line.in_waiting)))
        return self.events

    def of(self, kind: type) -> list[Frame]:
        return [e for e in self.read() if isinstance(e, Frame) and isinstance(e.message, kind)]


def fds() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def test_a_real_serial_port_carries_the_exchange_both_ways(open_port: Callable[..., Any]) -> None:
    simulation, port = open_port()
    host = Listener(port.device)
    host.line.write(GREETING)
    host.line.write(encode(AlarmPattern(Pattern.HIGH, 5000, 77), Stamp(0, 1, 0, 1)))
    assert until(lambda: host.of(BoardHello))
    assert until(lambda: len(host.of(Sample)) > 5)
    assert until(lambda: simulation.board.buzzer == Pattern.HIGH)
    assert simulation.board.told[-1].event_id == 77
    # No echo: what the host wrote never comes back, and no frame is spoilt after the first whole one.
    first = next(at for at, event in enumerate(host.events) if isinstance(event, Frame))
    assert not [event for event in host.events[first:] if isinstance(event, Rejected)]
    host.line.close()


@pytest.mark.slow
def test_board_time_is_real_time_times_speed(open_port: Callable[..., Any]) -> None:
    simulation, port = open_port(speed=8.0)
    host = Listener(port.device)
    until(lambda: len(host.of(Sample)) > 3)
    began, at = time.monotonic(), simulation.board.uptime_us
    while time.monotonic() - began < 1.0:
        host.read()
    ratio = (simulation.board.uptime_us - at) / 1e6 / (time.monotonic() - began)
    assert ratio == pytest.approx(8.0, rel=0.15)
    ups = [frame.stamp.uptime_us for frame in host.of(Sample)]
    assert {b - a for a, b in itertools.pairwise(ups)} == {50_000}
    host.line.close()


@pytest.mark.slow
def test_nobody_reading_costs_old_bytes_and_no_memory(open_port: Callable[..., Any]) -> None:
    simulation, port = open_port(speed=50.0)
    until(lambda: port.bytes_dropped > 10_000)
    assert port.unread < 20_000
    host = Listener(port.device)
    began_us = simulation.board.uptime_us
    host.line.write(GREETING)
    assert until(lambda: any(frame.stamp.uptime_us >= began_us for frame in host.of(BoardHello)))
    oldest = min(frame.stamp.uptime_us for frame in host.of(Sample))
    assert began_us - oldest < 15e6  # a buffer's worth, not the minutes before
    assert until(lambda: simulation.board._samples_dropped > 50)
    host.line.close()


@pytest.mark.slow
def test_an_unplugged_host_gets_an_error_and_finds_the_board_again(open_port: Callable[..., Any]) -> None:
    simulation, port = open_port()
    host = Listener(port.device)
    boot = until(lambda: host.of(Sample))[-1].stamp.boot_id
    port.unplug()
    with pytest.raises((serial.SerialException, OSError)):
        for _ in range(100):
            host.read()
    host.line.close()
    assert not os.path.lexists(port.device)
    assert not port.plugged
    port.replug()
    again = Listener(port.device)
    assert until(lambda: again.of(Sample))[-1].stamp.boot_id == boot
    assert simulation.board.boots == 1
    again.line.close()


@pytest.mark.slow
def test_fifty_unpluggings_leak_no_descriptor(open_port: Callable[..., Any]) -> None:
    _, port = open_port()
    before, threads = fds(), threading.active_count()
    for _ in range(50):
        host = Listener(port.device)
        assert until(lambda host=host: host.of(Sample))
        port.unplug()
        host.line.close()
        port.replug()
    assert fds() == before
    assert threading.active_count() <= threads


@pytest.mark.slow
def test_fault_in_the_scenario_pulls_the_plug_too(open_port: Callable[..., Any]) -> None:
    faults = [{"kind": "unplug", "at_s": 2.0, "for_s": 4.0}]
    simulation, port = open_port(speed=4.0, tables={"fault": faults})
    assert until(lambda: not port.plugged)
    assert not os.path.lexists(port.device)
    assert until(lambda: port.plugged)
    assert Path(port.device).exists()
    assert simulation.board.uptime_us >= 6_000_000


def test_link_is_replaced_in_one_stroke(open_port: Callable[..., Any], tmp_path: Path) -> None:
    (tmp_path / "board").symlink_to("/nonexistent")
    _, port = open_port()
    assert str((tmp_path / "board").readlink()).startswith("/dev/pts/")
    port.stop()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("folder", [True, False])
def test_only_a_link_gives_way_to_the_link(
    make_simulation: Callable[..., Simulation], tmp_path: Path, folder: bool
) -> None:
    place = tmp_path / "rides.sqlite"
    if folder:
        place.mkdir()
    else:
        place.write_text("a year of rides")
    with pytest.raises(FileExistsError, match="no link, so it is left as it is"):
        PtyPort(make_simulation().board, place).start()
    assert place.is_dir() if folder else place.read_text() == "a year of rides"
    assert list(tmp_path.iterdir()) == [place]


def test_another_ones_link_is_left_alone(open_port: Callable[..., Any], tmp_path: Path) -> None:
    _, port = open_port()
    (tmp_path / "board").unlink()
    (tmp_path / "board").symlink_to("/dev/null")
    port.stop()
    assert str((tmp_path / "board").readlink()) == "/dev/null"


@pytest.mark.slow
def test_unplugged_board_does_not_spin(open_port: Callable[..., Any]) -> None:
    _, port = open_port()
    host = Listener(port.device)
    until(lambda: host.of(Sample))
    host.line.close()
    for plugged in (True, False):
        if not plugged:
            port.unplug()
        began = time.process_time()
        time.sleep(1.0)
        assert time.process_time() - began < 0.3


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan")])
def test_speed_must_be_above_zero(make_simulation: Callable[..., Simulation], speed: float) -> None:
    with pytest.raises(ValueError, match=r"speed: .* allowed: above 0"):
        PtyPort(make_simulation().board, speed=speed)


def test_a_link_that_cannot_be_made_leaks_nothing(make_simulation: Callable[..., Simulation], tmp_path: Path) -> None:
    before = fds()
    with pytest.raises(OSError, match="board"):
        PtyPort(make_simulation().board, tmp_path / "none" / "board").start()
    assert fds() == before

"""A host to talk to a simulated board, and small scenarios. Law: the host here speaks only through the codec."""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any

import pytest
from cobs import cobs
from crc32c import crc32c

from sagwise_protocol import Decoder, Frame, HostHello, Message, Rejected, Stamp, encode
from sagwise_protocol.layout import HEADER_BYTES, LAYOUTS
from sagwise_sim.board import Board
from sagwise_sim.scenario import Scenario, parse
from sagwise_sim.simulation import Simulation, build

HOST_BOOT = 0x0051_4321


class Host:
    """Feeds a board and keeps what it says."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.events: list[Frame | Rejected] = []
        self._decoder = Decoder()
        self._sequence = 0

    def say(self, message: Message, board_id: int = 0, flags: int = 0) -> int:
        """Send one message; its sequence."""
        sequence = self._sequence
        self._sequence += 1
        stamp = Stamp(board_id, HOST_BOOT, self.board.now_us, sequence)
        self.board.receive(encode(message, stamp, flags=flags))
        return sequence

    def listen(self, seconds: float) -> list[Frame | Rejected]:
        """Let the board live; what came in that time."""
        new = list(self._decoder.feed(self.board.advance(seconds)))
        self.events += new
        return new

    def of(self, kind: type) -> list[Any]:
        """Messages of one kind, in order."""
        return [e.message for e in self.events if isinstance(e, Frame) and isinstance(e.message, kind)]

    def frames(self, kind: type) -> list[Frame]:
        """Frames of one kind, in order."""
        return [e for e in self.events if isinstance(e, Frame) and isinstance(e.message, kind)]

    def hello(self) -> None:
        """Greet the board."""
        self.say(HostHello(1, 1, "test"))


def scenario_data(**tables: Any) -> dict[str, Any]:
    """A small, quiet scenario as TOML data; `tables` are merged in."""
    data: dict[str, Any] = {
        "scenario": {"title": "test", "seed": 5},
        "pack": {
            "name": "Test 4s2p",
            "chemistry": "nmc",
            "series": 4,
            "parallel": 2,
            "capacity_ah": 4.5,
            "resistance_mohm": 14.0,
            "start_soc": 0.6,
        },
        "bike": {"peak_a": 40.0, "regen_a": 8.0, "nominal_v": 15.0, "mass_kg": 60.0},
        "segment": [{"kind": "cruise", "duration_s": 25.0, "intensity": 0.5}],
    }
    for name, table in tables.items():
        data[name] = (
            {**data.get(name, {}), **table}
            if isinstance(table, dict) and isinstance(data.get(name, {}), dict)
            else table
        )
    return data


@pytest.fixture
def make_scenario() -> Callable[..., Scenario]:
    return lambda **tables: parse("test", scenario_data(**tables))


@pytest.fixture
def make_simulation() -> Callable[..., Simulation]:
    boots = iter(range(1, 1000))
    return lambda **tables: build(parse("test", scenario_data(**tables)), draw_boot_id=lambda: next(boots))


@pytest.fixture
def make_host(make_simulation: Callable[..., Simulation]) -> Callable[..., tuple[Simulation, Host]]:
    def make(**tables: Any) -> tuple[Simulation, Host]:
        simulation = make_simulation(**tables)
        return simulation, Host(simulation.board)

    return make


@pytest.fixture
def forged() -> Callable[..., bytes]:
    """A frame of a host with one field written over, as no codec here would send it; its CRC is right."""

    def forge(message: Message, **field: int) -> bytes:
        ((name, value),) = field.items()
        frame = bytearray(cobs.decode(encode(message, Stamp(0, HOST_BOOT, 0, 0))[:-1])[:-4])
        at, form = (12, "<I") if name == "boot_id" else _place(message, name)
        struct.pack_into(form, frame, at, value)
        return bytes(cobs.encode(bytes(frame) + crc32c(bytes(frame)).to_bytes(4, "little")) + b"\0")

    return forge


def _place(message: Message, name: str) -> tuple[int, str]:
    """Where a field of a message without arrays lies in the frame, and its struct format."""
    layout = next(layout for layout in LAYOUTS if layout.message is type(message))
    (part,) = layout.parts
    codes = part.fixed.format.lstrip("<")
    at = part.names.index(name)
    return HEADER_BYTES + struct.calcsize("<" + codes[:at]), f"<{codes[at]}"


@pytest.fixture
def data() -> Callable[..., dict[str, Any]]:
    return scenario_data


@pytest.fixture
def host_of() -> Callable[[Board], Host]:
    return Host

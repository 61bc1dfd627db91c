"""A board on paper: it numbers its frames as a real one does, and says what it is told to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.intake import Intake
from sagwise_daemon.domain.model import Pack
from sagwise_protocol import BoardHello, Frame, Message, Sample, Stamp

HELLO = BoardHello(1, 1, 1, 16, 2, 31, 500, 10, 10, 1, 1000, 100_000, 20_000, 0, "bench board")


@dataclass
class Board:
    board_id: int = 0xA1
    boot_id: int = 77
    uptime_us: int = 1_000_000
    sequence: int = 0
    sent: list[Frame] = field(default_factory=list)

    def say(self, message: Message, after_us: int = 50_000) -> Frame:
        self.uptime_us += after_us
        frame = Frame(Stamp(self.board_id, self.boot_id, self.uptime_us, self.sequence), message)
        self.sequence = (self.sequence + 1) % 65536
        self.sent.append(frame)
        return frame

    def hello(self, **changes: Any) -> Frame:
        return self.say(replace(HELLO, **changes))

    def sample(self, groups: int = 16, after_us: int = 50_000, **changes: Any) -> Frame:
        whole = Sample((1 << groups) - 1, 3, 3, 12_345, 678, (7400,) * groups, (2512, -150))
        return self.say(replace(whole, **changes), after_us)

    def reboot(self, boot_id: int) -> None:
        self.boot_id, self.uptime_us, self.sequence = boot_id, 100_000, 0


@pytest.fixture
def pack() -> Pack:
    return built_in_pack("otter")[1]


@pytest.fixture
def intake(pack: Pack) -> Intake:
    return Intake(pack)


@pytest.fixture
def make_board() -> Callable[..., Board]:
    return Board


@pytest.fixture
def board() -> Board:
    return Board()

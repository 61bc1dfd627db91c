"""What can go wrong on a bike, one class each. Law: a fault acts through the five hooks of `Fault` and nothing else.

Hooks, all optional: `begin` and `end` once each, `tick` every 50 ms between them, `measure` on each reading, and
`transmit` on the bytes that the board sends. To add a fault, write a class and enter it in `KINDS`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Protocol

import numpy as np

from sagwise_protocol import BoardHelloBootCause, StatusFaults
from sagwise_sim.checks import Key
from sagwise_sim.pack import Pack
from sagwise_sim.sensors import Reading

NO_FAULTS = StatusFaults(0)


@dataclass(frozen=True, slots=True)
class FaultSpec:
    """kind: a name in `KINDS`. It holds from at_s for for_s seconds. values: the kind's own keys."""

    kind: str
    at_s: float
    for_s: float = math.inf
    values: Mapping[str, Any] = field(default_factory=dict)


class BoardControl(Protocol):
    """What a fault may do to the board."""

    plugged: bool

    def reboot(self, cause: BoardHelloBootCause, dark_s: float) -> None:
        """Lose everything volatile and stay silent for `dark_s`."""
        ...


@dataclass(slots=True)
class Rig:
    """What faults get their hands on. `board` is None where a ride is made without one."""

    pack: Pack
    board: BoardControl | None = None
    ill: StatusFaults = NO_FAULTS  # what the board's own checks find


class Fault:
    """Base of all faults: does nothing."""

    kind: ClassVar[str]
    keys: ClassVar[Mapping[str, Key]] = {}
    per_group: ClassVar[bool] = False  # takes `group`

    def __init__(self, spec: FaultSpec, rng: np.random.Generator) -> None:
        self.spec = spec
        self.values = spec.values
        self.rng = rng

    @property
    def group(self) -> int | None:
        """The group it is about, if it is about one."""
        return self.values.get("group")

    def begin(self, rig: Rig) -> None:
        """It starts."""

    def end(self, rig: Rig) -> None:
        """It is over."""

    def tick(self, rig: Rig, since_s: float) -> None:
        """It has lasted `since_s`."""

    def measure(self, reading: Reading) -> None:
        """Spoil a reading in place."""

    def transmit(self, data: bytes) -> bytes:
        """Spoil what the board sends; whole frames come in."""
        return data


class Unplug(Fault):
    """The plug comes out; replugged when it ends. The board keeps its power and its uptime."""

    kind = "unplug"

    def begin(self, rig: Rig) -> None:
        if rig.board:
            rig.board.plugged = False

    def end(self, rig: Rig) -> None:
        if rig.board:
            rig.board.plugged = True


class CorruptBytes(Fault):
    """Each byte on the line is replaced by a random one with this chance."""

    kind = "corrupt_bytes"
    keys: ClassVar[Mapping[str, Key]] = {"chance": Key(float, 0.001, 0.0, 1.0)}

    def transmit(self, data: bytes) -> bytes:
        line = np.frombuffer(data, np.uint8).copy()
        hit = self.rng.random(len(line)) < self.values["chance"]
        line[hit] = self.rng.integers(0, 256, int(hit.sum()), dtype=np.uint8)
        return line.tobytes()


class LostFrames(Fault):
    """Each frame is lost whole with this chance."""

    kind = "lost_frames"
    keys: ClassVar[Mapping[str, Key]] = {"chance": Key(float, 0.1, 0.0, 1.0)}

    def transmit(self, data: bytes) -> bytes:
        frames = data.split(b"\0")[:-1]
        return b"".join(frame + b"\0" for frame in frames if self.rng.random() >= self.values["chance"])


class Reboot(Fault):
    """The board boots anew when it starts, and again every `every_s` while it lasts (0: only once)."""

    kind = "reboot"
    keys: ClassVar[Mapping[str, Key]] = {
        "every_s": Key(float, 0.0, 0.0, 86400.0),
        "dark_s": Key(float, 0.8, 0.0, 60.0),
        "cause": Key(str, "brownout", choices=("power", "watchdog", "reset", "brownout", "unknown")),
    }

    def begin(self, rig: Rig) -> None:
        self._times = 0
        self._boot(rig)

    def tick(self, rig: Rig, since_s: float) -> None:
        every = self.values["every_s"]
        if every > 0.0 and since_s >= self._times * every:
            self._boot(rig)

    def _boot(self, rig: Rig) -> None:
        self._times += 1
        if rig.board:
            rig.board.reboot(BoardHelloBootCause[self.values["cause"].upper()], self.values["dark_s"])


class BrokenLead(Fault):
    """The sense lead between `group` and the next one is open.

    The tap floats: the two groups share their true sum in a drifting share, so they move in opposite directions,
    and vibration makes contact for a moment now and then.
    """

    kind = "broken_lead"
    keys: ClassVar[Mapping[str, Key]] = {"drift_v": Key(float, 0.6, 0.01, 4.0)}
    per_group = True

    def begin(self, rig: Rig) -> None:
        self._shift = 0.0
        self._towards = self.rng.choice((-1.0, 1.0))

    def measure(self, reading: Reading) -> None:
        size = self.values["drift_v"]
        self._shift += 0.02 * (self._towards * size - self._shift) + 0.05 * size * self.rng.standard_normal()
        if self.rng.random() < 0.01:
            self._shift = 0.0
        if self.rng.random() < 0.01:
            self._towards = -self._towards
        lower = self.values["group"] - 1
        reading.group_v[lower] += self._shift
        reading.group_v[lower + 1] -= self._shift


class CrossedLeads(Fault):
    """The two sense leads of `group` are swapped, so that it reads below zero and its neighbours read sums."""

    kind = "crossed_leads"
    per_group = True

    def measure(self, reading: Reading) -> None:
        taps = np.concatenate(([0.0], np.cumsum(reading.group_v)))
        upper = self.values["group"]
        taps[[upper - 1, upper]] = taps[[upper, upper - 1]]
        reading.group_v[:] = np.diff(taps)


class StuckReading(Fault):
    """The converter repeats the last value of `group` for ever, to the last digit."""

    kind = "stuck_reading"
    per_group = True

    def begin(self, rig: Rig) -> None:
        self._held = math.nan

    def measure(self, reading: Reading) -> None:
        at = self.values["group"] - 1
        if math.isnan(self._held):
            self._held = float(reading.group_v[at])
        reading.group_v[at] = self._held


class WeakGroup(Fault):
    """`group` has lost capacity, gained resistance, or both, as when one of its cells drops out. It stays so."""

    kind = "weak_group"
    keys: ClassVar[Mapping[str, Key]] = {
        "capacity": Key(float, 1.0, 0.05, 1.0),
        "resistance": Key(float, 1.0, 1.0, 20.0),
    }
    per_group = True

    def begin(self, rig: Rig) -> None:
        rig.pack.scale_group(self.values["group"], self.values["capacity"], self.values["resistance"])


class RisingJoint(Fault):
    """The joint of `group` gains `mohm` steadily over `over_s`, as a weld that lets go. It stays so."""

    kind = "rising_joint"
    keys: ClassVar[Mapping[str, Key]] = {
        "mohm": Key(float, low=0.01, high=100.0),
        "over_s": Key(float, 60.0, 0.05, 86400.0),
    }
    per_group = True

    def begin(self, rig: Rig) -> None:
        self._sound_ohm = float(rig.pack.groups.joint_ohm[self.values["group"] - 1])

    def tick(self, rig: Rig, since_s: float) -> None:
        gained = self.values["mohm"] * 1e-3 * min(since_s / self.values["over_s"], 1.0)
        rig.pack.groups.joint_ohm[self.values["group"] - 1] = self._sound_ohm + gained


class CurrentOffset(Fault):
    """The current sensor reads `amperes` too much."""

    kind = "current_offset"
    keys: ClassVar[Mapping[str, Key]] = {"amperes": Key(float, low=-1000.0, high=1000.0)}

    def measure(self, reading: Reading) -> None:
        reading.current_a += self.values["amperes"]


class NoCurrentSensor(Fault):
    """The current sensor falls silent; the board sees that and says so. Not fitted at all: `sensors.current`."""

    kind = "no_current_sensor"

    def begin(self, rig: Rig) -> None:
        rig.ill |= StatusFaults.CURRENT_SENSOR

    def end(self, rig: Rig) -> None:
        rig.ill &= ~StatusFaults.CURRENT_SENSOR

    def measure(self, reading: Reading) -> None:
        reading.current_a = math.nan


KINDS: Mapping[str, type[Fault]] = {
    fault.kind: fault
    for fault in (
        Unplug,
        CorruptBytes,
        LostFrames,
        Reboot,
        BrokenLead,
        CrossedLeads,
        StuckReading,
        WeakGroup,
        RisingJoint,
        CurrentOffset,
        NoCurrentSensor,
    )
}


@dataclass(frozen=True, slots=True)
class FaultMark:
    """A fault that came or went, on the simulation's clock."""

    at_s: float
    kind: str
    group: int | None
    what: str  # "begin" or "end"


class Schedule:
    """Starts, ticks and ends faults by the simulation's clock. `marks` keeps what happened."""

    def __init__(self, specs: tuple[FaultSpec, ...], seed: int) -> None:
        streams = np.random.SeedSequence((seed, 0xFA17)).spawn(len(specs))
        self._waiting = [
            KINDS[spec.kind](spec, np.random.default_rng(stream)) for spec, stream in zip(specs, streams, strict=True)
        ]
        self._waiting.sort(key=lambda fault: fault.spec.at_s)
        self._active: list[Fault] = []
        self.marks: list[FaultMark] = []

    def tick(self, rig: Rig, now_s: float) -> None:
        """Bring every fault to `now_s`."""
        while self._waiting and self._waiting[0].spec.at_s <= now_s:
            fault = self._waiting.pop(0)
            fault.begin(rig)
            self._active.append(fault)
            self._mark(now_s, fault, "begin")
        for fault in list(self._active):
            since_s = now_s - fault.spec.at_s
            if since_s < fault.spec.for_s:
                fault.tick(rig, since_s)
                continue
            self._active.remove(fault)
            fault.end(rig)
            self._mark(now_s, fault, "end")

    def measure(self, reading: Reading) -> None:
        """Let every active fault spoil the reading, the earliest first."""
        for fault in self._active:
            fault.measure(reading)

    def transmit(self, data: bytes) -> bytes:
        """Let every active fault spoil the line."""
        for fault in self._active:
            data = fault.transmit(data)
        return data

    def _mark(self, now_s: float, fault: Fault, what: str) -> None:
        self.marks.append(FaultMark(now_s, fault.kind, fault.group, what))

"""The board: bytes in, bytes out, no I/O. Law: everything it supervises runs on its own uptime.

The one who plays it calls `receive` with what the host sent and `advance` with the time that passed, and sends on
what `advance` returns. It samples a `Source`, says hello, tells its status, repeats button presses, plays alarm
patterns for their time to live, and sounds its own alarm on measured voltage when the host is silent.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from sagwise_protocol import (
    DELIMITER,
    AlarmPattern,
    BoardHello,
    BoardHelloBootCause,
    BoardHelloFeatures,
    BoardRefusal,
    Button,
    ButtonKind,
    Decoder,
    FallbackLimits,
    Frame,
    Heartbeat,
    HostHello,
    HostRefusal,
    Message,
    Pattern,
    RefusalReason,
    Rejected,
    RejectReason,
    Sample,
    SetRate,
    Stamp,
    Status,
    StatusFaults,
    encode,
)
from sagwise_protocol.layout import LAYOUTS, PROTOCOL_VERSION
from sagwise_sim.fallback import FallbackAlarm
from sagwise_sim.scenario import BoardSpec

HELLO_EVERY_US = 10_000_000
STATUS_EVERY_US = 1_000_000
PRESS_TIMES, PRESS_GAP_US = 3, 50_000
STATUS_GAP_US = 100_000  # between two status frames, whatever happens
REFUSALS_A_SECOND = 5

_HOST_LAYOUTS = {layout.number: layout for layout in LAYOUTS if not layout.from_board}
_FIRST_HOST_TYPE = 0x40
_NUMBERS = {layout.message: layout.number for layout in LAYOUTS}
_HIGHEST_500UV = 12_000  # of fallback_limits
_HIGHEST_TOLD = 2**31 - 1  # what a refusal can state
_REASONS = {
    RejectReason.UNKNOWN_TYPE: RefusalReason.UNKNOWN_TYPE,
    RejectReason.MUST_UNDERSTAND: RefusalReason.NOT_SUPPORTED,
    RejectReason.VERSION: RefusalReason.VERSION,
    RejectReason.LENGTH: RefusalReason.MALFORMED,
    RejectReason.MALFORMED: RefusalReason.MALFORMED,
    RejectReason.OUT_OF_RANGE: RefusalReason.OUT_OF_RANGE,
}


@dataclass(frozen=True, slots=True)
class Ability:
    """What the board can do, as its hello tells it; steps and rates in the hello's units.

    fallback: the limits its builder compiled in, for the cells it is built for; None: it has no alarm of its own.
    """

    groups: int
    temperatures: int
    features: BoardHelloFeatures
    voltage_step_uv: int
    current_step_ma: int
    temperature_step_centi_c: int
    distance_step_cm: int
    rate_min_mhz: int
    rate_max_mhz: int
    fallback: FallbackLimits | None


class Source(Protocol):
    """Where samples come from. All times are microseconds since the simulation began, not since boot."""

    rate_mhz: int

    @property
    def ability(self) -> Ability: ...

    @property
    def ill(self) -> StatusFaults:
        """Sensor faults that the board notices."""
        ...

    def next_us(self, after_us: int) -> int | None:
        """When the first sample after a moment is due; None: no more."""
        ...

    def advance_to(self, at_us: int) -> None: ...

    def sample(self) -> Sample:
        """Of the moment last advanced to."""
        ...

    def set_rate(self, rate_mhz: int) -> None: ...

    def host_spoke(self, at_us: int) -> None:
        """A valid host frame came."""
        ...


@dataclass(frozen=True, slots=True)
class Told:
    """A change of what the host wants played: pattern and event behind it, at this uptime. Renewals are no change."""

    uptime_us: int
    pattern: Pattern
    event_id: int


def random_boot_id() -> int:
    """Never 0, and never twice in practice."""
    return secrets.randbelow(2**32 - 1) + 1


class Board:
    """See the module. `plugged`: whether its bytes arrive. `told`: every change the host asked for, over all boots."""

    def __init__(
        self,
        source: Source,
        spec: BoardSpec,
        line: Callable[[bytes], bytes] = bytes,
        draw_boot_id: Callable[[], int] = random_boot_id,
    ) -> None:
        self._source = source
        self._own_rate_mhz = source.rate_mhz
        self._spec = spec
        self._line = line
        self._draw_boot_id = draw_boot_id
        self._now_us = 0
        self._carry_us = 0.0
        self._out: list[bytes] = []
        self._dark_until_us: int | None = None
        self.plugged = True
        self.told: list[Told] = []
        self._press_us: list[int] = []
        self._press, self._press_kind = 0, ButtonKind.SHORT
        self.boots = 0
        self._boot(BoardHelloBootCause.POWER)

    # --- for the one who plays it -----------------------------------------------------------------------------

    def receive(self, data: bytes) -> None:
        """Take what the host sent. Answers leave with the next `advance`."""
        if self._dark_until_us is not None or not self.plugged:
            return
        for event in self._decoder.feed(data):
            if isinstance(event, Rejected):
                self._reject(event)
            else:
                self._hear(event)

    def advance(self, dt_s: float) -> bytes:
        """Let `dt_s` seconds pass; what the board sends in them."""
        whole = dt_s * 1e6 + self._carry_us
        target = self._now_us + int(whole)
        self._carry_us = whole - int(whole)
        while (due := self.next_due_us()) <= target:
            self._run(due)
        self._move(target)
        sent = b"".join(self._out)
        self._out.clear()
        return sent

    def next_due_us(self) -> int:
        """When the board will do something next, on the simulation's clock (`now_us`)."""
        if self._dark_until_us is not None:
            return self._dark_until_us
        due = [self._hello_us, self._next_status_us(), *self._press_us[:1]]
        if self._sample_us is not None:
            due.append(self._sample_us)
        return min(due)

    def press(self, kind: ButtonKind = ButtonKind.SHORT) -> None:
        """Press the handlebar button. Raises RuntimeError on a board without one."""
        if BoardHelloFeatures.BUTTON not in self._source.ability.features:
            raise RuntimeError("this board has no button")
        self._press = self._press + 1 & 0xFFFF
        self._press_kind = kind
        self._press_us = [self._now_us + 1 + PRESS_GAP_US * again for again in range(PRESS_TIMES)]

    def dropped(self, samples: int) -> None:
        """The port could not get so many samples out."""
        self._samples_dropped += samples

    def reboot(self, cause: BoardHelloBootCause, dark_s: float) -> None:
        """Lose everything volatile and boot anew after `dark_s`."""
        self._cause = cause
        self._dark_until_us = self._now_us + round(dark_s * 1e6)

    @property
    def now_us(self) -> int:
        """Microseconds since the simulation began."""
        return self._now_us

    @property
    def uptime_us(self) -> int:
        """Microseconds since the last boot."""
        return self._now_us - self._booted_us

    @property
    def buzzer(self) -> Pattern:
        """What sounds now."""
        if self._dark_until_us is not None:
            return Pattern.SILENT
        if self._fallback.sounding:
            return Pattern.HIGH
        return self._pattern if self._now_us < self._pattern_end_us else Pattern.SILENT

    @property
    def host_silent(self) -> bool:
        """Whether no heartbeat came for the limit; before the first the time since boot counts."""
        return self._fallback.silent(self._now_us)

    # --- time -------------------------------------------------------------------------------------------------

    def _boot(self, cause: BoardHelloBootCause) -> None:
        self._dark_until_us = None
        self._cause = cause
        self._booted_us = self._now_us
        self._boot_id = self._draw_boot_id()
        self.boots += 1
        self._sequence = 0
        self._decoder = Decoder()
        self._source.set_rate(self._own_rate_mhz)
        self._fallback = FallbackAlarm(self._source.ability.fallback, self._now_us)
        self._pattern, self._pattern_end_us = Pattern.SILENT, 0
        self._last_told: tuple[int, int] | None = None
        self._press = 0
        self._press_us.clear()
        self._frames_rejected = self._samples_dropped = 0
        self._ill = self._source.ill
        self._news = False
        self._refusals: list[int] = []
        if self.plugged:
            self._out.append(DELIMITER)  # so that noise before it does not cost the hello
        self._hello_us = self._now_us
        self._status_us = self._now_us + STATUS_EVERY_US
        self._sample_us = self._source.next_us(self._now_us)

    def _move(self, at_us: int) -> None:
        self._source.advance_to(at_us)
        self._now_us = at_us

    def _run(self, due_us: int) -> None:
        """Do what is due at one moment. A fault that reboots the board while time passes takes that moment away."""
        self._move(due_us)
        if self._dark_until_us is not None:
            if self._dark_until_us <= due_us:
                self._boot(self._cause)
            return
        if self._hello_us <= due_us:
            self._say_hello()
        if self._sample_us is not None and self._sample_us <= due_us:
            self._take_sample(due_us)
        if self._press_us and self._press_us[0] <= due_us:
            self._press_us.pop(0)
            self._send(Button(self._press, self._press_kind))
        if self._next_status_us() <= due_us:
            self._say_status()

    def _next_status_us(self) -> int:
        return self._status_us - STATUS_EVERY_US + STATUS_GAP_US if self._news else self._status_us

    def _take_sample(self, due_us: int) -> None:
        sample = self._source.sample()
        self._sample_us = self._source.next_us(due_us)
        self._news |= self._fallback.judge(sample, self._now_us)
        if not self._send(sample):
            self._samples_dropped += 1
        if self._ill != self._source.ill:
            self._ill, self._news = self._source.ill, True

    # --- speaking ---------------------------------------------------------------------------------------------

    def _send(self, message: Message) -> bool:
        """Put a frame on the line; False where no plug is in."""
        if not self.plugged:
            return False
        stamp = Stamp(self._spec.board_id, self._boot_id, self.uptime_us, self._sequence)
        self._sequence = self._sequence + 1 & 0xFFFF
        self._out.append(self._line(encode(message, stamp)))
        return True

    def _say_hello(self) -> None:
        self._hello_us = self._now_us + HELLO_EVERY_US
        able = self._source.ability
        self._send(
            BoardHello(
                version_min=PROTOCOL_VERSION,
                version_max=PROTOCOL_VERSION,
                first_group=1,
                group_count=able.groups,
                temperature_count=able.temperatures,
                features=int(able.features),
                voltage_step_uv=able.voltage_step_uv,
                current_step_ma=able.current_step_ma,
                temperature_step_centi_c=able.temperature_step_centi_c,
                distance_step_cm=able.distance_step_cm,
                rate_min_mhz=able.rate_min_mhz,
                rate_max_mhz=able.rate_max_mhz,
                rate_mhz=self._source.rate_mhz,
                boot_cause=int(self._cause),
                name=self._spec.name,
            )
        )

    def _say_status(self) -> None:
        self._status_us, self._news = self._now_us + STATUS_EVERY_US, False
        self._send(
            Status(
                faults=int(self._ill),
                host_silent=int(self.host_silent),
                fallback_sounding=int(self._fallback.sounding),
                pattern=int(self.buzzer),
                supply_mv=self._spec.supply_mv,
                frames_rejected=min(self._frames_rejected, 2**32 - 1),
                samples_dropped=min(self._samples_dropped, 2**32 - 1),
            )
        )

    def _refuse(self, number: int, sequence: int, reason: RefusalReason, low: int = 0, high: int = 0) -> None:
        """Say that a host message was not followed, a few times a second at most."""
        self._refusals = [at for at in self._refusals if at > self._now_us - 1_000_000]
        if len(self._refusals) < REFUSALS_A_SECOND:
            self._refusals.append(self._now_us)
            self._send(BoardRefusal(number, sequence, int(reason), low, high))

    # --- hearing ----------------------------------------------------------------------------------------------

    def _reject(self, rejected: Rejected) -> None:
        self._frames_rejected += 1
        reason = _REASONS.get(rejected.reason)
        if reason is None or rejected.stamp is None or rejected.type is None or not self._meant(rejected.stamp):
            return
        if rejected.type < _FIRST_HOST_TYPE or rejected.type == _NUMBERS[HostRefusal]:
            return
        low, high = self._allowed(rejected, rejected.stamp)
        self._refuse(rejected.type, rejected.stamp.sequence, reason, low, high)

    def _allowed(self, rejected: Rejected, stamp: Stamp) -> tuple[int, int]:
        """The range of the field at fault: the codec's, or the board's own where that is a rate."""
        if rejected.type == _NUMBERS[SetRate] and stamp.boot_id:
            return self._rates()
        low, high = rejected.allowed or (0, 0)
        return min(low, _HIGHEST_TOLD), min(high, _HIGHEST_TOLD)

    def _rates(self) -> tuple[int, int]:
        able = self._source.ability
        return able.rate_min_mhz, able.rate_max_mhz

    def _meant(self, stamp: Stamp) -> bool:
        return stamp.board_id in (0, self._spec.board_id)

    def _hear(self, frame: Frame) -> None:
        """Follow one valid host frame. What another board says, or is told, is not for us."""
        message, number = frame.message, _NUMBERS[type(frame.message)]
        if number not in _HOST_LAYOUTS or not self._meant(frame.stamp):
            return
        self._source.host_spoke(self._now_us)
        if self._sample_us is None:
            self._sample_us = self._source.next_us(self._now_us)
        if isinstance(message, Heartbeat):
            self._news |= self._fallback.heard(self._now_us)
        elif isinstance(message, HostHello):
            self._greet(message, frame.stamp.sequence)
        elif isinstance(message, SetRate):
            self._set_rate(message, frame.stamp.sequence)
        elif isinstance(message, AlarmPattern):
            self._play(message, frame.stamp.sequence)
        elif isinstance(message, FallbackLimits):
            self._take_limits(message, frame.stamp.sequence)

    def _greet(self, hello: HostHello, sequence: int) -> None:
        self._say_hello()
        if not hello.version_min <= PROTOCOL_VERSION <= hello.version_max:
            self._refuse(_NUMBERS[HostHello], sequence, RefusalReason.VERSION)

    def _set_rate(self, wish: SetRate, sequence: int) -> None:
        low, high = self._rates()
        if not low <= wish.rate_mhz <= high:
            self._refuse(_NUMBERS[SetRate], sequence, RefusalReason.OUT_OF_RANGE, low, high)
            return
        self._source.set_rate(wish.rate_mhz)
        self._sample_us = self._source.next_us(self._now_us)
        self._say_hello()

    def _play(self, wish: AlarmPattern, sequence: int) -> None:
        if BoardHelloFeatures.BUZZER not in self._source.ability.features:
            self._refuse(_NUMBERS[AlarmPattern], sequence, RefusalReason.NOT_SUPPORTED)
            return
        # A pattern of a newer host is taken as the most urgent.
        pattern = Pattern(wish.pattern) if wish.pattern in list(Pattern) else Pattern.HIGH
        lapsed = self._now_us >= self._pattern_end_us
        if lapsed or self._last_told != (pattern, wish.event_id):
            self._last_told = (pattern, wish.event_id)
            self.told.append(Told(self.uptime_us, pattern, wish.event_id))
        self._pattern = pattern
        self._pattern_end_us = self._now_us + wish.ttl_ms * 1000

    def _take_limits(self, limits: FallbackLimits, sequence: int) -> None:
        if BoardHelloFeatures.FALLBACK_ALARM not in self._source.ability.features:
            self._refuse(_NUMBERS[FallbackLimits], sequence, RefusalReason.NOT_SUPPORTED)
        elif limits.high_500uv <= limits.low_500uv:
            low, high = limits.low_500uv + 1, _HIGHEST_500UV
            self._refuse(_NUMBERS[FallbackLimits], sequence, RefusalReason.OUT_OF_RANGE, low, high)
        else:
            self._fallback.limits = limits

"""Frames become Readings. Law: a Reading has one voltage a group of the pack, or there is no Reading.

What is not certain is NaN, never a guess. One board is in use at a time: the first whose groups are the pack's.
Every other board is refused, with a reason on the wire and a plain sentence for the page. Halves of a split pack
are refused too, as long as nothing joins them: half a pack that looks whole would hide the other half.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import nan
from typing import TypeAlias

import numpy as np

from sagwise_daemon.domain.model import Pack, Reading
from sagwise_daemon.domain.stamps import CoreClock, Order, Turn
from sagwise_protocol import (
    BoardHello,
    BoardHelloBootCause,
    BoardHelloFeatures,
    BoardRefusal,
    Button,
    ButtonKind,
    Event,
    Frame,
    HostHello,
    HostRefusal,
    RefusalReason,
    Rejected,
    RejectReason,
    Sample,
    SampleOtherValid,
    Stamp,
    Status,
    StatusFaults,
)
from sagwise_protocol.layout import LAYOUTS, PROTOCOL_VERSION

# Whole units of the wire in one volt, ampere, degree and metre; dividing by them gives the nearest float.
PER_VOLT = 2000
PER_AMPERE = 1000
PER_DEGREE = 100
PER_METRE = 100

HOST_NAME = "sagwise"
ASK_EVERY_S = 1.0  # how often an unknown board is asked who it is, and a refused one is told again
REFUSED_SHOWN_S = 15.0  # a board says hello every 10 s; past this it is gone
SILENT_S = 5.0  # the board in use gives way to another after this long
RUBBISH_FRAMES = 10  # this many bad frames and none good for RUBBISH_S: wrong baud or wiring
RUBBISH_S = 3.0
MOST_BOARDS = 8  # boards remembered as refused, so that no stream of invented ones fills the memory

# Frames whose CRC was right and that cannot be read are refused for these reasons, refusals and echoes excepted.
REFUSED_FOR = {
    RejectReason.VERSION: RefusalReason.VERSION,
    RejectReason.MUST_UNDERSTAND: RefusalReason.NOT_SUPPORTED,
    RejectReason.UNKNOWN_TYPE: RefusalReason.UNKNOWN_TYPE,
    RejectReason.MALFORMED: RefusalReason.MALFORMED,
    RejectReason.LENGTH: RefusalReason.MALFORMED,
    RejectReason.OUT_OF_RANGE: RefusalReason.OUT_OF_RANGE,
}
FIRST_HOST_TYPE = 0x40

_NUMBERS = {layout.message: layout.number for layout in LAYOUTS}
_NOT_REFUSED = {_NUMBERS[BoardRefusal], *range(FIRST_HOST_TYPE, 0x100)}
_BOARD_MESSAGES = (BoardHello, Sample, Status, Button, BoardRefusal)

FromIntake: TypeAlias = HostHello | HostRefusal


@dataclass(frozen=True, slots=True)
class ToSend:
    """A message for one board."""

    board_id: int
    message: FromIntake


@dataclass(frozen=True, slots=True)
class Taken:
    """What one frame brought.

    alive: a sample with at least one valid group came, which is what link supervision waits for. hello: of the
    board in use, with its id in `board_id`: time to give it rate and limits. remarks: sentences for the log.
    """

    readings: tuple[Reading, ...] = ()
    presses: tuple[ButtonKind, ...] = ()
    to_send: tuple[ToSend, ...] = ()
    alive: bool = False
    hello: BoardHello | None = None
    board_id: int | None = None
    remarks: tuple[str, ...] = ()


@dataclass(slots=True)
class _Refused:
    sentence: str
    reason: RefusalReason
    heard_s: float
    told_s: float


@dataclass(slots=True)
class Counts:
    """Since the start: frames lost on the way, dropped as twins, dropped as old, and bytes that were no frame."""

    lost: int = 0
    twins: int = 0
    old: int = 0
    rejected: int = 0


class Intake:
    """Turns what the decoder finds into Readings of one pack. Called in order of arrival; holds no more than a few
    figures whatever comes in. `heard_s` is always the host's monotonic clock, seconds."""

    def __init__(self, pack: Pack) -> None:
        self.counts = Counts()
        self._pack = pack
        self._clock = CoreClock()
        self._board_id: int | None = None
        self._order_of: int | None = None
        self._order = Order()
        self._lost_before = 0
        self._hello: BoardHello | None = None
        self._sensors: int | None = None
        self._press: int | None = None
        self._faults = 0
        self._heard_s = -np.inf
        self._asked_s = self._unread_s = -np.inf
        self._refused: dict[int, _Refused] = {}
        self._rubbish = 0
        self._good_s = -np.inf

    def opened(self) -> None:
        """The port was opened: another board may sit there now, so nobody is refused or in use any more."""
        self._board_id, self._hello = None, None
        self._refused.clear()
        self._rubbish, self._good_s, self._asked_s = 0, -np.inf, -np.inf

    def take(self, event: Event, heard_s: float) -> Taken:
        """One frame or rejected run of bytes. A host's own messages (an echo on the line) bring nothing."""
        if isinstance(event, Rejected):
            return self._rejected(event, heard_s)
        if not isinstance(event.message, _BOARD_MESSAGES):
            return Taken()
        self._rubbish, self._good_s = 0, heard_s
        if isinstance(event.message, BoardHello):
            return self._meet(event.stamp, event.message, heard_s)
        if event.stamp.board_id != self._board_id:
            taken = self._stranger(event, heard_s)
            if taken is not None:
                return taken
        return self._hear(event, heard_s)

    def refuses(self, now_s: float) -> bool:
        """Whether the only board there is one that is not used: nobody judges what it measures."""
        return self._board_id is None and any(now_s - r.heard_s <= REFUSED_SHOWN_S for r in self._refused.values())

    def notice(self, now_s: float) -> str | None:
        """One plain sentence about what is wrong with the board now, or None."""
        shown = [r for r in self._refused.values() if now_s - r.heard_s <= REFUSED_SHOWN_S]
        if shown:
            return max(shown, key=lambda r: r.heard_s).sentence
        if self._rubbish >= RUBBISH_FRAMES and now_s - self._good_s >= RUBBISH_S:
            return "Bytes arrive but none form a frame: check serial.baud and the wiring."
        return _faults_sentence(self._faults) if self._board_id is not None else None

    # Who speaks.

    def _meet(self, stamp: Stamp, hello: BoardHello, heard_s: float) -> Taken:
        other = self._board_id not in (None, stamp.board_id)
        if other and heard_s - self._heard_s < SILENT_S:
            return self._refuse_second(stamp, _NUMBERS[BoardHello], heard_s)
        fault = _hello_fault(hello, self._pack)
        if fault is not None:
            if not other:
                self._board_id, self._hello = None, None
            return self._refuse(stamp, _NUMBERS[BoardHello], *fault, heard_s, always=True)
        self._use(stamp.board_id)
        turn = self._turn(stamp, heard_s)
        if turn in (Turn.TWIN, Turn.OLD):
            return Taken()
        self._refused.pop(stamp.board_id, None)
        remarks = (_started(hello, self._pack),) if self._hello is None else ()
        self._hello, self._sensors = hello, hello.temperature_count
        return Taken(hello=hello, board_id=stamp.board_id, remarks=remarks)

    def _stranger(self, frame: Frame, heard_s: float) -> Taken | None:
        """A frame of a board that is not in use; None when it may be used from now on."""
        stamp, message = frame.stamp, frame.message
        known = self._refused.get(stamp.board_id)
        if known is not None:
            return self._refuse(stamp, _NUMBERS[type(message)], known.reason, known.sentence, heard_s)
        if self._board_id is not None:
            return self._refuse_second(stamp, _NUMBERS[type(message)], heard_s)
        if not isinstance(message, Sample):
            return Taken(to_send=self._ask(stamp, heard_s))
        if len(message.group_500uv) != self._pack.series:
            return self._refuse_count(stamp, message, heard_s)
        self._use(stamp.board_id)
        return None

    def _use(self, board_id: int) -> None:
        """Take this board; one that comes back after a replug keeps its order, its presses and its losses."""
        if board_id != self._board_id:
            self._board_id, self._hello = board_id, None
        if board_id != self._order_of:
            self._lost_before += self._order.lost
            self._order_of, self._order = board_id, Order()
            self._press, self._sensors, self._faults = None, None, 0

    def _ask(self, stamp: Stamp, heard_s: float) -> tuple[ToSend, ...]:
        if heard_s - self._asked_s < ASK_EVERY_S:
            return ()
        self._asked_s = heard_s
        return (ToSend(stamp.board_id, HostHello(PROTOCOL_VERSION, PROTOCOL_VERSION, HOST_NAME)),)

    def _refuse_count(self, stamp: Stamp, sample: Sample, heard_s: float) -> Taken:
        sentence = _count_sentence(len(sample.group_500uv), self._pack)
        return self._refuse(stamp, _NUMBERS[Sample], RefusalReason.WRONG_GROUP_COUNT, sentence, heard_s)

    def _refuse_second(self, stamp: Stamp, number: int, heard_s: float) -> Taken:
        sentence = (
            f"A second board ({stamp.board_id:08X}) speaks besides {self._board_id:08X}: only one is used; "
            "unplug one of them."
        )
        return self._refuse(stamp, number, RefusalReason.SECOND_BOARD, sentence, heard_s)

    def _refuse(
        self,
        stamp: Stamp,
        number: int,
        reason: RefusalReason,
        sentence: str,
        heard_s: float,
        *,
        always: bool = False,
    ) -> Taken:
        """Remember the refusal and tell the board, at most once in ASK_EVERY_S unless `always`."""
        known = self._refused.pop(stamp.board_id, None)
        tell = always or known is None or heard_s - known.told_s >= ASK_EVERY_S
        told_s = heard_s if tell or known is None else known.told_s
        while len(self._refused) >= MOST_BOARDS:
            self._refused.pop(next(iter(self._refused)))
        self._refused[stamp.board_id] = _Refused(sentence, reason, heard_s, told_s)
        refusal = HostRefusal(number, stamp.sequence, reason)
        new = known is None or known.sentence != sentence
        return Taken(to_send=(ToSend(stamp.board_id, refusal),) if tell else (), remarks=(sentence,) if new else ())

    # What the board in use says.

    def _turn(self, stamp: Stamp, heard_s: float) -> Turn:
        self._heard_s = heard_s
        turn = self._order.judge(stamp)
        self.counts.lost = self._lost_before + self._order.lost
        self.counts.twins += turn is Turn.TWIN
        self.counts.old += turn is Turn.OLD
        if turn in (Turn.FIRST, Turn.AGAIN):
            self._hello, self._press, self._faults = None, None, 0
        return turn

    def _hear(self, frame: Frame, heard_s: float) -> Taken:
        turn = self._turn(frame.stamp, heard_s)
        if turn in (Turn.TWIN, Turn.OLD):
            return Taken()
        taken = self._said(frame, heard_s)
        if turn is Turn.AGAIN:
            remark = f"Board {frame.stamp.board_id:08X} began anew under an old boot id: its boot ids repeat."
            return replace(taken, remarks=(remark, *taken.remarks))
        return taken

    def _said(self, frame: Frame, heard_s: float) -> Taken:
        message = frame.message
        if isinstance(message, Sample):
            return self._sample(frame.stamp, message, heard_s)
        if isinstance(message, Button):
            return self._button(message)
        if isinstance(message, Status):
            return self._status(message)
        if isinstance(message, BoardRefusal):
            return Taken(remarks=(_refusal_sentence(message),))
        return Taken()

    def _sample(self, stamp: Stamp, sample: Sample, heard_s: float) -> Taken:
        ask = self._ask(stamp, heard_s) if self._hello is None else ()
        if len(sample.group_500uv) != self._pack.series:
            self._board_id, self._hello = None, None
            return self._refuse_count(stamp, sample, heard_s)
        placed = self._clock.place(stamp.boot_id, stamp.uptime_us, heard_s)
        if placed is None:
            self.counts.old += 1
            return Taken(to_send=ask)
        if self._sensors is None:
            self._sensors = len(sample.temperature_centi_c)
        reading = _reading(stamp, sample, placed.time_s, self._sensors)
        return Taken(readings=(reading,), to_send=ask, alive=sample.group_valid != 0)

    def _button(self, button: Button) -> Taken:
        if button.press == self._press:
            return Taken()
        self._press = button.press
        return Taken(presses=(ButtonKind.LONG if button.kind == ButtonKind.LONG else ButtonKind.SHORT,))

    def _status(self, status: Status) -> Taken:
        changed, self._faults = status.faults != self._faults, status.faults
        sentence = _faults_sentence(status.faults) or "The board reports no fault any more."
        return Taken(remarks=(sentence,) if changed else ())

    def _rejected(self, rejected: Rejected, heard_s: float) -> Taken:
        self.counts.rejected += 1
        self._rubbish += 1
        if self._rubbish == 1 and self._good_s == -np.inf:
            self._good_s = heard_s
        stamp, number, reason = rejected.stamp, rejected.type, REFUSED_FOR.get(rejected.reason)
        if stamp is None or number is None or reason is None or number in _NOT_REFUSED:
            return Taken()
        if reason is RefusalReason.VERSION and stamp.board_id != self._board_id:
            sentence = f"The board's protocol does not fit: {rejected.detail}. Update the older of the two."
            return self._refuse(stamp, number, reason, sentence, heard_s)
        if heard_s - self._unread_s < ASK_EVERY_S:
            return Taken()
        self._unread_s = heard_s
        remark = f"A frame of board {stamp.board_id:08X} cannot be read: {rejected.detail}."
        refusal = ToSend(stamp.board_id, HostRefusal(number, stamp.sequence, reason))
        return Taken(to_send=(refusal,), remarks=(remark,))


def _reading(stamp: Stamp, sample: Sample, time_s: float, sensors: int) -> Reading:
    """A sample in SI units; `sensors` temperatures, whatever their number in this sample."""
    volts = [raw / PER_VOLT if sample.group_valid >> place & 1 else nan for place, raw in enumerate(sample.group_500uv)]
    degrees = [
        raw / PER_DEGREE if sample.temperature_valid >> place & 1 else nan
        for place, raw in enumerate(sample.temperature_centi_c[:sensors])
    ]
    degrees += [nan] * (sensors - len(degrees))
    valid = sample.other_valid
    return Reading(
        time_s=time_s,
        group_v=np.array(volts),
        current_a=sample.current_ma / PER_AMPERE if valid & SampleOtherValid.CURRENT else nan,
        temperature_c=np.array(degrees, dtype=np.float64),
        distance_m=sample.distance_cm / PER_METRE if valid & SampleOtherValid.DISTANCE else nan,
        boot_id=stamp.boot_id,
        uptime_us=stamp.uptime_us,
    )


# What is said to people.


def _hello_fault(hello: BoardHello, pack: Pack) -> tuple[RefusalReason, str] | None:
    if not hello.version_min <= PROTOCOL_VERSION <= hello.version_max:
        spoken = f"versions {hello.version_min} to {hello.version_max}"
        return (
            RefusalReason.VERSION,
            f"The board speaks protocol {spoken}, this program {PROTOCOL_VERSION}: update the older of the two.",
        )
    if hello.first_group != 1:
        last = hello.first_group + hello.group_count - 1
        return (
            RefusalReason.WRONG_GROUP_COUNT,
            f"The board measures groups {hello.first_group} to {last} only; one board must measure all "
            f"{pack.series} groups of {pack.name}.",
        )
    if hello.group_count != pack.series:
        return RefusalReason.WRONG_GROUP_COUNT, _count_sentence(hello.group_count, pack)
    return None


def _count_sentence(groups: int, pack: Pack) -> str:
    return f"The board has {groups} groups, {pack.name} has {pack.series}: choose the pack file of the fitted pack."


def _started(hello: BoardHello, pack: Pack) -> str:
    causes = {cause.value: cause.name.lower() for cause in BoardHelloBootCause}
    cause = causes.get(hello.boot_cause, "unknown")
    words = f"Board {hello.name or 'without a name'} is in use for {pack.name}; its last start: {cause}."
    if not hello.features & BoardHelloFeatures.FALLBACK_ALARM:
        words += " It has no alarm of its own: when this computer stops, nobody watches the pack."
    return words


def _refusal_sentence(refusal: BoardRefusal) -> str:
    reasons = {reason.value: reason.name.lower() for reason in RefusalReason}
    names = {layout.number: layout.name for layout in LAYOUTS}
    what = names.get(refusal.refused_type, f"message 0x{refusal.refused_type:02X}")
    words = f"The board refused {what} ({refusal.refused_sequence}): {reasons.get(refusal.reason, 'unknown')}"
    if refusal.reason == RefusalReason.OUT_OF_RANGE:
        words += f", allowed {refusal.allowed_min} to {refusal.allowed_max}"
    return words + "."


def _faults_sentence(faults: int) -> str | None:
    if not faults:
        return None
    words = [fault.name.lower().replace("_", " ") for fault in StatusFaults if fault & faults and fault.name]
    unknown = faults & ~sum(StatusFaults)
    if unknown:
        words.append(f"unknown fault 0x{unknown:X}")
    return f"The board reports a fault: {', '.join(words)}."

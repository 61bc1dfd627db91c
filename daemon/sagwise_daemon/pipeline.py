"""The wire in front of a `Flow`, and the way back to the board. Law: an alarm waits for nothing but its own commit,
and for that at most `COMMIT_WAIT_S`. Called from one thread; never blocks.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Protocol

from sagwise_daemon.domain.core import TURN_BACK
from sagwise_daemon.domain.host import HostVoice, fallback_limits
from sagwise_daemon.domain.intake import Intake, Taken
from sagwise_daemon.domain.model import (
    Acknowledge,
    Event,
    HostState,
    Pack,
    Priority,
    Reading,
    Shelve,
    Silence,
)
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.flow import Flow, Stored
from sagwise_daemon.outlets import LiveOutlet
from sagwise_protocol import ButtonKind, Decoder, Frame, Pattern

log = logging.getLogger(__name__)

COMMIT_WAIT_S = 0.25  # past it the board is told without an event number: sound before record
SILENCE_FROM_S = 0.2  # shorter pauses are the rhythm of a slow board, not silence
OWN_FAULT = "sagwise has a fault of its own: trust the board's own alarm and read the log."
PATTERNS = {
    None: Pattern.SILENT,
    Priority.LOW: Pattern.LOW,
    Priority.MEDIUM: Pattern.MEDIUM,
    Priority.HIGH: Pattern.HIGH,
}


class Port(Protocol):
    """Where bytes to the board go; must not block."""

    def send(self, data: bytes) -> None: ...


@dataclass(slots=True, eq=False)
class Waiting:
    """A pattern for the board that waits for its events' commits."""

    stored: list[Stored] = field(default_factory=list)
    since_s: float = math.inf


class BoardPipeline:
    """The wire in front of a `Flow`: bytes in, alarms out, commands back to the board.

    Implements `domain.ports.Commands`. Times are the host's monotonic clock. `wake` is called from the store's
    thread when an event is on disk and must have `settle` called soon, in the pipeline's own thread.
    """

    def __init__(
        self,
        flow: Flow,
        intake: Intake,
        voice: HostVoice,
        live: LiveOutlet,
        clock: Callable[[], float],
        wall: Callable[[], WallTime],
        wake: Callable[[], object],
    ) -> None:
        self._flow, self._intake, self._voice, self._live = flow, intake, voice, live
        self._clock, self._wall, self._wake = clock, wall, wake
        self._port: Port | None = None
        self._decoder = Decoder()
        self._heard_s: float | None = None
        self._started_s = clock()
        self._link_up = False
        self._waiting = Waiting()
        self._told_id = 0
        self._notice: str | None = None
        self._host_notice: str | None = None
        self._no_link: str | None = None
        self._faulty = False

    def attach(self, port: Port) -> None:
        """The port that commands leave by."""
        self._port = port

    # From the link.

    def on_up(self) -> None:
        """The port is open."""
        self._decoder = Decoder()
        self._intake.opened()
        self._link_up, self._no_link = True, None
        self._send(self._voice.opened(self._clock()))

    def on_down(self, reason: str) -> None:
        """The port is gone."""
        log.warning("no link to the board: %s", reason)
        self._link_up, self._no_link = False, f"No link to the board: {reason}."
        self._show()

    def on_bytes(self, data: bytes, heard_s: float) -> None:
        """Whatever arrived, in any pieces."""
        for event in self._decoder.feed(data):
            taken = self._intake.take(event, heard_s)
            if isinstance(event, Frame) and (taken.alive or taken.hello is not None):
                self._answer(event, taken, heard_s)
            self._taken(taken, heard_s)

    def tick(self, now_s: float) -> None:
        """What time brings: silence, late commits, what the board must hear again. At least every 100 ms."""
        silent_s = now_s - (self._started_s if self._heard_s is None else self._heard_s)
        if silent_s >= SILENCE_FROM_S:
            self._through(Silence(silent_s))
        elif self._intake.notice(now_s) != self._notice:
            self._show()
        self.settle()
        if not self._faulty:
            self._send(self._voice.tick(now_s, watches=not self._intake.refuses(now_s)))

    def close(self) -> None:
        """The daemon ends: the ride is closed and the buzzer's pattern runs out by its time to live."""
        self._flow.end_ride("stopped")

    def host(self, state: HostState, notice: str | None) -> None:
        """What the computer says of itself, said every second or so; notice: what is wrong with it, in a sentence."""
        self._host_notice = notice
        self._through(state)

    # From people.

    @property
    def riding(self) -> bool:
        """Whether a ride goes on."""
        return self._flow.riding

    def retune(self, pack: Pack) -> None:
        """Other alarm settings of the same pack."""
        self._live.fit(pack)
        self._send(self._voice.retune(fallback_limits(pack), self._clock()))
        self._said(self._flow.retune(pack))

    def acknowledge(self, by: str, rule: str | None = None, group: int | None = None) -> None:
        self._through(Acknowledge(by, rule, group))

    def shelve(self, by: str, rule: str, seconds: float, group: int | None = None) -> None:
        self._through(Shelve(by, rule, seconds, group))

    # Inside.

    def _answer(self, frame: Frame, taken: Taken, heard_s: float) -> None:
        self._voice.heard(frame.stamp)
        if taken.hello is not None:
            self._send(self._voice.hello(frame.stamp, taken.hello, heard_s, self._wall()))

    def _taken(self, taken: Taken, heard_s: float) -> None:
        for remark in taken.remarks:
            log.info("%s", remark)
        for order in taken.to_send:
            self._send(self._voice.say(order.message, heard_s, order.board_id))
        before_s = self._heard_s
        if taken.alive:
            self._heard_s = heard_s
        for reading in taken.readings:
            if not self._judged(reading):
                self._heard_s = before_s
        for press in taken.presses:
            self._through(Acknowledge("button"))
            if press is ButtonKind.LONG:  # the rider says that the bike heads home, whether `turn_back` speaks or not
                self._through(Acknowledge("button", TURN_BACK))

    def _judged(self, reading: Reading) -> bool:
        """Whether the core could judge it. A fault of ours must not look like quiet: it counts as a lost link, and
        without a heartbeat the board falls back on its own alarm."""
        try:
            self._through(reading)
        except Exception:
            if not self._faulty:
                log.exception("a reading could not be judged; the board is left to its own alarm")
            self._faulty = True
            return False
        self._faulty = False
        return True

    def _through(self, event: Event) -> None:
        self._said(self._flow.take(event))

    def _said(self, stored: list[Stored]) -> None:
        """Events are on their way to the disk, and the live view has news."""
        if stored:
            self._wait_for(stored)
        self._show()
        if stored:
            self.settle()

    def _wait_for(self, stored: list[Stored]) -> None:
        if not self._waiting.stored:
            self._waiting.since_s = self._clock()
        self._waiting.stored += stored
        for item in stored:
            item.done.add_done_callback(lambda _done: self._wake())

    def settle(self) -> None:
        """Tell the board what to play once the events behind it are on disk, or at once when that takes too long."""
        waiting = self._waiting
        done = [item for item in waiting.stored if item.done.done()]
        late = self._clock() - waiting.since_s > COMMIT_WAIT_S
        if len(done) < len(waiting.stored) and not late:
            return
        kept = [item.event_id for item in done if item.done.exception() is None]
        if waiting.stored and not kept:
            log.error("alarm events are not on disk within %.2f s; the alarm sounds all the same", COMMIT_WAIT_S)
        self._told_id = max([self._told_id, *kept])
        event_id = self._told_id if kept or not waiting.stored else 0
        self._waiting = Waiting()
        pattern = PATTERNS[self._flow.moment.sound]
        self._send(self._voice.sound(pattern, event_id, self._clock()))

    def _show(self) -> None:
        moment = self._flow.moment
        self._notice = OWN_FAULT if self._faulty else self._intake.notice(self._clock())
        of_board = self._notice or self._no_link or moment.notice
        self._live.show(
            replace(moment, notice=" ".join(filter(None, (of_board, self._host_notice))) or None),
            heard_at=self._heard_s,
            link_up=self._link_up,
        )

    def _send(self, data: bytes) -> None:
        if data and self._port is not None:
            self._port.send(data)


def board_pipeline(
    pack: Pack,
    flow: Flow,
    live: LiveOutlet,
    *,
    rate_hz: float,
    host_id: int,
    clock: Callable[[], float],
    wall: Callable[[], WallTime],
    wake: Callable[[], object],
) -> BoardPipeline:
    """A pipeline for one pack; `host_id` is drawn at random for each start of the daemon, 32 bits, not 0."""
    voice = HostVoice(host_id, rate_hz, fallback_limits(pack))
    return BoardPipeline(flow, Intake(pack), voice, live, clock, wall, wake)

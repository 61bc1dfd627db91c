"""What the host says to the board. Law: the board is never left in doubt: a heartbeat at least every half second,
an alarm renewed long before it would stop by itself, and the limits for its own alarm at every boot.

Pure: every call returns the bytes to send now, in order, and may return none.
"""

from __future__ import annotations

from sagwise_daemon.domain.model import Pack
from sagwise_daemon.domain.stamps import SEQUENCES, WallTime
from sagwise_protocol import (
    DELIMITER,
    AlarmPattern,
    BoardHello,
    FallbackLimits,
    Heartbeat,
    HostHello,
    Message,
    Pattern,
    SetRate,
    Stamp,
    Time,
    YesNo,
    encode,
)
from sagwise_protocol.layout import PROTOCOL_VERSION

ANY_BOARD = 0
HOST_NAME = "sagwise"
BEAT_EVERY_S = 0.5
HELLO_EVERY_S = 2.0  # until a board has answered
RATE_EVERY_S = 10.0  # a board that answers with another rate is not asked again at once, and not for ever
RATE_ASKS = 3
RATE_LEAST_MHZ = 2000  # the protocol: a host that takes 1 s for a lost link asks for no less
PATTERN_TTL_MS = 2000  # four renewals may be lost before an alarm falls silent
HOST_SILENCE_MS = 3000
FALLBACK_DELAY_MS = 1000  # longer than a hard pull's first dip, since the board cannot tell sag from low
STEPS_PER_VOLT = 2000
FALLBACK_STEPS = (1000, 12000)  # what the wire allows


def fallback_limits(pack: Pack) -> FallbackLimits:
    """What the board holds measured voltage against when the host is silent: the absolute floor and ceiling."""
    floor, ceiling = pack.rules["loaded_floor"].limit, pack.rules["overvoltage"].limit
    return FallbackLimits(
        low_500uv=_steps(pack.cell.empty_v if floor is None else floor),
        high_500uv=_steps(pack.cell.full_v if ceiling is None else ceiling),
        on_delay_ms=FALLBACK_DELAY_MS,
        host_silence_ms=HOST_SILENCE_MS,
    )


def _steps(volts: float) -> int:
    low, high = FALLBACK_STEPS
    return min(max(round(volts * STEPS_PER_VOLT), low), high)


class HostVoice:
    """The host's side of one port. Times are the host's monotonic clock, seconds.

    boot_id: drawn at random by the caller, 32 bits, not 0. rate_hz: samples a second to ask for.
    """

    def __init__(self, boot_id: int, rate_hz: float, limits: FallbackLimits) -> None:
        self._boot_id = boot_id
        self._rate_mhz = round(rate_hz * 1000)
        self._limits = limits
        self._started_s: float | None = None
        self._sequence = 0
        self._board_id = ANY_BOARD
        self._heard_sequence = 0
        self._pattern = Pattern.SILENT
        self._event_id = 0
        self._rate_boot = 0  # which boot of the board was asked for the rate, how often and when last
        self._rate_asks, self._rate_s = 0, float("-inf")
        self._beat_s = self._pattern_s = self._hello_s = float("-inf")
        self._met = False

    def opened(self, now_s: float) -> bytes:
        """The port is open: ask who is there. A delimiter goes first, so that noise costs no frame."""
        self._board_id, self._met, self._rate_boot = ANY_BOARD, False, 0
        self._heard_sequence = 0
        return DELIMITER + self._say_hello(now_s) + self.tick(now_s)

    def heard(self, stamp: Stamp) -> None:
        """A frame came from the board in use."""
        self._heard_sequence = stamp.sequence

    def hello(self, stamp: Stamp, hello: BoardHello, now_s: float, wall: WallTime | None = None) -> bytes:
        """The board in use said hello: what it needs for this boot. `wall`: the time for its log."""
        self._board_id, self._met = stamp.board_id, True
        out = self.say(self._limits, now_s) + self._rate(stamp, hello, now_s)
        if wall is not None:
            trusted = YesNo.YES if wall.trusted else YesNo.NO
            out += self.say(Time(round(wall.unix_s * 1e6), trusted), now_s)
        return out + self._renew(now_s)

    def retune(self, limits: FallbackLimits, now_s: float) -> bytes:
        """Other limits for the board's own alarm, at once where it is met and at every boot."""
        self._limits = limits
        return self.say(limits, now_s) if self._met else b""

    def sound(self, pattern: Pattern, event_id: int, now_s: float) -> bytes:
        """What the buzzer plays from now on; said at once when it changes, then renewed by `tick`.

        event_id: the newest stored event behind it, 0 for none.
        """
        if (pattern, event_id) == (self._pattern, self._event_id):
            return b""
        self._pattern, self._event_id = pattern, event_id
        return self._say_pattern(now_s)

    def tick(self, now_s: float, *, watches: bool = True) -> bytes:
        """What is due; call it at least every 100 ms. watches: whether the pack's readings are judged; without, no
        heartbeat says so."""
        out = b""
        if not self._met and now_s - self._hello_s >= HELLO_EVERY_S:
            out += self._say_hello(now_s)
        if watches and now_s - self._beat_s >= BEAT_EVERY_S:
            self._beat_s = now_s
            out += self.say(Heartbeat(self._heard_sequence), now_s)
        if now_s - self._pattern_s >= BEAT_EVERY_S:
            out += self._renew(now_s)
        return out

    def say(self, message: Message, now_s: float, board_id: int | None = None) -> bytes:
        """One message with the next stamp; to the board in use, or to `board_id`."""
        if self._started_s is None:
            self._started_s = now_s
        stamp = Stamp(
            board_id=self._board_id if board_id is None else board_id,
            boot_id=self._boot_id,
            uptime_us=max(0, round((now_s - self._started_s) * 1e6)),
            sequence=self._sequence,
        )
        self._sequence = (self._sequence + 1) % SEQUENCES
        return encode(message, stamp)

    def _say_hello(self, now_s: float) -> bytes:
        self._hello_s = now_s
        return self.say(HostHello(PROTOCOL_VERSION, PROTOCOL_VERSION, HOST_NAME), now_s)

    def _renew(self, now_s: float) -> bytes:
        """Silence needs no renewal: it is what follows when nothing is said."""
        return b"" if self._pattern is Pattern.SILENT else self._say_pattern(now_s)

    def _say_pattern(self, now_s: float) -> bytes:
        self._pattern_s = now_s
        return self.say(AlarmPattern(self._pattern, PATTERN_TTL_MS, self._event_id), now_s)

    def _rate(self, stamp: Stamp, hello: BoardHello, now_s: float) -> bytes:
        """Asks for the rate where the board has another. It answers with a hello or refuses: so not again at once,
        in case the frame was lost, and a few times only, in case it was not."""
        if stamp.boot_id != self._rate_boot:
            self._rate_boot, self._rate_asks, self._rate_s = stamp.boot_id, 0, float("-inf")
        wanted = min(max(self._rate_mhz, hello.rate_min_mhz), hello.rate_max_mhz)
        able = hello.rate_min_mhz <= hello.rate_max_mhz and wanted >= RATE_LEAST_MHZ
        tired = self._rate_asks >= RATE_ASKS or now_s - self._rate_s < RATE_EVERY_S
        if hello.rate_mhz == wanted or not able or tired:
            return b""
        self._rate_asks, self._rate_s = self._rate_asks + 1, now_s
        return self.say(SetRate(wanted), now_s)

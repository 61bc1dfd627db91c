"""The pipeline between wire and outlets. Law: sound waits for its commit, but never long; a ride has its pre-roll."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field

import numpy as np
import pytest

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.model import AlarmEvent, AlarmState, Estimate, HostState, Pack, Reading
from sagwise_daemon.domain.ride.bounds import RideSettings
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.errors import StoreError
from sagwise_daemon.flow import Flow
from sagwise_daemon.io.store import RideStart, UnfinishedRide
from sagwise_daemon.outlets import LiveOutlet, column, plain
from sagwise_daemon.pipeline import COMMIT_WAIT_S, BoardPipeline, board_pipeline
from sagwise_protocol import (
    AlarmPattern,
    BoardHello,
    BoardHelloFeatures,
    Button,
    ButtonKind,
    Decoder,
    FallbackLimits,
    Frame,
    Heartbeat,
    HostHello,
    Message,
    Pattern,
    Sample,
    SampleOtherValid,
    Stamp,
    encode,
)

BOARD, BOOT = 7, 99
FEATURES = (
    BoardHelloFeatures.CURRENT
    | BoardHelloFeatures.BUTTON
    | BoardHelloFeatures.BUZZER
    | BoardHelloFeatures.FALLBACK_ALARM
)


class Recorder:
    """Keeps in memory what a store would; commits only when told."""

    def __init__(self, left: UnfinishedRide | None = None) -> None:
        self.left = left
        self.started: list[RideStart] = []
        self.rows: list[tuple[int, float]] = []
        self.ended: list[tuple[int, str]] = []
        self.events: list[tuple[int, AlarmEvent, Future[None]]] = []

    def begin_ride(self, start: RideStart) -> int:
        self.started.append(start)
        return 10 + len(self.started)

    def append(self, ride_id: int, reading: Reading) -> None:
        self.rows.append((ride_id, reading.time_s))

    def append_estimate(self, ride_id: int, estimate: Estimate) -> None:
        assert ride_id

    def event(
        self, event: AlarmEvent, ride_id: int | None, unix_s: float, *, trusted: bool = True
    ) -> tuple[int, Future[None]]:
        done: Future[None] = Future()
        self.events.append((len(self.events) + 1, event, done))
        return len(self.events), done

    def end_ride(self, ride_id: int, ended_by: str) -> None:
        self.ended.append((ride_id, ended_by))

    def unfinished(self) -> UnfinishedRide | None:
        return self.left

    def commit(self) -> None:
        for _, _, done in self.events:
            if not done.done():
                done.set_result(None)

    def fail(self) -> None:
        for _, _, done in self.events:
            if not done.done():
                done.set_exception(StoreError("disk full"))


@dataclass
class Bench:
    """A pipeline with a clock of its own and a board at the other end."""

    pack: Pack
    recorder: Recorder = field(default_factory=Recorder)
    now_s: float = 1000.0
    sequence: int = 0
    uptime_s: float = 5.0
    said: list[Message] = field(default_factory=list)
    woken: int = 0

    def __post_init__(self) -> None:
        wall: Callable[[], WallTime] = lambda: WallTime(1.7e9 + self.now_s, True, self.now_s, "boot")  # noqa: E731
        self.flow = Flow(self.pack, self.recorder, RideSettings(end_after_s=5, link_end_s=10), wall)
        self.live = LiveOutlet("otter", self.pack, lambda: self.now_s)
        self.pipeline: BoardPipeline = board_pipeline(
            self.pack,
            self.flow,
            self.live,
            rate_hz=20,
            host_id=3,
            clock=lambda: self.now_s,
            wall=wall,
            wake=self._wake,
        )
        self._decoder = Decoder()
        self.pipeline.attach(self)
        self.pipeline.on_up()

    def _wake(self) -> None:
        self.woken += 1

    def send(self, data: bytes) -> None:
        for event in self._decoder.feed(data):
            assert isinstance(event, Frame)
            self.said.append(event.message)

    def board_says(self, message: Message) -> None:
        self.sequence += 1
        stamp = Stamp(BOARD, BOOT, round(self.uptime_s * 1e6), self.sequence)
        self.pipeline.on_bytes(encode(message, stamp), self.now_s)

    def hello(self) -> None:
        rates = {"rate_min_mhz": 2000, "rate_max_mhz": 100_000, "rate_mhz": 20_000}
        self.board_says(
            BoardHello(
                version_min=1,
                version_max=1,
                first_group=1,
                group_count=self.pack.series,
                temperature_count=0,
                features=FEATURES,
                voltage_step_uv=500,
                current_step_ma=1,
                temperature_step_centi_c=0,
                distance_step_cm=0,
                boot_cause=0,
                name="bench",
                **rates,
            )
        )

    def sample(self, volts: float, current_a: float = 0.0, seconds: float = 0.05) -> None:
        self.now_s += seconds
        self.uptime_s += seconds
        groups = self.pack.series
        raw = (round(volts * 2000),) * groups
        self.board_says(Sample((1 << groups) - 1, 0, SampleOtherValid.CURRENT, round(current_a * 1000), 0, raw, ()))

    def samples(self, seconds: float, volts: float, current_a: float = 0.0) -> None:
        for _ in range(round(seconds / 0.05)):
            self.sample(volts, current_a)

    def patterns(self) -> list[tuple[Pattern, int]]:
        return [(Pattern(m.pattern), m.event_id) for m in self.said if isinstance(m, AlarmPattern)]

    def to_floor(self) -> None:
        """Under the absolute floor for longer than its delay, with nothing else raised on the way."""
        self.samples(1.0, 2.5, 50.0)


@pytest.fixture
def bench() -> Bench:
    made = Bench(built_in_pack("otter")[1])
    made.hello()
    made.samples(12.0, 3.9)
    return made


def raised(bench: Bench) -> set[str]:
    return {alarm.rule for alarm in bench.live.latest().alarms if alarm.state is AlarmState.UNACKNOWLEDGED}


def test_the_host_greets_and_gives_the_limits(bench: Bench) -> None:
    kinds = [type(message) for message in bench.said]
    assert kinds[0] is HostHello
    assert FallbackLimits in kinds


def test_sound_waits_for_the_commit_and_carries_its_number(bench: Bench) -> None:
    bench.to_floor()
    assert "loaded_floor" in raised(bench)
    newest = len(bench.recorder.events)
    bench.said.clear()
    bench.recorder.commit()
    assert bench.woken
    bench.pipeline.settle()
    assert bench.patterns()[-1] == (Pattern.HIGH, newest)


def test_sound_does_not_wait_for_a_slow_disk(bench: Bench) -> None:
    bench.to_floor()
    bench.now_s += COMMIT_WAIT_S + 0.01
    bench.pipeline.tick(bench.now_s)
    assert bench.patterns()[-1] == (Pattern.HIGH, 0)


def test_sound_does_not_wait_for_a_full_disk(bench: Bench) -> None:
    bench.to_floor()
    bench.recorder.fail()
    bench.pipeline.settle()
    assert bench.patterns()[-1] == (Pattern.HIGH, 0)


def test_the_handlebar_button_acknowledges_everything(bench: Bench) -> None:
    bench.to_floor()
    bench.recorder.commit()
    bench.board_says(Button(1, ButtonKind.SHORT))
    bench.recorder.commit()
    bench.pipeline.settle()
    assert raised(bench) == set()
    assert bench.live.latest().sound is None
    assert bench.patterns()[-1][0] is Pattern.SILENT
    assert {event.by for _, event, _ in bench.recorder.events if event.to is AlarmState.ACKNOWLEDGED} == {"button"}


def test_the_page_acknowledges_one_rule(bench: Bench) -> None:
    bench.to_floor()
    bench.pipeline.acknowledge("page", "loaded_floor")
    assert "loaded_floor" not in raised(bench)


def test_a_shelved_rule_is_shown_with_its_end(bench: Bench) -> None:
    bench.pipeline.shelve("page", "spread_high", 60)
    shelved = [alarm for alarm in bench.live.latest().alarms if alarm.state is AlarmState.SHELVED]
    assert [alarm.rule for alarm in shelved] == ["spread_high"]
    assert shelved[0].until_s == pytest.approx(bench.live.latest().time_s + 60)
    with pytest.raises(ValueError, match="loaded_floor"):
        bench.pipeline.shelve("page", "loaded_floor", 60)


def test_silence_of_the_board_is_an_alarm_by_the_hosts_clock(bench: Bench) -> None:
    bench.now_s += 0.9
    bench.pipeline.tick(bench.now_s)
    assert raised(bench) == set()
    bench.now_s += 0.2
    bench.pipeline.tick(bench.now_s)
    assert raised(bench) == {"link_lost"}
    bench.sample(3.9)
    assert raised(bench) == set()


def test_what_the_computer_says_of_itself_is_an_alarm_and_a_notice(bench: Bench) -> None:
    bench.pipeline.host(HostState(storage=True, clock_unset=False), "The disk is nearly full.")
    assert bench.live.latest().notice == "The disk is nearly full."
    bench.samples(11.0, 3.9)
    bench.recorder.commit()
    bench.pipeline.settle()
    assert raised(bench) == {"storage"} and bench.patterns()[-1][0] is Pattern.LOW
    bench.pipeline.host(HostState(storage=False, clock_unset=False), None)
    bench.samples(11.0, 3.9)
    assert raised(bench) == set() and bench.live.latest().notice is None


def test_samples_without_one_valid_group_are_silence(bench: Bench) -> None:
    groups = bench.pack.series
    for _ in range(30):
        bench.now_s += 0.05
        bench.uptime_s += 0.05
        bench.board_says(Sample(0, 0, SampleOtherValid.CURRENT, 0, 0, (0,) * groups, ()))
        bench.pipeline.tick(bench.now_s)
    assert "link_lost" in raised(bench)


def test_a_fault_of_the_core_is_no_quiet(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ArithmeticError("a fault in the estimator")

    monkeypatch.setattr("sagwise_daemon.domain.estimate.take", broken)
    bench.said.clear()
    for _ in range(30):
        bench.sample(3.9)
        bench.pipeline.tick(bench.now_s)
    assert "link_lost" in raised(bench)
    assert not any(isinstance(message, Heartbeat) for message in bench.said)
    notice = bench.live.latest().notice
    assert notice is not None
    assert "fault of its own" in notice
    monkeypatch.undo()
    bench.sample(3.9)
    bench.pipeline.tick(bench.now_s)
    assert bench.live.latest().notice is None


def test_a_ride_begins_with_what_came_before_it(bench: Bench) -> None:
    bench.samples(2.0, 3.7, 60.0)
    (start,) = bench.recorder.started
    first_s, last_s = bench.recorder.rows[0][1], bench.recorder.rows[-1][1]
    assert start.boot_id == BOOT
    assert start.time_s == first_s
    assert last_s - first_s == pytest.approx(12.0, abs=0.2)
    assert bench.live.latest().ride_id == 11


def test_a_ride_ends_by_standing_still(bench: Bench) -> None:
    bench.samples(2.0, 3.7, 60.0)
    bench.samples(6.0, 3.85)
    assert bench.recorder.ended == [(11, "standstill")]
    assert bench.live.latest().ride_id is None


def test_a_ride_ends_with_the_link(bench: Bench) -> None:
    bench.samples(2.0, 3.7, 60.0)
    for _ in range(120):
        bench.now_s += 0.1
        bench.pipeline.tick(bench.now_s)
    assert bench.recorder.ended == [(11, "link")]


def test_a_reading_after_a_long_gap_is_no_part_of_the_ride_before(bench: Bench) -> None:
    bench.samples(2.0, 3.7, 60.0)
    rows = len(bench.recorder.rows)
    bench.sample(3.9, seconds=30.0)
    assert bench.recorder.ended == [(11, "link")]
    assert len(bench.recorder.rows) == rows
    bench.samples(3.0, 3.7, 60.0)
    assert bench.recorder.rows[rows][0] == 12


def test_the_daemons_end_closes_the_ride(bench: Bench) -> None:
    bench.samples(2.0, 3.7, 60.0)
    bench.pipeline.close()
    assert bench.recorder.ended == [(11, "stopped")]


def left(uptime_s: float, *, boot_id: int = BOOT, pack: str = "Otter 16s5p") -> UnfinishedRide:
    return UnfinishedRide(4, boot_id, round(uptime_s * 1e6), pack, 16, 100, 1.0)


def test_a_ride_that_was_cut_off_goes_on() -> None:
    bench = Bench(built_in_pack("otter")[1], Recorder(left(3.0)))
    bench.hello()
    bench.samples(1.0, 3.7, 60.0)
    assert bench.recorder.started == []
    assert {ride_id for ride_id, _ in bench.recorder.rows} == {4}


@pytest.mark.parametrize(
    "old",
    [left(3.0, boot_id=1), left(3.0, pack="Heron 14s"), left(-20.0), left(9.0)],
    ids=["another boot", "another pack", "too long ago", "uptime went back"],
)
def test_a_ride_that_cannot_go_on_ended_with_the_power(old: UnfinishedRide) -> None:
    bench = Bench(built_in_pack("otter")[1], Recorder(old))
    bench.hello()
    bench.samples(3.0, 3.7, 60.0)
    assert bench.recorder.ended == [(4, "power")]
    assert len(bench.recorder.started) == 1


def test_a_cut_off_ride_is_closed_even_if_no_board_ever_speaks() -> None:
    bench = Bench(built_in_pack("otter")[1], Recorder(left(3.0)))
    bench.pipeline.close()
    assert bench.recorder.ended == [(4, "power")]


class Refusing(Recorder):
    """A store on a disk that has been full for long."""

    def begin_ride(self, start: RideStart) -> int:
        raise StoreError("no ride can begin")

    def unfinished(self) -> UnfinishedRide | None:
        raise StoreError("the store cannot be read")


def test_a_ride_that_cannot_be_recorded_is_watched_and_its_alarms_are_told() -> None:
    bench = Bench(built_in_pack("otter")[1], Refusing())
    bench.hello()
    bench.samples(3.0, 2.5, 60.0)
    assert bench.flow.riding and bench.live.latest().ride_id is None
    assert {"loaded_floor"} <= {event.rule for _, event, _ in bench.recorder.events} and "loaded_floor" in raised(bench)
    notice = bench.live.latest().notice
    assert notice is None
    bench.pipeline.tick(bench.now_s)
    assert any(isinstance(message, Heartbeat) for message in bench.said)
    bench.pipeline.close()


def test_live_state_has_no_nan_and_knows_its_age(bench: Bench) -> None:
    state = bench.live.latest()
    assert state.link == "up"
    assert state.age_s == 0.0
    assert all(value is None or np.isfinite(value) for value in (*state.rest_v, *state.soc, state.distance_m))
    bench.now_s += 2.5
    assert bench.live.latest().age_s == 2.5
    bench.pipeline.on_down("unplugged")
    assert (bench.live.latest().link, bench.live.latest().notice) == ("lost", "No link to the board: unplugged.")
    bench.pipeline.host(HostState(storage=True, clock_unset=False), "The disk is nearly full.")
    assert bench.live.latest().notice == "No link to the board: unplugged. The disk is nearly full."
    bench.pipeline.host(HostState(storage=False, clock_unset=False), None)
    bench.pipeline.on_up()
    bench.sample(3.9)
    assert (bench.live.latest().link, bench.live.latest().notice) == ("up", None)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_is_null(value: float) -> None:
    assert plain(value) is None and column(np.array([value, 3.14159]), 2, 2) == (None, 3.14)


def test_a_board_that_is_refused_is_left_to_its_own_alarm() -> None:
    """Nobody judges its samples, so no heartbeat may tell it that somebody does; the link alarm sounds all the same."""
    bench = Bench(built_in_pack("heron")[1])
    sample = Sample(0xFFFF, 0, SampleOtherValid.CURRENT, 0, 0, (7800,) * 16, ())
    bench.said.clear()
    for _ in range(40):
        bench.now_s += 0.05
        bench.uptime_s += 0.05
        bench.board_says(sample)
        bench.pipeline.tick(bench.now_s)
    assert "link_lost" in raised(bench)
    assert bench.patterns()[-1][0] is Pattern.HIGH
    assert not any(isinstance(message, Heartbeat) for message in bench.said)
    bench.now_s += 20.0  # it is gone, and another may be plugged in
    bench.pipeline.tick(bench.now_s)
    assert any(isinstance(message, Heartbeat) for message in bench.said)


def test_a_wrong_pack_is_said_in_words() -> None:
    bench = Bench(built_in_pack("heron")[1])
    raw = (7800,) * 16
    bench.board_says(Sample(0xFFFF, 0, SampleOtherValid.CURRENT, 0, 0, raw, ()))
    bench.pipeline.tick(bench.now_s)
    notice = bench.live.latest().notice
    assert notice is not None
    assert "16 groups" in notice

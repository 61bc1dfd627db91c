"""What any ride store has to keep. Law: a backend passes by being opened through `open_store`, nothing else changes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.domain.model import AlarmState, Reading
from sagwise_daemon.domain.ports import Rides
from sagwise_daemon.io.store import Store


class RideStoreContract:
    """Subclass with a `backend` fixture that opens a store, again and again the same."""

    @pytest.fixture
    def open_store(self) -> Callable[[], Store]:
        raise NotImplementedError

    @pytest.fixture
    def opened(self, open_store: Callable[[], Store]) -> Iterator[Store]:
        with open_store() as store:
            yield store

    def test_an_empty_store_has_nothing(self, opened: Store) -> None:
        rides: Rides = opened.rides
        assert list(rides.rides()) == [] and list(rides.events()) == []
        assert opened.recorder.unfinished() is None
        for ask in (rides.ride, rides.channels, lambda n: rides.envelope(n, ["loaded_v"], 10)):
            with pytest.raises(KeyError):
                ask(1)

    def test_a_ride_reads_as_it_was_ridden(self, opened: Store, ridden) -> None:
        ride_id = ridden(opened, 200)
        ride = opened.rides.ride(ride_id)
        assert (ride.pack, ride.series, ride.samples, ride.ended_by) == ("Otter 16s5p", 4, 200, None)
        assert (ride.started_unix_s, ride.started_trusted) == (1_760_000_000.0, True)
        assert ride.duration_s == pytest.approx(9.95, abs=1e-9)
        assert ride.distance_m == pytest.approx(199 * 0.25)
        assert ride.rest_min_v == pytest.approx(3.85 - 0.0005 * 9)
        opened.recorder.end_ride(ride_id, "standstill")
        opened.recorder.flush()
        assert opened.rides.ride(ride_id).ended_by == "standstill"

    def test_it_is_all_there_after_reopening(self, open_store: Callable[[], Store], ridden) -> None:
        with open_store() as store:
            ride_id = ridden(store, 300, ended_by="stopped")
            before = store.rides.ride(ride_id)
            seen = store.rides.envelope(ride_id, ["loaded_v", "rest_v"], 20)
        with open_store() as store:
            assert store.rides.ride(ride_id) == before
            again = store.rides.envelope(ride_id, ["loaded_v", "rest_v"], 20)
            np.testing.assert_array_equal(seen.low, again.low)
            np.testing.assert_array_equal(seen.high, again.high)

    @pytest.mark.slow
    def test_identifiers_are_never_given_twice(self, open_store: Callable[[], Store], ridden, event) -> None:
        rides, events = [], []
        for _ in range(3):
            with open_store() as store:
                rides += [ridden(store, 2, ended_by="stopped") for _ in range(5)]
                events += [store.recorder.event(event(), None, 1.0)[0] for _ in range(100)]
        assert rides == list(range(1, 16)) and events == list(range(1, 301))

    def test_events_come_newest_first_with_their_place_in_the_ride(self, opened: Store, ridden, event) -> None:
        ride_id = ridden(opened, 20)
        sent = [event(100.5), event(101.0, AlarmState.ACKNOWLEDGED), event(102.0, AlarmState.UNACKNOWLEDGED, None)]
        ids = []
        for number, one in enumerate(sent):
            event_id, done = opened.recorder.event(one, ride_id, 1_760_000_000.0 + number)
            done.result(10)
            ids.append(event_id)
        outside, done = opened.recorder.event(event(900.0), None, 1_760_000_900.0)
        done.result(10)
        got = opened.rides.events(ride_id)
        assert [one.event_id for one in got] == ids[::-1] and [one.event for one in got] == sent[::-1]
        assert [one.ride_s for one in got] == [2.0, 1.0, 0.5]
        assert opened.rides.ride(ride_id).alarms == 2
        assert [one.event_id for one in opened.rides.events(limit=2)] == [outside, ids[-1]]
        assert opened.rides.events(limit=1)[0].ride_s is None

    def test_rides_come_newest_first_in_pages(self, opened: Store, start, readings) -> None:
        recorder = opened.recorder
        began = [1_760_000_000.0, 1_750_000_000.0, 1_770_000_000.0, 1_760_000_000.0]
        ids = []
        for unix_s in began:
            made = start()
            ids.append(recorder.begin_ride(type(made)(made.pack, 7, unix_s, True, 0, 100.0)))
            recorder.append(ids[-1], readings(0))
        recorder.flush()
        expected = [ids[2], ids[3], ids[0], ids[1]]
        assert [ride.ride_id for ride in opened.rides.rides()] == expected
        first = opened.rides.rides(limit=2)
        rest = opened.rides.rides(limit=10, before_id=first[-1].ride_id)
        assert [ride.ride_id for ride in [*first, *rest]] == expected

    def test_channels_are_the_trace_columns_estimates_and_both_extremes(self, opened: Store, ridden) -> None:
        names = opened.rides.channels(ridden(opened, 5, series=2))
        assert list(names) == [
            "group_01_v",
            "group_02_v",
            "current_a",
            "temperature_1_c",
            "temperature_2_c",
            "distance_m",
            *(f"group_{n}_{what}" for n in ("01", "02") for what in
              ("rest_v", "rest_sigma_v", "ocv_v", "resistance_mohm", "soc")),
            "loaded_v",
            "rest_v",
        ]  # fmt: skip

    def test_envelope_is_the_extremes_of_every_span(self, opened: Store, ridden, readings) -> None:
        """To the reading where spans are short or end where stored ones do."""
        ride_id = ridden(opened, 1500)
        names = [*opened.rides.channels(ride_id)[:8], "loaded_v"]
        for points, start_s, end_s in ((60, None, None), (100, 5.02, 61.7), (400, 60.0, 62.0), (35, 2.0, 72.0)):
            got = opened.rides.envelope(ride_id, names, points, start_s, end_s)
            assert got.channels == tuple(names) and got.low.shape == got.high.shape == (len(names), points)
            low, high = brute_envelope([readings(n) for n in range(1500)], points, start_s or 0.0, end_s or 74.95)
            inside = slice(0, points - (points == 35))  # the last span takes in the moment at its end
            np.testing.assert_allclose(got.low[:, inside], low[:, inside], rtol=0, atol=1e-12, equal_nan=True)
            np.testing.assert_allclose(got.high[:, inside], high[:, inside], rtol=0, atol=1e-12, equal_nan=True)

    @pytest.mark.parametrize("ended_by", [None, "stopped"])
    @pytest.mark.parametrize(
        ("points", "start_s", "end_s"), [(37, None, None), (11, 5.3, 61.7), (3, 0.7, 74.0), (2, 3.2, 71.0)]
    )
    def test_long_spans_lose_no_extreme_and_move_it_by_less_than_their_own_length(
        self, opened: Store, ridden, readings, points, start_s, end_s, ended_by
    ) -> None:
        ride_id = ridden(opened, 1500, ended_by=ended_by)
        names = [*opened.rides.channels(ride_id)[:8], "loaded_v"]
        got = opened.rides.envelope(ride_id, names, points, start_s, end_s)
        start_s, end_s = start_s or 0.0, end_s or 74.95
        width = (end_s - start_s) / points
        reach = 2.0 if width < 16.0 else 16.0
        sent = [readings(n) for n in range(1500)]
        for span in range(points):
            first, last = start_s + span * width, start_s + (span + 1) * width
            wide = brute_envelope(sent, 1, max(first - reach, 0.0), min(last + reach, 74.95))
            assert np.all(got.low[:, span] >= wide[0][:, 0]) and np.all(got.high[:, span] <= wide[1][:, 0])
            if width > 2 * reach + 0.1:
                narrow = brute_envelope(sent, 1, first + reach, last - reach)
                assert np.all(got.low[:, span] <= narrow[0][:, 0]) and np.all(got.high[:, span] >= narrow[1][:, 0])
        low, high = brute_envelope(sent, 1, start_s, end_s)
        np.testing.assert_array_less(np.nanmin(got.low, axis=1), low[:, 0] + 1e-12)
        np.testing.assert_array_less(high[:, 0] - 1e-12, np.nanmax(got.high, axis=1))

    def test_envelope_refuses_what_it_cannot_do(self, opened: Store, ridden) -> None:
        ride_id = ridden(opened, 5)
        with pytest.raises(ValueError, match="group_05_v"):
            opened.rides.envelope(ride_id, ["loaded_v", "group_05_v"], 10)
        with pytest.raises(ValueError, match="empty"):
            opened.rides.envelope(ride_id, ["loaded_v"], 10, 3.0, 3.0)
        with pytest.raises(ValueError, match="points"):
            opened.rides.envelope(ride_id, ["loaded_v"], 0)

    def test_a_ride_of_one_sample_can_be_looked_at(self, opened: Store, ridden) -> None:
        got = opened.rides.envelope(ridden(opened, 1), ["group_01_v"], 4)
        assert np.isfinite(got.low[0, 0]) and np.isnan(got.low[0, 1:]).all()

    def test_a_wrong_number_of_groups_is_refused_and_the_ride_goes_on(self, opened: Store, ridden, readings) -> None:
        ride_id = ridden(opened, 10)
        for wrong in (
            readings(11, series=3),
            Reading(float("nan"), np.full(4, 3.5)),
            Reading(float("inf"), np.full(4, 3.5)),
        ):
            with pytest.raises(ValueError, match=f"ride {ride_id}"):
                opened.recorder.append(ride_id, wrong)
        opened.recorder.append(ride_id, readings(12))
        opened.recorder.flush()
        assert opened.rides.ride(ride_id).samples == 11

    def test_a_ride_that_is_not_open_takes_nothing(self, opened: Store, ridden, readings) -> None:
        ride_id = ridden(opened, 3, ended_by="stopped")
        for unknown in (ride_id, 99):
            with pytest.raises(KeyError):
                opened.recorder.append(unknown, readings(5))
            with pytest.raises(KeyError):
                opened.recorder.end_ride(unknown, "power")

    def test_time_that_does_not_rise_is_left_out_and_said(self, opened: Store, start, readings) -> None:
        ride_id = opened.recorder.begin_ride(start())
        for number in (0, 1, 2, 1, 2, 3):
            opened.recorder.append(ride_id, readings(number))
        opened.recorder.flush()
        assert opened.rides.ride(ride_id).samples == 4
        (gap,) = opened.rides.gaps(ride_id)
        assert (gap.cause, gap.first_time_us, gap.last_time_us, gap.samples) == ("order", 50_000, 100_000, 2)

    def test_several_boots_in_one_ride(self, opened: Store, start, readings) -> None:
        ride_id = opened.recorder.begin_ride(start())
        for number in range(10):
            opened.recorder.append(ride_id, readings(number, boot_id=7 if number < 6 else 9))
        opened.recorder.flush()
        assert [(b.boot_id, b.first_time_us, b.uptime_us) for b in opened.rides.boots(ride_id)] == [
            (7, 0, 1_000_000),
            (9, 300_000, 1_300_000),
        ]


def brute_envelope(sent: list[Reading], points: int, start_s: float, end_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Minimum and maximum span by span, the plain way."""
    width = (end_s - start_s) / points
    rows: list[list[list[float]]] = [[[] for _ in range(points)] for _ in range(9)]
    for reading in sent:
        time_s = round(reading.time_s - 100.0, 6)
        if not start_s <= time_s <= end_s:
            continue
        span = min(int((time_s - start_s) / width + 1e-9), points - 1)
        values = [*reading.group_v, reading.current_a, *reading.temperature_c, reading.distance_m]
        for row, value in enumerate(values):
            if not np.isnan(value):
                rows[row][span].append(value)
        rows[8][span] += [value for value in reading.group_v if not np.isnan(value)]
    low = np.array([[min(some, default=np.nan) for some in row] for row in rows])
    return low, np.array([[max(some, default=np.nan) for some in row] for row in rows])


class TestSqliteStore(RideStoreContract):
    @pytest.fixture
    def open_store(self, fresh: Path) -> Callable[[], Store]:
        return lambda: Store.open(fresh)

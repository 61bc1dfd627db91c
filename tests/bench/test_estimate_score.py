"""The scorer of the estimation bench, by synthetic estimates whose figures can be worked out by hand."""

from __future__ import annotations

import math

import estimators
import numpy as np
import pytest
from estimate_score import Found, Tally, false_alarms, falsely_s, judge, lateness_s, missed
from truth_rides import Truth

from sagwise_daemon.domain.model import AlarmEvent, AlarmState, Priority

LIMIT = 3.3
ROWS = 2000


def truth(*kinds: str, rest: np.ndarray | None = None) -> Truth:
    """200 s; every group's rest falls from 3.5 V by 1.5 mV a second, unless given."""
    moments = np.arange(0, ROWS, 100)
    fall = 3.5 - 0.0015 * moments * 0.1 if rest is None else rest
    shape = (len(kinds), 1)
    return Truth(
        name="made up",
        about={"set": "Chen2020", "capacity_ah": 5.0, "groups": [{"kind": kind} for kind in kinds]},
        volts=np.full((len(kinds), ROWS), 3.3),
        current_a=np.full(ROWS, 20.0),
        temperature_c=np.full(ROWS, 25.0),
        rest=np.tile(fall, shape),
        ocv=np.tile(fall + 0.01, shape),
        soc=np.tile(np.linspace(0.3, 0.1, len(moments)), shape),
        r_1s_mohm=np.full((len(kinds), 3), 5.0),
        rest_row=moments,
        step_row=np.array([300, 900, 1500]),
        curve_soc=np.array([0.0, 1.0]),
        curve_v=np.array([3.0, 4.2]),
    )


def found(of: Truth, off_v: float = 0.0, sigma: float = 0.01, alarms: list | None = None) -> Found:
    rest = of.rest_by_row.T + off_v
    nothing: list = [[] for _ in of.kinds]
    said = np.full(rest.shape, 5.5)
    return Found(rest, np.full(rest.shape, sigma), rest + 0.01, said, nothing if alarms is None else alarms)


def test_what_is_right_has_no_error() -> None:
    tally = Tally()
    ride = truth("healthy", "weak")
    tally.add(judge(ride, found(ride), LIMIT))
    figures = tally.figures()
    for name in ("rest_rmse", "rest_p99", "rest_max", "rest_weak", "ocv_rmse", "ocv_low"):
        assert figures[name] == pytest.approx(0.0, abs=1e-9), name
    assert figures["inside"] == 1.0
    assert figures["known"] == 1.0
    assert figures["resistance"] == pytest.approx(0.10)


def test_a_known_error_is_told_in_millivolts_and_shares_of_sigma() -> None:
    ride, tally = truth("healthy", "weak"), Tally()
    said = found(ride, sigma=0.01)
    said.rest[:, 0] += 0.012
    said.rest[:, 1] -= 0.03
    tally.add(judge(ride, said, LIMIT))
    figures = tally.figures()
    assert figures["rest_rmse"] == pytest.approx(12.0)
    assert figures["rest_max"] == pytest.approx(12.0)
    assert figures["rest_weak"] == pytest.approx(30.0)
    assert figures["inside"] == pytest.approx(0.5)


def test_rms_p99_and_max_of_uneven_errors() -> None:
    ride, tally = truth("healthy"), Tally()
    said = found(ride)
    said.rest[1000, 0] += 0.1
    tally.add(judge(ride, said, LIMIT))
    figures = tally.figures()
    assert figures["rest_rmse"] == pytest.approx(100 / np.sqrt(18))  # twenty moments, two of them in the first 15 s
    assert figures["rest_max"] == pytest.approx(100.0)
    assert 0 < figures["rest_p99"] < 100


def test_only_what_is_unknown_after_15_s_counts_as_unknown() -> None:
    ride, tally = truth("healthy"), Tally()
    said = found(ride)
    said.rest[:150] = np.nan
    said.rest[1901:] = np.nan
    said.rest[400:601] = np.nan
    tally.add(judge(ride, said, LIMIT))
    assert tally.figures()["known"] == pytest.approx(15 / 18)


def test_the_other_kinds_are_kept_apart() -> None:
    ride, tally = truth("healthy", "both", "resistive"), Tally()
    said = found(ride)
    said.rest[:] += np.array([0.001, 0.002, 0.003])
    tally.add(judge(ride, said, LIMIT))
    figures = tally.figures()
    assert figures["rest_rmse"] == pytest.approx(1.0)
    assert figures["rest_weak"] == pytest.approx(2.0)
    assert figures["rest_other"] == pytest.approx(3.0)


def test_nothing_judged_is_nan() -> None:
    assert all(math.isnan(v) for name, v in Tally().figures().items() if name != "missed")


@pytest.mark.parametrize(
    ("start_s", "false", "early"),
    [
        (100.0, 1, 1),  # the truth is 50 mV over and stays 27 mV over for 15 s
        (110.0, 0, 1),  # within 20 mV 15 s later, never under
        (125.0, 0, 0),  # under the limit within 15 s
        (150.0, 0, 0),
    ],
)
def test_what_is_a_false_alarm(start_s: float, false: int, early: int) -> None:
    """The truth falls under the limit at 133.3 s."""
    true_v = truth("healthy").rest_by_row[0]
    assert false_alarms(true_v, [(start_s, 200.0)], LIMIT) == (false, early)


def test_time_falsely_alarmed_ends_where_the_truth_comes_near() -> None:
    true_v = truth("healthy").rest_by_row[0]
    assert falsely_s(true_v, [(100.0, 200.0)], LIMIT) == pytest.approx(20.0, abs=0.2)  # 20 mV over at 120 s
    assert falsely_s(true_v, [(140.0, 200.0)], LIMIT) == 0


@pytest.mark.parametrize(
    ("alarms", "late_s"),
    [
        ([(140.0, 200.0)], 6.7),
        ([(120.0, 200.0)], -13.3),
        ([(50.0, 60.0), (150.0, 200.0)], 16.7),  # the first was over before
        ([], 66.7),
    ],
)
def test_lateness(alarms: list[tuple[float, float]], late_s: float) -> None:
    assert lateness_s(truth("weak").rest_by_row[0], alarms, LIMIT) == pytest.approx(late_s, abs=0.11)


def test_lateness_needs_a_crossing_that_matters() -> None:
    assert lateness_s(np.linspace(3.5, 3.29, ROWS), [], LIMIT) is None
    assert lateness_s(np.linspace(3.28, 3.2, ROWS), [], LIMIT) is None


def test_missed() -> None:
    """The truth is 20 mV under the limit from 146.7 s to the end."""
    true_v = truth("weak").rest_by_row[0]
    assert missed(true_v, [], LIMIT) == 1
    assert missed(true_v, [(10.0, 20.0)], LIMIT) == 1
    assert missed(true_v, [(195.0, 200.0)], LIMIT) == 0
    assert missed(true_v[:1750], [], LIMIT) == 0  # for 28 s only


def test_false_per_hour_is_of_the_pack_and_of_its_healthy_groups() -> None:
    ride, tally = truth("healthy", "healthy", "weak"), Tally()
    tally.add(judge(ride, found(ride, alarms=[[(20.0, 30.0)], [(20.0, 30.0), (50.0, 60.0)], [(20.0, 30.0)]]), LIMIT))
    figures = tally.figures()
    assert figures["false"] == pytest.approx(3 / (200 / 3600))
    assert figures["false_weak"] == pytest.approx(1 / (200 / 3600))
    assert figures["falsely"] == pytest.approx(30 / 400, abs=0.01)


def test_the_worst_lateness_counts() -> None:
    ride, tally = truth("healthy", "healthy"), Tally()
    tally.add(judge(ride, found(ride, alarms=[[(140.0, 200.0)], [(160.0, 200.0)]]), LIMIT))
    assert tally.figures()["late_healthy"] == pytest.approx(26.7, abs=0.2)


def event(time_s: float, group: int, to: AlarmState, rule: str = "rest_low") -> AlarmEvent:
    return AlarmEvent(time_s, rule, group, to, Priority.HIGH, None, None, "V")


def test_an_alarm_sounds_only_while_unacknowledged() -> None:
    events = (
        event(1.0, 1, AlarmState.UNACKNOWLEDGED),
        event(2.0, 2, AlarmState.UNACKNOWLEDGED),
        event(3.0, 1, AlarmState.RETURN_UNACKNOWLEDGED),
        event(4.0, 1, AlarmState.UNACKNOWLEDGED, rule="loaded_floor"),
        event(5.0, 1, AlarmState.UNACKNOWLEDGED),
        event(6.0, 1, AlarmState.SUPPRESSED_BY_DESIGN),
        event(7.0, 1, AlarmState.UNACKNOWLEDGED),
    )
    assert estimators.sounding(events, "rest_low", 1, 9.0) == [(1.0, 3.0), (5.0, 6.0), (7.0, 9.0)]


def test_the_buzzer_waits_a_second_and_rearms_at_the_limit() -> None:
    time_s = np.arange(100) * 0.1
    volts = np.full(100, 3.5)
    volts[10:25] = 3.0  # 1.5 s
    volts[40:48] = 3.0  # 0.8 s
    volts[80:] = 3.0
    spans = estimators.buzzer(time_s, volts, LIMIT)
    assert spans == [(pytest.approx(2.0), pytest.approx(2.5)), (pytest.approx(9.0), pytest.approx(10.0))]

"""What is proposed from rides: raised on one late ride, lowered only on many early ones, never under empty.

The rides are made here in closed form: the weakest group's rest voltage falls in a straight line, every so often a
pull sags 0.5 V below it. The policy is the project's own; common practice, no published source.
"""

from __future__ import annotations

from typing import Any

import pytest
from hard_ride import a_cell
from hypothesis import given, settings
from hypothesis import strategies as st

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.model import Pack
from sagwise_daemon.domain.pack.profile import build_pack
from sagwise_daemon.domain.ride.advice import (
    ENOUGH_LOW,
    ENOUGH_RIDES,
    Change,
    RideTried,
    advise,
    candidates,
    present,
    usual_v,
)
from sagwise_daemon.domain.ride.settings_grid import Setting, Tried, Warnings

SAG_V, PULLS_S = 0.5, 60.0


def a_pack(**rest_low: Any) -> Pack:
    return build_pack("Otter", 5, 5, a_cell(), {"rest_low": rest_low})


def warnings(raises: list[tuple[float, int]], duration_s: float, floor_s: float | None) -> Warnings:
    if not raises:
        return Warnings(())
    first_s = raises[0][0]
    return Warnings(tuple(raises), duration_s - first_s, None, None if floor_s is None else floor_s - first_s, None)


def a_ride(
    pack: Pack,
    number: int,
    start_v: float,
    end_v: float,
    duration_s: float = 1800.0,
    floor_s: float | None = None,
    returns: int = 0,
) -> RideTried:
    """returns: how often a warning with an on-delay under 2 s comes back for the same group."""

    def tried(setting: Setting) -> Tried:
        def moment(level_v: float) -> float:
            return max(0.0, (start_v - level_v) / (start_v - end_v)) * duration_s + setting.on_delay_s

        low_s = moment(setting.limit_v)
        rest = [(low_s, 3)] if low_s < duration_s else []
        if rest and setting.on_delay_s < 2.0:
            rest += [(low_s + step, 3) for step in range(1, returns + 1)]
        sag_s = moment(setting.limit_v + SAG_V)
        plain = [(sag_s + PULLS_S * pull, 3) for pull in range(int(max(0.0, duration_s - sag_s) / PULLS_S) + 1)]
        if sag_s >= duration_s or setting.on_delay_s > 4.0:
            plain = []
        return Tried(setting, warnings(rest, duration_s, floor_s), warnings(plain, duration_s, floor_s))

    return RideTried(number, duration_s, floor_s, {setting: tried(setting) for setting in candidates(pack)})


def test_candidates_run_from_empty_to_four_steps_up_with_every_delay() -> None:
    tried = candidates(a_pack())
    limits = sorted({setting.limit_v for setting in tried})
    assert limits == [2.8, 2.85, 2.9, 2.95, 3.0, 3.05, 3.1, 3.15, 3.2, 3.25, 3.3, 3.35, 3.4, 3.45, 3.5]
    assert {setting.on_delay_s for setting in tried} == {0.5, 1.0, 2.0, 5.0}
    odd = candidates(a_pack(volts=3.222, on_delay_s=3.0))
    assert present(a_pack(volts=3.222, on_delay_s=3.0)) in odd
    assert min(setting.limit_v for setting in odd) == 2.8
    assert 3.3 in {setting.limit_v for setting in odd}


@pytest.mark.parametrize(("name", "highest"), [("wren", 3.15), ("heron", 3.70), ("otter", 3.50)])
def test_no_limit_is_tried_at_which_a_group_is_far_from_empty(name: str, highest: float) -> None:
    """By the published curves a quarter of the charge is 3.19, 3.72 and 3.53 V; 3.30 V of LFP is three quarters."""
    limits = {setting.limit_v for setting in candidates(built_in_pack(name)[1])}
    assert max(limits) == highest


def test_a_floor_met_by_sag_on_a_plateau_blames_no_limit() -> None:
    """LFP that rests at 3.25 V and is pulled to the floor: 3.30 V would "warn" from the ride's first minute on."""
    pack = built_in_pack("wren")[1]
    advice = advise(pack, [a_ride(pack, 1, 3.28, 3.21, floor_s=600.0)])
    assert (advice.change, advice.counted.by_sag, advice.proposed.limit_v) == (Change.KEEP, (1,), 3.1)


def test_without_rides_everything_stays_and_it_is_said_to_be_too_little() -> None:
    advice = advise(a_pack(), [])
    assert (advice.change, advice.proposed) == (Change.KEEP, Setting(3.3, 1.0))
    assert not advice.counted.enough
    assert advice.buzzer is None


def test_before_enough_rides_a_limit_under_the_usual_goes_back_up() -> None:
    pack = a_pack(volts=3.1)
    advice = advise(pack, [a_ride(pack, 1, 3.9, 3.5)])
    assert usual_v(pack) == 3.3
    assert (advice.change, advice.proposed.limit_v) == (Change.RAISE, 3.3)


def test_one_late_ride_raises_the_limit_to_the_lowest_that_is_in_time() -> None:
    """3.3 V is met at 1080 s; the floor 60 s later. 5 mV fall in 9 s: 120 s of lead need 33 mV more, so one step."""
    pack = a_pack()
    advice = advise(pack, [a_ride(pack, 4, 3.9, 2.9, floor_s=1141.0)])
    assert (advice.change, advice.late) == (Change.RAISE, (4,))
    assert advice.proposed.limit_v == 3.35
    more = advise(pack, [a_ride(pack, 4, 3.9, 2.9, floor_s=1141.0), a_ride(pack, 5, 3.9, 2.9, floor_s=1010.0)])
    assert more.proposed.limit_v == 3.45


def test_where_no_limit_is_in_time_the_highest_is_proposed() -> None:
    pack = a_pack()
    advice = advise(pack, [a_ride(pack, 1, 3.9, 2.9, floor_s=780.0)])  # 3.5 V is met at 721 s
    assert advice.proposed.limit_v == 3.5
    assert advice.change is Change.RAISE


def test_a_warning_in_time_keeps_the_limit() -> None:
    pack = a_pack()
    advice = advise(pack, [a_ride(pack, 1, 3.9, 2.9, floor_s=1300.0)])
    assert (advice.change, advice.late, advice.counted.floor) == (Change.KEEP, (), (1,))


def test_a_floor_met_by_sag_alone_blames_no_limit() -> None:
    pack = a_pack()
    advice = advise(pack, [a_ride(pack, 2, 3.9, 3.6, floor_s=200.0)])
    assert advice.counted.by_sag == advice.counted.floor == (2,)
    assert (advice.change, advice.late) == (Change.KEEP, ())


def early(pack: Pack, count: int, **more: Any) -> list[RideTried]:
    """3.3 V met at 900 s of 1800 s, 3.25 V at 975 s; no floor."""
    return [a_ride(pack, number, 3.9, 2.7, **more) for number in range(1, count + 1)]


def test_enough_early_rides_lower_the_limit_by_one_step() -> None:
    pack = a_pack()
    assert ENOUGH_LOW < ENOUGH_RIDES
    assert advise(pack, early(pack, ENOUGH_RIDES - 1)).change is Change.KEEP
    advice = advise(pack, early(pack, ENOUGH_RIDES))
    assert advice.counted.enough
    assert (advice.change, advice.proposed.limit_v) == (Change.LOWER, 3.25)


def test_rides_that_stayed_high_do_not_count_as_low() -> None:
    pack = a_pack()
    rides = early(pack, ENOUGH_LOW - 1) + [a_ride(pack, number, 4.1, 3.7) for number in range(10, 20)]
    assert advise(pack, rides).change is Change.KEEP
    assert not advise(pack, rides).counted.enough


@pytest.mark.parametrize("spoiler", [{"floor_s": 1500.0}, {"duration_s": 1000.0}])
def test_a_single_ride_that_met_the_floor_or_was_warned_late_keeps_the_limit(spoiler: dict[str, float]) -> None:
    """Ridden faster, the same voltages come in 1000 s: the lowered limit would leave 458 s, not ten minutes."""
    pack = a_pack()
    rides = [*early(pack, ENOUGH_RIDES), a_ride(pack, 99, 3.9, 2.7, **spoiler)]
    assert advise(pack, rides).change is Change.KEEP


def test_a_limit_near_empty_is_not_lowered_further() -> None:
    pack = a_pack(volts=2.92)
    rides = [a_ride(pack, number, 3.9, 1.9) for number in range(ENOUGH_RIDES)]
    assert advise(pack, rides).change is Change.KEEP


def test_a_longer_delay_where_warnings_come_back_again_and_again() -> None:
    pack = a_pack()
    calm = advise(pack, [a_ride(pack, number, 3.9, 3.2) for number in range(ENOUGH_RIDES)])
    assert calm.proposed.on_delay_s == 1.0
    restless = advise(pack, [a_ride(pack, number, 3.9, 3.2, returns=4) for number in range(ENOUGH_RIDES)])
    assert restless.proposed == Setting(3.3, 2.0)


def test_a_few_rides_make_no_delay_longer() -> None:
    """It is said so: "until then nothing is made to warn later"."""
    pack = a_pack()
    few = advise(pack, [a_ride(pack, number, 3.9, 3.2, returns=4) for number in range(ENOUGH_RIDES - 1)])
    assert not few.counted.enough
    assert few.proposed == Setting(3.3, 1.0)


def test_a_delay_is_never_shortened() -> None:
    pack = a_pack(on_delay_s=5.0)
    assert advise(pack, [a_ride(pack, 1, 3.9, 3.2, returns=4)]).proposed.on_delay_s == 5.0


def test_the_buzzer_that_catches_most_and_cries_wolf_least() -> None:
    """Rest falls 0.4 mV a second and pulls sag 0.5 V: a buzzer at 2.80 V sounds first at the same time as 3.30 V."""
    pack = a_pack()
    advice = advise(pack, [a_ride(pack, 1, 3.9, 3.2), a_ride(pack, 2, 3.9, 3.5)])
    assert advice.buzzer is not None
    assert advice.buzzer.setting.limit_v == 2.8
    assert (advice.buzzer.in_time, advice.buzzer.false) == (1, 0)
    at_the_limit = a_ride(pack, 1, 3.9, 3.2).tried[Setting(3.3, 1.0)].plain
    assert at_the_limit.count > 10, "the same limit cries wolf"


@settings(max_examples=60, deadline=None)
@given(
    st.floats(2.8, 4.0),
    st.lists(
        st.tuples(st.floats(3.3, 4.2), st.floats(0.05, 1.5), st.floats(300, 7200), st.none() | st.floats(0.0, 1.0)),
        max_size=8,
    ),
)
@pytest.mark.slow
def test_never_under_empty_never_lower_on_few_rides_or_after_a_floor(volts: float, rides: list[Any]) -> None:
    pack = a_pack(volts=round(volts, 2))
    made = [
        a_ride(pack, number, start, start - fall, seconds, None if part is None else part * seconds)
        for number, (start, fall, seconds, part) in enumerate(rides)
    ]
    advice = advise(pack, made)
    assert advice.proposed.limit_v >= pack.cell.empty_v
    assert advice.proposed.limit_v >= advice.now.limit_v - 0.0501
    assert advice.proposed.on_delay_s >= advice.now.on_delay_s
    if len(rides) < ENOUGH_RIDES or any(ride.floor_s is not None for ride in made):
        assert advice.proposed.limit_v >= advice.now.limit_v
    if advice.buzzer is not None:
        assert advice.buzzer.setting.limit_v >= pack.cell.empty_v

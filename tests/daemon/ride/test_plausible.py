"""Records that somebody else measured: what a wrong sign, unit or pack looks like. Figures in closed form: a group of
22.5 Ah and 3 mOhm sags 0.0675 V at 1C.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from truth_rides import Sensors, Told, kept, load, pack_of
from truth_rides import readings as measured

from sagwise_daemon.domain.model import Floats, Readings
from sagwise_daemon.domain.ride.plausible import doubts

PULLS = np.repeat(np.tile([0.0, 45.0, 10.0, 80.0], 40), 10)


@pytest.fixture
def ride(record: Any) -> Any:
    """160 s of pulls of up to 80 A, ten rows a second, with 1 mV of noise."""
    made = record(PULLS, resistance_mohm=(3.0,) * 4)
    made.readings.group_v[:] += np.random.default_rng(1).normal(0, 0.001, made.readings.group_v.shape)
    return made


def test_a_ride_of_the_pack_is_doubted_in_no_word(ride: Any, pack: Any) -> None:
    assert doubts(ride.readings, pack()) == ()
    assert doubts(replace(ride.readings, current_a=np.full(len(PULLS), np.nan)), pack()) == (), "no current sensor"


def current(scale: float) -> Callable[[Readings], Floats]:
    return lambda readings: readings.current_a * scale


@pytest.mark.parametrize(
    ("name", "change", "words"),
    [
        ("current_a", current(-1.0), "its sign is turned"),
        ("current_a", current(0.001), " V at once, which none does: the current's unit"),
        ("current_a", current(1000.0), "a group would sag 0.06"),
        ("time_s", lambda readings: readings.time_s * 1000.0, "rows lie 100 s apart"),
        ("time_s", lambda readings: readings.time_s / 1000.0, "rows lie 100 µs apart"),
        ("group_v", lambda readings: readings.group_v + 0.5, "is full at 4.20 V: it is another pack's"),
        ("group_v", lambda readings: readings.group_v / 1000.0, "unit is wrong, or it is another pack's"),
        ("temperature_c", lambda readings: readings.temperature_c + 273.15, "the temperature is 298 °C"),
    ],
)
def test_what_does_not_fit_is_named_with_the_likeliest_mistake(
    ride: Any, pack: Any, name: str, change: Callable[[Readings], Floats], words: str
) -> None:
    said = doubts(replace(ride.readings, **{name: change(ride.readings)}), pack())
    assert any(words in one for one in said)


def test_what_is_not_measured_or_too_short_is_not_doubted(ride: Any, pack: Any) -> None:
    nothing = replace(
        ride.readings,
        group_v=np.full_like(ride.readings.group_v, np.nan),
        temperature_c=np.full_like(ride.readings.temperature_c, np.nan),
    )
    assert doubts(nothing, pack()) == ()
    assert doubts(ride.readings.rows(slice(0, 1)), pack()) == ()


@pytest.mark.slow
def test_no_simulated_ride_of_published_cells_is_doubted_and_most_turned_signs_are_found() -> None:
    """Eleven rides of electrochemical models with rough sensors, the current 0.1 and 0.3 s late; steady rides tell no
    sign.
    """
    turned = 0
    for path in kept():
        truth = load(path)
        pack = pack_of(truth, Told())
        for delay_s in (0.1, 0.3):
            assert doubts(measured(truth, Sensors(delay_s=delay_s)), pack) == (), (path.name, delay_s)
        readings = measured(truth, Sensors())
        turned += any("sign" in one for one in doubts(replace(readings, current_a=-readings.current_a), pack))
    assert turned >= 9

"""A ride's totals. Law: by pieces the same as by the whole, and the same as the domain's summary of the readings.

The hand-worked figures: 10 A at 4 groups of 3.5 V (140 W) for 36 s are 0.1 Ah and 1.4 Wh.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sagwise_daemon.domain.model import Reading
from sagwise_daemon.domain.ride.summary import Summary
from sagwise_daemon.io.store.columns import samples
from sagwise_daemon.io.store.totals import Totals, advance, tail_of


@st.composite
def rides(draw: st.DrawFn) -> list[Reading]:
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    count, holes = draw(st.integers(1, 60)), draw(st.floats(0, 0.9))
    steps = rng.choice([0.05, 0.1, 0.5, 0.6, 1.0, 1.1, 3.0], count)
    times = np.round(np.cumsum(steps) - steps[0], 6)
    made, metres = [], 0.0
    for time_s in times:
        metres = 0.0 if rng.random() < 0.05 else metres + rng.integers(0, 300) / 100
        volts = np.where(rng.random(3) < holes / 2, np.nan, rng.integers(6000, 8400, 3) / 2000)
        amperes = np.nan if rng.random() < holes else rng.integers(-20000, 90000) / 1000
        made.append(
            Reading(float(time_s), volts, float(amperes), distance_m=np.nan if rng.random() < holes else metres)
        )
    return made


def advanced(readings: list[Reading], cuts: list[int], *, forget: bool = False) -> Totals:
    """forget: restore the tail from the last table alone, as after a crash."""
    totals, tail = Totals(), None
    for first, last in zip([0, *cuts], [*cuts, len(readings)], strict=True):
        if part := readings[first:last]:
            table = samples(part, np.array([round(r.time_s * 1e6) for r in part]))
            totals, tail = advance(totals, tail, table)
            if forget:
                tail = tail_of(table)
    return totals


def close(one: float | None, other: float | None) -> bool:
    if one is None or other is None or np.isnan(other):
        return one is None and (other is None or bool(np.isnan(other)))
    return one == pytest.approx(other, rel=1e-9, abs=1e-9)


@settings(max_examples=80, deadline=None)
@given(rides(), st.data())
@pytest.mark.slow
def test_pieces_are_the_whole_and_the_whole_is_the_summary(readings: list[Reading], data: st.DataObject) -> None:
    cuts = sorted(data.draw(st.lists(st.integers(0, len(readings)), max_size=6)))
    got, whole = advanced(readings, cuts), advanced(readings, [])
    summary = Summary(3)
    for reading in readings:
        summary.reading(reading)
    lowest = float(np.nanmin(summary.loaded_min_v)) if not np.isnan(summary.loaded_min_v).all() else None
    for totals in (got, whole):
        assert totals.samples == summary.samples and close(totals.duration_s, summary.duration_s)
        assert close(totals.charge_ah, summary.charge_ah)
        assert close(totals.energy_wh, summary.energy_wh)
        assert close(totals.distance_m, summary.distance_m)
        assert close(totals.current_max_a, summary.current_max_a)
        assert close(totals.loaded_min_v, lowest)


def test_a_known_ride() -> None:
    readings = [Reading(n * 0.5, np.full(4, 3.5), 10.0, distance_m=n * 1.0) for n in range(73)]
    totals = advanced(readings, [10, 11, 50], forget=True)
    assert totals.charge_ah == pytest.approx(0.1, abs=1e-12)
    assert totals.energy_wh == pytest.approx(1.4, abs=1e-12)
    assert (totals.distance_m, totals.duration_s, totals.samples) == (72.0, 36.0, 73)
    assert (totals.current_max_a, totals.loaded_min_v, totals.temperatures) == (10.0, 3.5, 0)


def test_without_a_current_sensor_nothing_is_made_up() -> None:
    totals = advanced([Reading(n * 0.5, np.full(4, 3.5)) for n in range(10)], [])
    assert (totals.energy_wh, totals.charge_ah, totals.current_max_a, totals.distance_m) == (None,) * 4

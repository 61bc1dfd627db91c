"""Two rides on one axis: what was the same stretch lies under the same place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sagwise_daemon.domain.ride.comparison import CHANNELS, compare, lay


def ride(record, amperes: float, seconds: float, **more):
    current = np.full(round(seconds * 10) + 1, amperes)
    metres = np.linspace(0.0, seconds * 5.0, len(current))
    return record(current, distance_m=metres, resistance_mohm=(0.0,) * 4, **more)


def test_by_time_a_ride_ends_where_it_ended(record) -> None:
    short, long = ride(record, 20.0, 100.0), ride(record, 20.0, 200.0)
    x, sides = compare([[lay(short, "time", ["rest_v"])], [lay(long, "time", ["rest_v"])]], 20)
    assert (x[0], x[-1]) == (5.0, 195.0)
    assert [side.end for side in sides] == [100.0, 200.0]
    low = sides[0].channels["rest_v"].low
    assert not np.isnan(low[:10]).any() and np.isnan(low[11:]).all()


def test_by_energy_the_same_rest_voltage_lies_under_the_same_place(record) -> None:
    """Twice the current uses the energy in half the time; on this pack of no resistance rest depends on energy only."""
    slow, fast = ride(record, 20.0, 400.0), ride(record, 40.0, 200.0)
    x, (one, other) = compare([[lay(slow, "energy", ["rest_v"])], [lay(fast, "energy", ["rest_v"])]], 40)
    assert one.end == pytest.approx(other.end, rel=1e-6)
    assert x[-1] < one.end < x[-1] + x[0] * 1.01
    middles = [(side.channels["rest_v"].low + side.channels["rest_v"].high) / 2 for side in (one, other)]
    assert np.nanmax(np.abs(middles[0] - middles[1])) < 0.001


def test_by_distance(record) -> None:
    made = ride(record, 20.0, 100.0)
    x, (side,) = compare([[lay(made, "distance", ["current_a"])]], 10)
    assert x == pytest.approx(np.arange(25.0, 500.0, 50.0))
    assert side.channels["current_a"].low == pytest.approx([20.0] * 10)


def test_braking_into_the_pack_never_runs_the_axis_backwards(record) -> None:
    current = np.concatenate([np.full(600, 30.0), np.full(300, -30.0), np.full(600, 30.0)])
    laid = lay(record(current), "energy", ["current_a"])
    axis, least, _ = laid.columns["current_a"]
    assert (np.diff(axis) >= 0).all() and axis[-1] == laid.end
    _, (side,) = compare([[laid]], 50)
    assert np.nanmin(side.channels["current_a"].low) == -30.0 and least.shape == (1500,)


def test_a_pack_is_the_median_of_its_rides(record) -> None:
    rides = [lay(ride(record, amperes, 100.0), "time", ["current_a"]) for amperes in (10.0, 20.0, 90.0)]
    _, (side,) = compare([rides], 10)
    assert side.channels["current_a"].low == pytest.approx([20.0] * 10)
    far = lay(ride(record, 10.0, 300.0), "time", ["current_a"])
    _, (side,) = compare([[*rides, far]], 30)
    assert np.isnan(side.channels["current_a"].low[12:]).all(), "one of four that went on is not the pack"


def test_a_gap_is_not_drawn_over(record) -> None:
    made = ride(record, 20.0, 100.0).readings
    keep = (made.time_s < 20.0) | (made.time_s > 80.0)
    whole = ride(record, 20.0, 100.0)
    cut = replace(whole, readings=replace(made, **{name: getattr(made, name)[keep] for name in made.__slots__}))
    _, (side,) = compare([[lay(cut, "time", ["loaded_v"])]], 100)
    low = side.channels["loaded_v"].low
    assert np.isnan(low[25:75]).all() and not np.isnan(low[:19]).any()


def test_an_axis_that_a_ride_has_not_is_refused(record) -> None:
    made = record(np.full(100, 20.0))
    with pytest.raises(ValueError, match="no distance"):
        lay(made, "distance", ["rest_v"])
    blind = replace(made, readings=replace(made.readings, current_a=np.full(100, np.nan)))
    with pytest.raises(ValueError, match="no current"):
        lay(blind, "energy", ["rest_v"])
    for by, channel in (("mood", "rest_v"), ("time", "soc")):
        with pytest.raises(KeyError):
            lay(made, by, [channel])
    assert lay(made, "time", CHANNELS).columns.keys() == set(CHANNELS)

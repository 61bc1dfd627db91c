"""Readings and estimates as integers. Law: a whole multiple of the wire's step survives exactly, extremes included.

The ranges are those of the wire's types in firmware_protocol/messages.toml.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sagwise_daemon.domain.model import Estimate, Reading
from sagwise_daemon.io.store.codec import CodecError
from sagwise_daemon.io.store.columns import (
    BOOT,
    CLOCK,
    CURRENT,
    DISTANCE,
    ESTIMATES,
    GROUP,
    OCV,
    RESISTANCE,
    REST,
    SIGMA,
    SOC,
    TEMPERATURE,
    Table,
    estimates,
    from_bytes,
    join,
    samples,
    signed,
    unsigned,
)

I16 = st.one_of(st.none(), st.sampled_from([-32768, -32767, -1, 0, 1, 32766, 32767]), st.integers(-32768, 32767))
I32 = st.one_of(st.none(), st.sampled_from([-(2**31), 2**31 - 1]), st.integers(-(2**31), 2**31 - 1))
U32 = st.one_of(st.none(), st.sampled_from([0, 2**32 - 1]), st.integers(0, 2**32 - 1))
WIRE = st.tuples(
    st.lists(I16, min_size=3, max_size=3),
    I32,
    st.lists(I16, min_size=2, max_size=2),
    U32,
    st.integers(1, 2**32 - 1),
    st.integers(0, 2**64 - 1),
    st.integers(1, 10**9),
)


def to_si(steps: int | None, step: float) -> float:
    return float("nan") if steps is None else steps * step


@settings(max_examples=50, deadline=None)
@given(st.lists(WIRE, min_size=1, max_size=25))
def test_every_wire_value_comes_back(rows: list[tuple]) -> None:
    times = np.cumsum([row[6] for row in rows])
    sent = [
        Reading(
            float(time) / 1e6,
            np.array([to_si(v, 0.0005) for v in groups]),
            to_si(current, 0.001),
            np.array([to_si(t, 0.01) for t in temperatures]),
            to_si(distance, 0.01),
            boot,
            uptime,
        )
        for time, (groups, current, temperatures, distance, boot, uptime, _) in zip(times, rows, strict=True)
    ]
    got = from_bytes(samples(sent, times).to_bytes())
    assert got.time_us.tolist() == times.tolist()
    clock, boot = got.block(CLOCK).values[0], got.block(BOOT).values[0]
    assert [unsigned(int(c) + int(t)) for c, t in zip(clock, times, strict=True)] == [row[5] for row in rows]
    assert boot.tolist() == [row[4] for row in rows]
    assert steps_of(got, GROUP) == [list(row[0]) for row in rows]
    assert steps_of(got, CURRENT) == [[row[1]] for row in rows]
    assert steps_of(got, TEMPERATURE) == [list(row[2]) for row in rows]
    assert steps_of(got, DISTANCE) == [[row[3]] for row in rows]


def steps_of(table: Table, index: int) -> list[list[int | None]]:
    block = table.block(index)
    return [
        [int(v) if ok else None for v, ok in zip(values, valid, strict=True)]
        for values, valid in zip(block.values.T, block.valid.T, strict=True)
    ]


def test_floats_are_the_wire_multiples() -> None:
    """3.7005 V is 7401 steps; what comes back is the double nearest to 7401 / 2000."""
    got = samples([Reading(0.0, np.array([3.7005, -0.0005, np.nan]), -12.345)], np.array([0]))
    assert got.floats(GROUP)[:2, 0].tolist() == [3.7005, -0.0005]
    assert np.isnan(got.floats(GROUP)[2, 0])
    assert got.floats(CURRENT).tolist() == [[-12.345]]


@pytest.mark.parametrize("value", [np.inf, -np.inf, np.nan, 1e300])
def test_what_is_no_number_of_the_wire_becomes_invalid(value: float) -> None:
    got = samples([Reading(0.0, np.array([value, 3.5]))], np.array([0]))
    assert got.block(GROUP).valid[:, 0].tolist() == [False, True]


def test_a_sensor_that_comes_later_was_invalid_before() -> None:
    one = samples([Reading(0.0, np.array([3.5]))], np.array([0]))
    two = samples([Reading(1.0, np.array([3.5]), temperature_c=np.array([20.0]))], np.array([10]))
    assert steps_of(join([one, two]), TEMPERATURE) == [[None], [2000]]
    both = samples(
        [Reading(0.0, np.array([3.5])), Reading(1.0, np.array([3.5]), temperature_c=np.array([20.0]))],
        np.array([0, 10]),
    )
    assert steps_of(both, TEMPERATURE) == [[None], [2000]]


def test_estimates_keep_their_steps() -> None:
    made = Estimate(
        0.0,
        rest_v=np.array([3.7005, np.nan]),
        rest_sigma_v=np.array([0.0085, np.nan]),
        ocv_v=np.array([3.712, np.nan]),
        resistance_mohm=np.array([2.87, np.nan]),
        resistance_25c_mohm=np.array([2.87, np.nan]),
        soc=np.array([0.731, np.nan]),
        unknown=np.array([0, 1], np.int8),
    )
    got = from_bytes(estimates([made], np.array([5])).to_bytes())
    assert got.kind == ESTIMATES
    for index, value in {REST: 3.7005, SIGMA: 0.0085, OCV: 3.712, RESISTANCE: 2.87, SOC: 0.731}.items():
        assert got.floats(index)[0, 0] == value and np.isnan(got.floats(index)[1, 0])


def test_a_block_left_out_is_not_taken_for_data() -> None:
    blob = samples([Reading(0.0, np.array([3.5]))], np.array([0])).to_bytes()
    with pytest.raises(CodecError, match="not decoded"):
        from_bytes(blob, wanted={CURRENT}).block(GROUP)


@pytest.mark.parametrize("value", [0, 1, 2**63 - 1, 2**63, 2**64 - 1])
def test_unsigned_integers_fit_where_signed_are_stored(value: int) -> None:
    assert -(2**63) <= signed(value) < 2**63
    assert unsigned(signed(value)) == value

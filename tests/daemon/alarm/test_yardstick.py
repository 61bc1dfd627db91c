"""The plain buzzer, against a reading-by-reading account of the same rule: the project's contract."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sagwise_daemon.domain.alarm.yardstick import plain_threshold

NAN = float("nan")


def test_sounds_after_a_second_below_and_re_arms_at_the_limit() -> None:
    lowest = [3.5] * 5 + [3.2] * 11 + [3.3] + [3.29] * 30 + [3.4]
    v = np.column_stack([np.full(len(lowest), 3.5), lowest])
    time_s = 100.0 + np.arange(len(lowest)) * 0.1
    assert plain_threshold(time_s, v, 3.30) == [(pytest.approx(101.5), 2), (pytest.approx(102.7), 2)]


def test_every_hard_pull_shorter_than_a_second_is_silent() -> None:
    v = np.tile([3.0] * 10 + [3.5], 20).reshape(-1, 1)
    assert plain_threshold(np.arange(len(v)) * 0.1, v, 3.30) == []


def test_sounds_where_the_trace_begins_or_ends_below() -> None:
    assert plain_threshold(np.arange(11) * 0.1, np.full((11, 1), 3.0), 3.3) == [(pytest.approx(1.0), 1)]
    assert plain_threshold(np.arange(10) * 0.1, np.full((10, 1), 3.0), 3.3) == []
    assert plain_threshold(np.arange(10) * 0.1, np.full((10, 1), NAN), 3.3) == []


def slowly(time_s: np.ndarray, group_v: np.ndarray, limit_v: float) -> list[float]:
    since, armed, moments = None, True, []
    for t, row in zip(time_s.tolist(), group_v, strict=True):
        if np.isnan(row).all():
            continue
        if np.nanmin(row) >= limit_v:
            since, armed = None, True
            continue
        since = t if since is None else since
        if armed and t >= since + 1.0 - 1e-9:
            moments.append(since + 1.0)
            armed = False
    return moments


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.05, 0.9), st.sampled_from([3.0, 3.2, 3.3, 3.5, NAN])), min_size=1, max_size=80),
    st.integers(0, 2**32 - 1),
)
def test_agrees_with_the_account_reading_by_reading(rows: list[tuple[float, float]], seed: int) -> None:
    steps, lowest = np.array(rows).T
    time_s = np.cumsum(steps)
    other = np.where(np.random.default_rng(seed).random(len(lowest)) < 0.3, NAN, 3.6)
    v = np.column_stack([other, lowest])
    sounded = plain_threshold(time_s, v, 3.30)
    assert [moment for moment, _ in sounded] == pytest.approx(slowly(time_s, v, 3.30))
    assert all(group == 2 for _, group in sounded)

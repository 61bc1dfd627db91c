"""The core's clock: it only rises, whatever boards and clocks do. Holds the law of `domain/stamps.py`."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sagwise_daemon.domain.stamps import CoreClock, Placed, WallTime, dated
from sagwise_daemon.io.clock import wall_time

UPTIME = st.one_of(st.integers(0, 2**64 - 1), st.integers(0, 10_000_000))


def test_uptime_rules_within_a_boot_however_late_the_host_hears() -> None:
    clock = CoreClock()
    assert clock.place(7, 5_000_000, 100.0) == Placed(0.0, anew=True)
    assert clock.place(7, 5_100_000, 109.0) == Placed(pytest.approx(0.1), anew=False)
    assert clock.place(7, 65_000_000, 109.1) == Placed(pytest.approx(60.0), anew=False)


def test_a_reboot_continues_by_the_hosts_gap() -> None:
    clock = CoreClock()
    clock.place(7, 5_000_000, 100.0)
    clock.place(7, 6_000_000, 101.0)
    assert clock.place(8, 250_000, 103.5) == Placed(pytest.approx(3.5), anew=True)
    assert clock.place(8, 350_000, 103.6) == Placed(pytest.approx(3.6), anew=False)


def test_a_reboot_heard_in_the_same_breath_still_rises() -> None:
    clock = CoreClock()
    clock.place(7, 5_000_000, 100.0)
    placed = clock.place(8, 10, 100.0)
    assert placed is not None and placed.time_s > 0.0


def test_uptime_that_goes_back_under_one_boot_id_is_a_fresh_start() -> None:
    clock = CoreClock()
    clock.place(7, 50_000_000, 100.0)
    assert clock.place(7, 49_999_000, 100.01) is None
    assert clock.place(7, 50_000_000, 100.01) is None
    assert clock.place(7, 100_000, 102.0) == Placed(pytest.approx(2.0), anew=True)


def test_uptime_that_leaps_is_bridged_by_the_host() -> None:
    clock = CoreClock()
    clock.place(7, 1_000_000, 100.0)
    assert clock.place(7, 2**62, 100.1) == Placed(pytest.approx(0.1), anew=True)
    assert clock.place(7, 1_200_000, 100.2) == Placed(pytest.approx(0.2), anew=True)


def test_thirty_two_bit_microseconds_would_have_wrapped_here() -> None:
    """4,295 s, where a 32-bit counter of microseconds wraps, is an ordinary moment."""
    clock = CoreClock()
    clock.place(7, 2**32 - 50_000, 100.0)
    assert clock.place(7, 2**32 + 50_000, 100.1) == Placed(pytest.approx(0.1), anew=False)


def test_an_hour_unplugged_keeps_the_boards_time() -> None:
    clock = CoreClock()
    clock.place(7, 1_000_000, 100.0)
    assert clock.place(7, 3_601_500_000, 3700.0) == Placed(pytest.approx(3600.5), anew=False)


@given(st.lists(st.tuples(st.integers(1, 4), UPTIME, st.floats(0, 1e6)), max_size=60))
def test_time_only_rises(stamps: list[tuple[int, int, float]]) -> None:
    """Any stamps in any order, the host's clock rising or not."""
    clock, last_s = CoreClock(), -1.0
    for boot_id, uptime_us, heard_s in stamps:
        placed = clock.place(boot_id, uptime_us, heard_s)
        if placed is not None:
            assert placed.time_s > last_s
            last_s = placed.time_s


def test_an_untrusted_label_is_dated_by_a_later_trusted_look() -> None:
    label = WallTime(86_400.0, trusted=False, monotonic_s=50.0, host_boot="a")
    known = WallTime(1_790_000_600.0, trusted=True, monotonic_s=650.0, host_boot="a")
    assert dated(label, known) == WallTime(1_790_000_000.0, trusted=True, monotonic_s=50.0, host_boot="a")


@pytest.mark.parametrize(
    ("label_trusted", "known_trusted", "boot"), [(True, True, "a"), (False, False, "a"), (False, True, "b")]
)
def test_nothing_is_dated_without_ground(label_trusted: bool, known_trusted: bool, boot: str) -> None:
    label = WallTime(86_400.0, label_trusted, 50.0, "a")
    assert dated(label, WallTime(1_790_000_600.0, known_trusted, 650.0, boot)) is label


def test_the_hosts_clocks_can_be_read() -> None:
    first, second = wall_time(), wall_time()
    assert second.monotonic_s >= first.monotonic_s
    assert first.host_boot == second.host_boot != ""

"""The queue before the writer. Law: samples drop oldest and the loss is counted, orders never drop, nothing blocks."""

from __future__ import annotations

import threading
import time

import numpy as np

from sagwise_daemon.domain.model import Reading
from sagwise_daemon.io.store.inbox import End, Inbox, Sample


def sample(number: int, ride_id: int = 1) -> Sample:
    return Sample(ride_id, Reading(float(number), np.array([3.7])), 0.0)


def times(some: list[Sample]) -> list[float]:
    return [one.item.time_s for one in some]


def drain(inbox: Inbox) -> list[Sample]:
    found = []
    while some := inbox.take(100):
        inbox.stored()
        found += some
    return found


def test_beyond_the_bound_the_oldest_go_and_are_counted() -> None:
    inbox = Inbox(samples_max=10)
    for number in range(25):
        inbox.put(sample(number))
    loss = inbox.losses()[1]
    assert (loss.first_time_s, loss.last_time_s, loss.samples) == (0.0, 14.0, 15)
    assert inbox.losses() == {}
    assert times(drain(inbox)) == [float(n) for n in range(15, 25)]


def test_what_could_not_be_stored_comes_back_in_order_under_the_same_bound() -> None:
    inbox = Inbox(samples_max=10)
    for number in range(8):
        inbox.put(sample(number))
    taken = inbox.take(5)
    for number in range(8, 13):
        inbox.put(sample(number))
    assert inbox.losses()[1].samples == 3  # 5 taken and 5 waiting are the bound: 5, 6 and 7 had to go
    inbox.give_back(taken)
    assert times(drain(inbox)) == [0.0, 1.0, 2.0, 3.0, 4.0, 8.0, 9.0, 10.0, 11.0, 12.0]


def test_stored_samples_no_longer_count() -> None:
    inbox = Inbox(samples_max=4)
    for number in range(4):
        inbox.put(sample(number))
    assert len(drain(inbox)) == 4
    for number in range(4, 8):
        inbox.put(sample(number))
    assert inbox.losses() == {} and inbox.waiting == 4


def test_while_samples_are_written_the_newest_still_get_in() -> None:
    inbox = Inbox(samples_max=10)
    for number in range(10):
        inbox.put(sample(number))
    taken = inbox.take(100)
    assert len(taken) == 5
    for number in range(10, 40):
        inbox.put(sample(number))
    inbox.stored()
    assert times(drain(inbox)) == [35.0, 36.0, 37.0, 38.0, 39.0]


def test_orders_are_never_dropped_and_keep_their_turn() -> None:
    inbox = Inbox(samples_max=2)
    for number in range(5000):
        inbox.order(End(number, "stopped"))
        inbox.put(sample(number))
    got = inbox.orders(0.0, until_pressing=False)
    assert [order.ride_id for order in got if isinstance(order, End)] == list(range(5000))


def test_an_order_wakes_the_writer_and_so_does_half_the_bound() -> None:
    inbox = Inbox(samples_max=10)
    for wake in (lambda: inbox.order(End(1, "stopped")), lambda: [inbox.put(sample(n)) for n in range(5)]):
        began = time.monotonic()
        timer = threading.Timer(0.05, wake)
        timer.start()
        inbox.orders(10.0, until_pressing=True)
        assert time.monotonic() - began < 5.0
        timer.join()
    began = time.monotonic()
    assert inbox.orders(0.1, until_pressing=False) == []
    assert time.monotonic() - began >= 0.09

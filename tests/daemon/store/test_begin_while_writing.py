"""A ride that begins in the middle of a flush. Law: its first samples, the pre-roll among them, are not lost."""

from __future__ import annotations

from typing import Any

import pytest

from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.inbox import Inbox


def test_a_ride_that_begins_while_another_is_stored_loses_nothing(
    store: Store, start: Any, readings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The writer has looked for orders and is about to take samples; at that moment a ride begins and brings some."""
    take, begun = Inbox.take, []

    def begin_first(inbox: Inbox, limit: int) -> Any:
        if not begun:
            begun.append(store.recorder.begin_ride(start()))
            for number in range(50):
                store.recorder.append(begun[0], readings(number))
        return take(inbox, limit)

    monkeypatch.setattr(Inbox, "take", begin_first)
    store.recorder.flush()
    store.recorder.end_ride(begun[0], "standstill")
    store.recorder.flush()
    assert store.rides.shape(begun[0]).samples == 50

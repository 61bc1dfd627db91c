"""Identifiers, given at once though the disk is slow. Law: none is ever given twice, by any process, over any
crash.

A process reserves a block of numbers in a committed transaction before it gives out the first; the live daemon and
the maker of the demo's earlier rides record into one store at the same time.
"""

from __future__ import annotations

import threading
from collections import deque

from sqlalchemy import Connection, select, update

from sagwise_daemon.io.store.tables import counters


class Ids:
    """A pool of reserved numbers of one kind."""

    def __init__(self, name: str, block: int) -> None:
        self._name = name
        self._block = block
        self._reserved: deque[range] = deque()
        self._guard = threading.Lock()

    def take(self) -> int | None:
        """The next number; None when the pool ran dry because the store cannot be written."""
        with self._guard:
            if not self._reserved:
                return None
            first = self._reserved.popleft()
            if first[1:]:
                self._reserved.appendleft(first[1:])
            return first[0]

    @property
    def low(self) -> bool:
        """Whether it is time to reserve more."""
        with self._guard:
            return sum(map(len, self._reserved)) <= self._block // 2

    def reserve(self, connection: Connection) -> range:
        """Reserve a block in the caller's transaction; `add` it once that is committed."""
        mine = counters.c.name == self._name
        first = int(connection.execute(select(counters.c.next_id).where(mine)).scalar_one())
        connection.execute(update(counters).where(mine).values(next_id=first + self._block))
        return range(first, first + self._block)

    def add(self, reserved: range) -> None:
        """Numbers that are ours now."""
        with self._guard:
            self._reserved.append(reserved)

    def give_back(self, connection: Connection) -> None:
        """Numbers never given out go back, unless another process has reserved behind them."""
        with self._guard:
            left, self._reserved = list(self._reserved), deque()
        for numbers in reversed(left):
            untouched = (counters.c.name == self._name) & (counters.c.next_id == numbers.stop)
            if not connection.execute(update(counters).where(untouched).values(next_id=numbers.start)).rowcount:
                return

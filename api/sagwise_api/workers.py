"""Work that may block, kept off the event loop. Law: few threads, a short queue, a plain refusal when it is full."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from sagwise_api.problems import ProblemError

T = TypeVar("T")


class Workers:
    """Runs blocking calls, `threads` at a time, with at most `waiting` more in the queue."""

    def __init__(self, name: str, threads: int, waiting: int) -> None:
        self._pool = ThreadPoolExecutor(threads, thread_name_prefix=f"sagwise-{name}")
        self._bound = threads + waiting
        self._busy = 0

    async def run(self, call: Callable[[], T]) -> T:
        """The call's result. Raises ProblemError 503 when the queue is full.

        A client that goes away frees its place only when its call is over: the thread is still at it.
        """
        if self._busy >= self._bound:
            raise ProblemError(503, "the bike's computer is busy: try again in a moment", headers={"retry-after": "1"})
        self._busy += 1
        future = asyncio.get_running_loop().run_in_executor(self._pool, call)
        future.add_done_callback(self._over)
        return await asyncio.shield(future)

    def _over(self, future: asyncio.Future[T]) -> None:
        self._busy -= 1
        if not future.cancelled():
            future.exception()  # heard, even when the client has gone

    def close(self) -> None:
        self._pool.shutdown(wait=False, cancel_futures=True)

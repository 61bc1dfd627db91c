"""The live stream, as server-sent events. Law: one encoding for all watchers, latest wins, and it always ends.

One pump asks the live port and encodes each state once; a watcher that is slow skips states and never queues them.
Without news the whole state is sent again each second with its age: a browser hides comments from the page, so
only an event can tell the page that the line still stands.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from sagwise_daemon.domain.ports import Live, LiveState

log = logging.getLogger(__name__)

MIN_PERIOD_S = 0.2  # at most five events a second
QUIET_S = 1.0
SEND_TIMEOUT_S = 10.0  # a phone that left the Wi-Fi without a word
OPENING = b"retry: 1000\n: sagwise live\n\n"


class Watcher:
    """One open stream: iterate it for frames, newest only; `close` ends it."""

    def __init__(self, feed: LiveFeed) -> None:
        self._feed = feed
        self._seen = 0
        self._news = asyncio.Event()
        self._closed = False

    def wake(self) -> None:
        self._news.set()

    def close(self) -> None:
        self._closed = True
        self._news.set()

    async def __aiter__(self) -> AsyncIterator[bytes]:
        while not self._closed:
            if self._feed.count > self._seen:
                self._seen = self._feed.count
                yield self._feed.frame
                continue
            self._news.clear()
            await self._news.wait()


class LiveFeed:
    """Joins the live port with its watchers. `encode` turns a state into one line of JSON.

    Used from the event loop only. The pump runs while somebody watches.
    """

    def __init__(self, live: Live, encode: Callable[[LiveState], bytes], max_watchers: int) -> None:
        self._live = live
        self._encode = encode
        self._max = max_watchers
        self._watchers: list[Watcher] = []
        self._pump_task: asyncio.Task[None] | None = None
        self._closed = False
        self.frame = b""
        self.count = 0

    def join(self) -> Watcher:
        """A new watcher; the oldest one is closed when there are too many: a phone that comes back is let in."""
        watcher = Watcher(self)
        if self._closed:
            watcher.close()
            return watcher
        if len(self._watchers) >= self._max:
            self._watchers.pop(0).close()
        self._watchers.append(watcher)
        self._publish(self._live.latest())
        if self._pump_task is None:
            self._pump_task = asyncio.create_task(self._pump(), name="live feed")
        return watcher

    def leave(self, watcher: Watcher) -> None:
        watcher.close()
        if watcher in self._watchers:
            self._watchers.remove(watcher)
        if not self._watchers:
            self._stop_pump()

    def close(self) -> None:
        """End every stream, for the shutdown."""
        self._closed = True
        for watcher in list(self._watchers):
            self.leave(watcher)

    @property
    def watchers(self) -> int:
        return len(self._watchers)

    def _stop_pump(self) -> None:
        if self._pump_task is not None:
            self._pump_task.cancel()
            self._pump_task = None

    async def _pump(self) -> None:
        try:
            sequence = self._live.latest().sequence
            while True:
                state = await self._live.changed(sequence, QUIET_S)
                sequence = state.sequence
                self._publish(state)
                await asyncio.sleep(MIN_PERIOD_S)
        except Exception:
            # The streams end, the phones see it and ask again, and a new pump begins.
            log.exception("the live feed failed")
            self._pump_task = None
            for watcher in list(self._watchers):
                self.leave(watcher)

    def _publish(self, state: LiveState) -> None:
        self.frame = b"data: " + self._encode(state) + b"\n\n"
        self.count += 1
        for watcher in self._watchers:
            watcher.wake()


class LiveStream(Response):
    """The response: ends when the client goes, when it may look no more, when the feed closes, or when nothing can be
    sent any more."""

    def __init__(self, feed: LiveFeed, may_look: Callable[[], bool] = lambda: True) -> None:
        super().__init__(headers={"cache-control": "no-store"}, media_type="text/event-stream")
        del self.headers["content-length"]  # its end is not known
        self._feed = feed
        self._may_look = may_look

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        watcher = self._feed.join()
        gone = asyncio.create_task(_until_gone(receive))
        gone.add_done_callback(lambda _: watcher.close())
        try:
            await send({"type": "http.response.start", "status": 200, "headers": self.raw_headers})
            await _send(send, OPENING)
            async for frame in watcher:
                if not self._may_look():
                    break
                await _send(send, frame)
            if not gone.done():
                await send({"type": "http.response.body", "body": b"", "more_body": False})
        except (TimeoutError, OSError):
            log.info("a phone on the live stream went without a word")
        finally:
            gone.cancel()
            self._feed.leave(watcher)


async def _send(send: Send, body: bytes) -> None:
    async with asyncio.timeout(SEND_TIMEOUT_S):
        await send({"type": "http.response.body", "body": body, "more_body": True})


async def _until_gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass

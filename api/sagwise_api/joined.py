"""Answers in as few writes as they need. Law: what one turn of the event loop writes to a phone leaves in one piece.

uvicorn writes the head of an answer and its body one after the other, and each write is a system call, a packet and a
wake-up at the other end: half of what a short answer costs. The live stream's frames come in turns of their own and
wait for nothing.
"""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

AT_MOST_BYTES = 64 * 1024  # held back; beyond it the transport has to know how full it is


class JoinedTransport(asyncio.Transport):
    """A transport that hands on what was written at the end of the loop's turn, before a close, or when it is much."""

    def __init__(self, inner: asyncio.Transport, loop: asyncio.AbstractEventLoop) -> None:
        super().__init__()
        self._inner, self._loop = inner, loop
        self._held = bytearray()
        self._due = False

    def write(self, data: bytes | bytearray | memoryview) -> None:
        self._held += data
        if len(self._held) > AT_MOST_BYTES:
            self._flush()
        elif self._held and not self._due:
            self._due = True
            self._loop.call_soon(self._turn_over)

    def _turn_over(self) -> None:
        self._due = False
        self._flush()

    def _flush(self) -> None:
        if self._held:
            whole, self._held = self._held, bytearray()
            self._inner.write(whole)

    def close(self) -> None:
        self._flush()
        self._inner.close()

    def abort(self) -> None:
        self._held.clear()
        self._inner.abort()

    def is_closing(self) -> bool:
        return self._inner.is_closing()

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        return self._inner.get_extra_info(name, default)

    def get_write_buffer_size(self) -> int:
        return len(self._held) + self._inner.get_write_buffer_size()

    def pause_reading(self) -> None:
        self._inner.pause_reading()

    def resume_reading(self) -> None:
        self._inner.resume_reading()


class JoinedProtocol(H11Protocol):
    """uvicorn's HTTP over a `JoinedTransport`."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(JoinedTransport(transport, self.loop))

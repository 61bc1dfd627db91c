"""Answers in one write. Law: nothing is lost, reordered or held over a turn of the loop."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Coroutine
from functools import wraps
from typing import Any

import pytest

from sagwise_api.joined import AT_MOST_BYTES, JoinedTransport


class Written(asyncio.Transport):
    """A transport that keeps what it is told."""

    def __init__(self) -> None:
        super().__init__()
        self.told: list[bytes | str] = []

    def write(self, data: bytes | bytearray | memoryview) -> None:
        self.told.append(bytes(data))

    def close(self) -> None:
        self.told.append("close")

    def abort(self) -> None:
        self.told.append("abort")

    def get_write_buffer_size(self) -> int:
        return 5


def on_a_loop(test: Callable[..., Coroutine[Any, Any, None]]) -> Callable[..., None]:
    @wraps(test)
    def run(*args: Any, **named: Any) -> None:
        asyncio.run(test(*args, **named))

    return run


def joined() -> tuple[Written, JoinedTransport]:
    inner = Written()
    return inner, JoinedTransport(inner, asyncio.get_running_loop())


@on_a_loop
async def test_head_and_body_leave_in_one_piece_at_the_end_of_the_turn() -> None:
    inner, transport = joined()
    transport.write(b"head ")
    transport.write(b"")
    transport.write(b"body")
    assert not inner.told and transport.get_write_buffer_size() == 14
    await asyncio.sleep(0)
    assert inner.told == [b"head body"]
    transport.write(b"next")
    await asyncio.sleep(0)
    assert inner.told == [b"head body", b"next"]


@on_a_loop
async def test_what_is_much_waits_for_nothing_and_an_end_loses_nothing() -> None:
    inner, transport = joined()
    much = bytes(AT_MOST_BYTES)
    transport.write(b"head ")
    transport.write(much)
    assert inner.told == [b"head " + much]
    transport.write(b"last")
    transport.close()
    await asyncio.sleep(0)
    assert inner.told[1:] == [b"last", "close"]


@on_a_loop
async def test_an_abort_drops_what_was_held() -> None:
    inner, transport = joined()
    transport.write(b"never")
    transport.abort()
    await asyncio.sleep(0)
    assert inner.told == ["abort"]


@on_a_loop
async def test_the_server_answers_with_one_write(house: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    sent: list[int] = []
    plain = socket.socket.send
    monkeypatch.setattr(socket.socket, "send", lambda s, data, *rest: sent.append(len(data)) or plain(s, data, *rest))
    async with house.served() as (server, _):
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        request = f"GET /api/v1/rides?limit=3 HTTP/1.1\r\nhost: 127.0.0.1:{server.port}\r\n\r\n".encode()
        writer.write(request)
        head = await reader.readuntil(b"\r\n\r\n")
        length = int(head.lower().split(b"content-length: ")[1].split(b"\r\n")[0])
        await reader.readexactly(length)
        writer.close()
    assert [size for size in sent if size > 1] == [len(request), len(head) + length]  # one byte: the loop wakes itself

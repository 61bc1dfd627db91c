"""The web server inside the daemon's own loop. Law: it takes no signal and ends within two seconds of being asked.

uvicorn waits for open requests at its end, and a live stream never ends by itself: the streams are closed first, and
a time-out stands behind that. uvicorn's own signal handlers raise the signal again after `serve`, so it gets none.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Generator

import uvicorn
from fastapi import FastAPI

from sagwise_api.joined import JoinedProtocol
from sagwise_api.stream import LiveFeed

STOP_S = 2


class _QuietServer(uvicorn.Server):
    """uvicorn without signal handlers: the daemon has its own."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.open = asyncio.Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self.open.set()

    @contextlib.contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        yield


class PageServer:
    """Serves an app made by `create_app`. `run` until `stop`; `ready` once the port is open.

    Raises OSError from `run` where host and port cannot be had.
    """

    def __init__(self, app: FastAPI, host: str, port: int) -> None:
        self._feed: LiveFeed = app.state.feed
        self._host, self._port = host, port
        config = uvicorn.Config(
            app,
            host=host,
            port=port,
            http=JoinedProtocol,
            access_log=False,
            log_config=None,
            proxy_headers=False,
            server_header=False,
            timeout_graceful_shutdown=STOP_S,
            timeout_keep_alive=5,
            limit_concurrency=200,
            ws="none",
        )
        self._server = _QuietServer(config)

    async def run(self) -> None:
        """Serve until `stop` is called or the task is cancelled. The port is bound here, so a taken one raises."""
        listener = self._bind()
        self._port = listener.getsockname()[1]
        serving = asyncio.create_task(self._server.serve(sockets=[listener]), name="page server")
        try:
            await asyncio.shield(serving)
        finally:
            self.stop()
            await serving
            listener.close()

    def _bind(self) -> socket.socket:
        family = socket.AF_INET6 if ":" in self._host else socket.AF_INET
        listener = socket.socket(family, socket.SOCK_STREAM)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind((self._host, self._port))
        except OSError:
            listener.close()
            raise
        return listener

    async def ready(self) -> None:
        """Wait until requests are answered."""
        await self._server.open.wait()

    @property
    def port(self) -> int:
        """The port in use; the one that was found where 0 was asked for."""
        return self._port

    def stop(self) -> None:
        """Ask the server to end: streams at once, other requests within STOP_S."""
        self._feed.close()
        self._server.should_exit = True


async def serve(app: FastAPI, host: str, port: int) -> None:
    """Serve until cancelled."""
    await PageServer(app, host, port).run()

"""Puts the page and its API together. Law: nothing is reached but through the guard; no file comes from a network."""

from __future__ import annotations

import time
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from fastapi import APIRouter, FastAPI, Request
from starlette.responses import Response

from sagwise_api import problems
from sagwise_api.access import access_router, caller_of
from sagwise_api.archive import archive_router
from sagwise_api.assets import OPEN_PATHS, Page, the_page
from sagwise_api.devices import Devices
from sagwise_api.garage import garage_router
from sagwise_api.guard import COOKIE, Guard
from sagwise_api.hosts import Hosts
from sagwise_api.pairing import Pairing
from sagwise_api.problems import declared
from sagwise_api.routes import Sources, api_router
from sagwise_api.settings import PageSettings
from sagwise_api.stream import LiveFeed, LiveStream
from sagwise_api.views import live_json
from sagwise_api.workers import Workers
from sagwise_daemon.domain import owner, ports

STREAM_ANSWER: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "Server-sent events without names; the data of each is one JSON document as `/live` gives. "
        "At most five a second, at least one a second.",
        "content": {"text/event-stream": {"schema": {"type": "string"}}},
    }
}

SESSION = {
    "type": "apiKey",
    "in": "cookie",
    "name": COOKIE,
    "description": "What /pair gives for the bike's code. Where the owner lets anyone look, only changes need it.",
}


class HostClock:
    """The host's clock alone; implements `owner.WallClock` where the daemon gives none."""

    def look(self) -> tuple[float, owner.SetBy]:
        return time.time(), "network"

    def tell(self, unix_s: float, by: owner.Teller) -> None:
        """It is set already."""


def create_app(
    live: ports.Live,
    commands: ports.Commands,
    rides: ports.Rides,
    packs: ports.Packs,
    settings: PageSettings,
    *,
    garage: owner.Garage | None = None,
    what_if: owner.WhatIf | None = None,
    clock: owner.WallClock | None = None,
    archive: ports.Archive | None = None,
) -> FastAPI:
    """The ASGI application. `live` and `commands` are called on the event loop and must not block; `rides`, `packs`,
    `garage` and `what_if` are called from worker threads. Without a garage no setting can be changed."""
    feed = LiveFeed(live, live_json, settings.max_streams)
    sources = Sources(live, commands, rides, packs, quick=Workers("rides", 2, 30), charts=Workers("charts", 1, 10))
    wall = clock or HostClock()
    devices = Devices(settings.devices_path, lambda: wall.look()[0], lambda: wall.look()[1] != "nothing")
    pairing = Pairing(settings.pairing_code, devices)
    judges, slow = Workers("what-if", 1, 60), Workers("archive", 2, 30)
    app = FastAPI(
        title="sagwise",
        version=_version(),
        description="Every cell group of the pack, live and ride by ride. Changes need an Origin header of the bike.",
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
        lifespan=_lifespan(feed, (sources.quick, sources.charts, judges, slow)),
    )
    app.state.feed = feed
    app.state.pairing = pairing
    problems.install(app)
    access = access_router(pairing, wall, sources.quick, settings.anyone_may_look)
    app.include_router(access, prefix="/api/v1")
    app.include_router(_stream_router(feed, pairing.devices), prefix="/api/v1")
    app.include_router(api_router(sources), prefix="/api/v1")
    app.include_router(archive_router(archive, sources, slow), prefix="/api/v1")
    app.include_router(garage_router(garage, what_if, sources.quick, judges), prefix="/api/v1")
    app.include_router(_page_router(the_page()), include_in_schema=False)
    app.add_middleware(
        Guard,
        pairing=pairing,
        hosts=Hosts(settings.allowed_hosts),
        paired_on_loopback=settings.paired_on_loopback,
        open_paths=OPEN_PATHS,
        anyone_may_look=settings.anyone_may_look,
    )
    _describe_problems(app)
    return app


def _version() -> str:
    try:
        return version("sagwise")
    except PackageNotFoundError:
        return "0"


def _lifespan(feed: LiveFeed, workers: tuple[Workers, ...]) -> Callable[[FastAPI], AbstractAsyncContextManager[None]]:
    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        yield
        feed.close()
        for pool in workers:
            pool.close()

    return lifespan


def _describe_problems(app: FastAPI) -> None:
    """The OpenAPI document names what no route returns by itself: the problem's schema and who is let in."""
    made = app.openapi

    def openapi() -> dict[str, object]:
        document = made()
        schema = problems.ProblemOut.model_json_schema(ref_template="#/components/schemas/{model}")
        found = document["components"]["schemas"]
        found.update(schema.pop("$defs", {}))
        found["ProblemOut"] = schema
        document["components"]["securitySchemes"] = {"session": SESSION}
        document["security"] = [{"session": []}]
        document["paths"]["/api/v1/pair"]["post"]["security"] = []
        return document

    app.openapi = openapi  # type: ignore[method-assign]


def _stream_router(feed: LiveFeed, devices: Devices) -> APIRouter:
    router = APIRouter()

    @router.get(
        "/live/stream", responses=STREAM_ANSWER | declared(), response_class=Response, summary="Live, as it comes"
    )
    async def stream(request: Request) -> Response:
        device = caller_of(request).device
        return LiveStream(feed, lambda: device is None or devices.holds(device))

    return router


def _page_router(page: Page) -> APIRouter:
    router = APIRouter()

    @router.get("/")
    async def front(request: Request) -> Response:
        return page.front(request, caller_of(request).may_look)

    @router.get("/page/{name:path}")
    async def file(request: Request, name: str) -> Response:
        return page.file(request, name)

    return router

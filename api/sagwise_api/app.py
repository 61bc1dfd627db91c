"""Puts the page and its API together. Law: nothing is reached but through the guard; no file comes from a network."""

from __future__ import annotations

import math
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from fastapi import APIRouter, FastAPI, Request
from starlette.responses import Response

from sagwise_api import problems
from sagwise_api import schemas as out
from sagwise_api.assets import OPEN_PATHS, Page, the_page
from sagwise_api.guard import COOKIE, Guard
from sagwise_api.hosts import Hosts
from sagwise_api.pairing import LockedError, NoCodeError, Pairing, WrongCodeError
from sagwise_api.problems import ProblemError, declared
from sagwise_api.routes import Sources, api_router
from sagwise_api.settings import PageSettings
from sagwise_api.stream import LiveFeed, LiveStream
from sagwise_api.views import live_json
from sagwise_api.workers import Workers
from sagwise_daemon.domain import ports

SESSION_S = 180 * 86400
STREAM_ANSWER: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "Server-sent events without names; the data of each is one JSON document as `/live` gives. "
        "At most five a second, at least one a second.",
        "content": {"text/event-stream": {"schema": {"type": "string"}}},
    }
}


def create_app(
    live: ports.Live,
    commands: ports.Commands,
    rides: ports.Rides,
    packs: ports.Packs,
    settings: PageSettings,
) -> FastAPI:
    """The ASGI application. `live` and `commands` are called on the event loop and must not block; `rides` and
    `packs` are called from worker threads."""
    feed = LiveFeed(live, live_json, settings.max_streams)
    sources = Sources(live, commands, rides, packs, quick=Workers("rides", 2, 30), charts=Workers("charts", 1, 10))
    pairing = Pairing(settings.pairing_code)
    app = FastAPI(
        title="sagwise",
        version=_version(),
        description="Every cell group of the pack, live and ride by ride. Changes need an Origin header of the bike.",
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
        lifespan=_lifespan(feed, sources),
    )
    app.state.feed = feed
    app.state.pairing = pairing
    problems.install(app)
    app.include_router(_pair_router(pairing), prefix="/api/v1")
    app.include_router(_stream_router(feed), prefix="/api/v1")
    app.include_router(api_router(sources), prefix="/api/v1")
    app.include_router(_page_router(the_page()), include_in_schema=False)
    app.add_middleware(
        Guard,
        pairing=pairing,
        hosts=Hosts(settings.allowed_hosts),
        paired_on_loopback=settings.paired_on_loopback,
        open_paths=OPEN_PATHS,
    )
    _describe_problems(app)
    return app


def _version() -> str:
    try:
        return version("sagwise")
    except PackageNotFoundError:
        return "0"


def _lifespan(feed: LiveFeed, sources: Sources) -> Callable[[FastAPI], AbstractAsyncContextManager[None]]:
    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        yield
        feed.close()
        sources.quick.close()
        sources.charts.close()

    return lifespan


def _describe_problems(app: FastAPI) -> None:
    """The OpenAPI document names the problem's schema, which no route returns by itself."""
    made = app.openapi

    def openapi() -> dict[str, object]:
        document = made()
        schema = problems.ProblemOut.model_json_schema(ref_template="#/components/schemas/{model}")
        found = document["components"]["schemas"]
        found.update(schema.pop("$defs", {}))
        found["ProblemOut"] = schema
        return document

    app.openapi = openapi  # type: ignore[method-assign]


def _pair_router(pairing: Pairing) -> APIRouter:
    router = APIRouter()

    @router.post("/pair", responses=declared(413, 429), summary="Open a session with the bike's code")
    async def pair(wish: out.PairIn, request: Request, response: Response) -> out.DoneOut:
        address = request.client.host if request.client else ""
        try:
            token = pairing.pair(wish.code, address)
        except NoCodeError as error:
            raise ProblemError(
                403, "the bike has no pairing code: set one in its configuration", kind="no-code"
            ) from error
        except LockedError as error:
            wait_s = math.ceil(error.wait_s)
            detail = f"too many wrong codes: wait {wait_s} s, then try again"
            raise ProblemError(429, detail, kind="locked", headers={"retry-after": str(wait_s)}) from error
        except WrongCodeError as error:
            raise ProblemError(403, "this is not the bike's code", kind="wrong-code") from error
        response.set_cookie(COOKIE, token, max_age=SESSION_S, httponly=True, samesite="strict", path="/")
        response.headers["cache-control"] = "no-store"
        return out.DoneOut()

    return router


def _stream_router(feed: LiveFeed) -> APIRouter:
    router = APIRouter()

    @router.get(
        "/live/stream", responses=STREAM_ANSWER | declared(), response_class=Response, summary="Live, as it comes"
    )
    async def stream() -> Response:
        return LiveStream(feed)

    return router


def _page_router(page: Page) -> APIRouter:
    router = APIRouter()

    @router.get("/")
    async def front(request: Request) -> Response:
        return page.front(request, request.scope["state"]["paired"])

    @router.get("/page/{name:path}")
    async def file(request: Request, name: str) -> Response:
        return page.file(request, name)

    return router

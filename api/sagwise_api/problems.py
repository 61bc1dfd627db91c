"""Errors as problem details (RFC 9457). Law: every refusal says what was wrong and what to do; no traceback leaves."""

from __future__ import annotations

import json
import logging
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Match
from starlette.types import Receive, Scope, Send

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
TYPE_PREFIX = "/problems/"
METHODS = ("DELETE", "GET", "PATCH", "POST", "PUT")


class Fault(BaseModel):
    """One fault in what was sent."""

    where: str = Field(description="path to the value, as body.group or query.points")
    detail: str


class ProblemOut(BaseModel):
    """A problem of RFC 9457, with `errors` where several values were wrong."""

    type: str = Field(description="about:blank, or a name for this kind of problem")
    title: str
    status: int
    detail: str
    errors: list[Fault] | None = None


class ProblemError(Exception):
    """A refusal on its way to the client. `kind` becomes the problem's type; headers are sent with it."""

    def __init__(
        self,
        status: int,
        detail: str,
        *,
        kind: str | None = None,
        headers: dict[str, str] | None = None,
        errors: list[dict[str, str]] | None = None,
    ) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.kind = kind
        self.headers = headers or {}
        self.errors = errors

    def response(self) -> Response:
        body: dict[str, Any] = {
            "type": "about:blank" if self.kind is None else TYPE_PREFIX + self.kind,
            "title": HTTPStatus(self.status).phrase,
            "status": self.status,
            "detail": self.detail,
        }
        if self.errors:
            body["errors"] = self.errors
        headers = {"cache-control": "no-store", **self.headers}
        return Response(json.dumps(body, allow_nan=False), self.status, headers, MEDIA_TYPE)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """A problem is an ASGI application, so that the guard can answer with one."""
        await self.response()(scope, receive, send)


def declared(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The `responses` of a route for its OpenAPI document: the given statuses and those any request can meet."""
    schema = {"$ref": "#/components/schemas/ProblemOut"}
    return {
        status: {"description": HTTPStatus(status).phrase, "content": {MEDIA_TYPE: {"schema": schema}}}
        for status in sorted({400, 401, 403, 421, 422, 503, *statuses})
    }


def _where(location: tuple[int | str, ...]) -> str:
    return ".".join(str(part) for part in location)


async def _on_problem(_: Request, error: Exception) -> Response:
    assert isinstance(error, ProblemError)
    return error.response()


async def _on_invalid(_: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    faults = [{"where": _where(fault["loc"]), "detail": str(fault["msg"])} for fault in error.errors()]
    detail = "; ".join(f"{fault['where']}: {fault['detail']}" for fault in faults)
    return ProblemError(422, detail, kind="invalid-request", errors=faults).response()


async def _on_http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    detail = f"{request.method} {request.url.path}: {error.detail}"
    headers = dict(error.headers or {})
    if error.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
        headers = {"allow": ", ".join(method for method in METHODS if _answered(request, method))}
    return ProblemError(error.status_code, detail, headers=headers).response()


def _answered(request: Request, method: str) -> bool:
    """Whether any route takes the method at this path; each route by itself names but its own (RFC 9110, 15.5.6)."""
    scope = {**request.scope, "method": method}
    return any(route.matches(scope)[0] is Match.FULL for route in request.app.routes)


async def _on_fault(request: Request, error: Exception) -> Response:
    log.error("%s %s failed", request.method, request.url.path, exc_info=error)
    return ProblemError(500, "the bike's computer met a fault of its own; its log says more").response()


def install(app: FastAPI) -> None:
    """Every error of the application becomes a problem."""
    app.add_exception_handler(ProblemError, _on_problem)
    app.add_exception_handler(RequestValidationError, _on_invalid)
    app.add_exception_handler(HTTPException, _on_http)
    app.add_exception_handler(Exception, _on_fault)

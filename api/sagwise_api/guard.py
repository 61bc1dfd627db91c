"""The door: what every request must pass. Law: a stranger gets the pairing page and nothing else; where the owner
allows it he may look, and still change nothing and see no list of phones.

Pure ASGI, since the live stream must not be buffered. In order: Host, origin, session, size of the
body. It also puts the security headers on every answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from sagwise_api.devices import Device
from sagwise_api.hosts import Hosts, is_loopback, same_origin
from sagwise_api.pairing import Pairing
from sagwise_api.problems import ProblemError

COOKIE = "sagwise_session"
MAX_BODY_BYTES = 16 * 1024
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
PAIR_PATH = "/api/v1/pair"
OWNERS_PATHS = ("/api/v1/devices", "/api/v1/changes")  # who has the bike's phones, and who changed what
SECURITY_HEADERS = {
    "content-security-policy": (
        "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
}
NOT_PAIRED = "this phone is not paired with the bike: open / and enter the bike's code"


def session_token(headers: Headers) -> str | None:
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return None if morsel is None else morsel.value


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks. device: the paired phone, None for this very machine or a stranger."""

    paired: bool
    may_look: bool
    device: Device | None = None

    @property
    def name(self) -> str:
        """For the log of changes."""
        return "this computer" if self.device is None else self.device.name


class Guard:
    """ASGI middleware. `open_paths` are those a stranger may GET. Sets scope["state"]["caller"] for the rest."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        pairing: Pairing,
        hosts: Hosts,
        paired_on_loopback: bool,
        open_paths: frozenset[str],
        anyone_may_look: bool = False,
    ) -> None:
        self._app = app
        self._pairing = pairing
        self._hosts = hosts
        self._paired_on_loopback = paired_on_loopback
        self._open_paths = open_paths
        self._anyone_may_look = anyone_may_look

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # no web sockets here
            await receive()
            await send({"type": "websocket.close", "code": 1008})
            return
        guarded = _with_headers(send)
        headers = Headers(scope=scope)
        caller = self._caller(scope, headers)
        problem = self._refusal(scope, headers, caller)
        if problem is not None:
            await problem(scope, receive, guarded)
            return
        scope.setdefault("state", {})["caller"] = caller
        await self._app(scope, _bounded(receive), guarded)

    def _caller(self, scope: Scope, headers: Headers) -> Caller:
        token = session_token(headers)
        device = None if token is None else self._pairing.devices.of(token)
        paired = device is not None or self._local(scope, headers)
        return Caller(paired, paired or self._anyone_may_look, device)

    def _local(self, scope: Scope, headers: Headers) -> bool:
        # A proxy on this machine would make every stranger look local, so what was forwarded never counts.
        forwarded = "x-forwarded-for" in headers or "forwarded" in headers
        client = scope.get("client")
        return self._paired_on_loopback and not forwarded and client is not None and is_loopback(client[0])

    def _refusal(self, scope: Scope, headers: Headers, caller: Caller) -> ProblemError | None:
        """The first reason to send the request away, None to let it in."""
        host, server = headers.get("host", ""), scope.get("server")
        if len(headers.getlist("host")) > 1 or not self._hosts.allows(host, server[0] if server else None):
            return ProblemError(421, "this name is not the bike's: list it under allowed hosts", kind="unknown-host")
        changes = scope["method"] not in SAFE_METHODS
        if not _from_own_page(headers, host, changes):
            return ProblemError(403, "the request comes from another site's page", kind="foreign-origin")
        path = scope["path"]
        open_to_all = path == PAIR_PATH if changes else path in self._open_paths or self._may_look(path, caller)
        if not (caller.paired or open_to_all):
            return ProblemError(401, NOT_PAIRED, kind="not-paired")
        return None

    def _may_look(self, path: str, caller: Caller) -> bool:
        return caller.may_look and not path.startswith(OWNERS_PATHS)


def _from_own_page(headers: Headers, host: str, changes: bool) -> bool:
    fetch_site = headers.get("sec-fetch-site")
    if changes:
        return same_origin(host, headers.get("origin"), fetch_site)
    # Following a link to the bike is fine; reading from it by another site's script is not.
    return fetch_site in (None, "none", "same-origin") or headers.get("sec-fetch-mode") == "navigate"


def _bounded(receive: Receive) -> Receive:
    """`receive` that stops a body which grows too large, whatever length was declared."""
    seen = 0

    async def bounded() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > MAX_BODY_BYTES:
            raise HTTPException(413, f"the body is over {MAX_BODY_BYTES} bytes")
        return message

    return bounded


def _with_headers(send: Send) -> Send:
    async def guarded(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in SECURITY_HEADERS.items():
                headers[name] = value
        await send(message)

    return guarded

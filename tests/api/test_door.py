"""The door of every route that there is. Law: the routes are taken from the API's own document, so a new one is tried
by being there.
"""

from __future__ import annotations

import asyncio
import logging
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from made_archive import MadeArchive, MadeJudge

from sagwise_api import PageSettings, create_app
from sagwise_api.assets import PAGE_DIR
from sagwise_api.devices import digest_of
from sagwise_api.pairing import TRIES_IN_ALL, Pairing, WrongCodeError
from sagwise_daemon.config.pack import BUILT_IN
from sagwise_daemon.domain.ride.settings_grid import Setting
from sagwise_daemon.garage import Garage

CODE = "4711-0815"
HOST = "127.0.0.1:8480"
ORIGIN = {"origin": f"http://{HOST}"}
PHONE = "192.168.8.20"
STREAM = "/api/v1/live/stream"
PARTS = {"name": "Otter%2016s5p"}


@pytest.fixture
def whole(house, tmp_path: Path):
    """Makes the app with all of its routes, and knows whether anything was changed through it."""
    for file in BUILT_IN.glob("*.toml"):
        shutil.copy(file, tmp_path)

    class Whole:
        garage = Garage(tmp_path / "otter.toml", tmp_path / "settings.jsonl", lambda: 1.8e9)
        changed: list[object] = []  # noqa: RUF012 - one for each test
        told: list[float] = []  # noqa: RUF012

        def look(self):
            return 1.7e9, "nothing"

        def tell(self, unix_s: float, by: str) -> None:
            self.told.append(unix_s)

        def app(self, settings: PageSettings):
            archive = MadeArchive(lambda *what, **how: self.changed.append((what, how)))
            extra = {"garage": self.garage, "what_if": MadeJudge(lambda: Setting(3.3, 1.0)), "archive": archive}
            return create_app(house.live, house.commands, house.rides, self.garage, settings, clock=self, **extra)

        def untouched(self) -> bool:
            return not (self.changed or self.told or house.commands.done or list(self.garage.changes(10)))

    return Whole()


def routes(app, writing: bool) -> Iterator[tuple[str, str]]:
    """Method and path of all that write, or of all that do not, with some value for each part of a path."""
    for path, methods in app.openapi()["paths"].items():
        for method in methods:
            if (method != "get") == writing:
                yield method.upper(), re.sub(r"{(\w+)}", lambda part: PARTS.get(part[1], "3"), path)


BODIES = {
    "/api/v1/pair": {"code": CODE},
    "/api/v1/time": {"unix_s": 1.8e9},
    "/api/v1/alarms/acknowledge": {},
    "/api/v1/alarms/shelve": {"rule": "spread_high", "duration_s": 60},
    "/api/v1/packs/fit": {"pack": "Heron 14s"},
    "/api/v1/packs/Otter%2016s5p/changes": {"rule": "rest_low", "values": {"volts": 3.2}},
    "/api/v1/changes/3/undo": {},
    "/api/v1/rides/3": {"name": "hills"},
    "/api/v1/rides/3/restore": {},
    "/api/v1/devices/3": None,
}


def answers(app, writing: bool, headers: dict[str, str], address: str = PHONE) -> dict[str, httpx.Response]:
    """What each route says to a client at `address`."""

    async def run() -> dict[str, httpx.Response]:
        transport = httpx.ASGITransport(app, client=(address, 50000))
        found = {}
        async with httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}") as client:
            for method, path in routes(app, writing):
                body = BODIES[path] if writing else None
                found[f"{method} {path}"] = await client.request(method, path, json=body, headers=headers)
                client.cookies.clear()
        return found

    return asyncio.run(run())


def paired_cookie(app) -> dict[str, str]:
    return {"cookie": f"sagwise_session={app.state.pairing.devices.open('phone')}"}


FOREIGN = ({}, {"origin": "http://evil.example"}, ORIGIN | {"sec-fetch-site": "cross-site"})


@pytest.mark.parametrize("headers", FOREIGN, ids=["none", "other", "cross-site"])
def test_no_route_that_writes_listens_to_another_sites_page(whole, headers: dict[str, str]) -> None:
    """The phone is paired, and its browser sends the cookie along."""
    app = whole.app(PageSettings(pairing_code=CODE))
    found = answers(app, True, headers | paired_cookie(app))
    assert len(found) == 11
    assert {answer.json()["type"] for answer in found.values()} == {"/problems/foreign-origin"}, found
    assert whole.untouched() and len(app.state.pairing.devices.all()) == 1


@pytest.mark.parametrize("anyone_may_look", [False, True])
def test_no_route_that_writes_listens_to_a_stranger(whole, anyone_may_look: bool) -> None:
    app = whole.app(PageSettings(pairing_code=CODE, anyone_may_look=anyone_may_look))
    found = answers(app, True, ORIGIN)
    assert found.pop("POST /api/v1/pair").status_code == 200
    assert {answer.status_code for answer in found.values()} == {401}, found
    assert whole.untouched()


def test_no_route_that_reads_answers_a_stranger(whole) -> None:
    found = answers(whole.app(PageSettings(pairing_code=CODE)), False, {})
    assert len(found) > 15
    assert {answer.status_code for answer in found.values()} == {401}, found


def test_a_paired_phone_is_let_in_everywhere(whole) -> None:
    """Without this the refusals above would prove nothing."""
    app = whole.app(PageSettings(pairing_code=CODE))
    found = answers(app, True, ORIGIN | paired_cookie(app))
    assert {answer.status_code for answer in found.values()} <= {200, 404, 422}, found
    assert whole.told and whole.changed and len(list(whole.garage.changes(10))) == 2


def test_no_answer_carries_a_secret(whole) -> None:
    """Neither the code, nor a session, nor what is kept of one."""
    app = whole.app(PageSettings(pairing_code=CODE))
    cookie = paired_cookie(app)
    token = cookie["cookie"].partition("=")[2]
    app.openapi()["paths"].pop(STREAM)  # it never ends; its events are `/live`'s
    for name, answer in answers(app, False, cookie).items():
        for secret in (CODE, CODE.replace("-", ""), token, digest_of(token), digest_of(CODE.replace("-", ""))):
            assert secret not in answer.text and secret not in str(answer.headers), name


def test_no_log_carries_a_secret(house, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)

    async def talker(client):
        for code in ("open-barn-door", CODE):
            answer = await client.post("/api/v1/pair", json={"code": code, "device": "old phone"}, headers=ORIGIN)
        await client.get("/api/v1/live")
        return answer, client.cookies["sagwise_session"]

    answer, token = house.talk(talker)
    assert answer.headers["cache-control"] == "no-store", "the session is in its header"
    told = "\n".join(record.getMessage() for record in caplog.records)
    assert "a wrong pairing code came from 127.0.0.1" in told and "old phone" in told
    for secret in ("open-barn-door", CODE, CODE.replace("-", ""), token, digest_of(token)):
        assert secret not in told


@pytest.mark.parametrize("name", ["a\nb", "\x1b[2J", "\x7f", "x" * 41])
def test_a_phones_name_writes_no_line_of_its_own_into_the_log(house, name: str) -> None:
    body = {"code": CODE, "device": name}
    assert house.talk(lambda client: client.post("/api/v1/pair", json=body, headers=ORIGIN)).status_code == 422


def test_two_host_headers_are_one_too_many(house) -> None:
    headers = [("host", HOST), ("host", "evil.example")]
    answer = house.talk(lambda c: c.get("/api/v1/live", headers=headers), PageSettings(paired_on_loopback=True))
    assert answer.status_code == 421


def test_there_is_no_web_socket(house) -> None:
    sent: list[dict] = []

    async def receive():
        return {"type": "websocket.connect"}

    async def send(message) -> None:
        sent.append(message)

    scope = {"type": "websocket", "path": STREAM, "headers": [], "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 1)}
    asyncio.run(house.app(PageSettings(paired_on_loopback=True))(scope, receive, send))
    assert sent == [{"type": "websocket.close", "code": 1008}]


def test_a_right_code_frees_its_own_address_only() -> None:
    pairing = Pairing(CODE)
    for number in range(TRIES_IN_ALL - 1):
        with pytest.raises(WrongCodeError):
            pairing.pair("0", f"10.0.0.{number}")
    pairing.pair(CODE, "10.0.1.1")
    with pytest.raises(WrongCodeError):
        pairing.pair("0", "10.0.1.2")
    assert pairing._all.wait_s("") > 0


@pytest.mark.slow
def test_an_address_that_a_proxy_names_is_not_believed(house) -> None:
    """Each try would else have a fresh count."""

    async def run():
        async with house.served(PageSettings(pairing_code=CODE)) as (server, client):
            found = []
            for number in range(7):
                headers = {"origin": f"http://127.0.0.1:{server.port}", "x-forwarded-for": f"10.0.0.{number}"}
                found.append((await client.post("/api/v1/pair", json={"code": "0"}, headers=headers)).status_code)
            return found

    assert asyncio.run(run()) == [403] * 5 + [429] * 2


def test_without_scripts_the_code_still_goes_in_a_body() -> None:
    """A form without a method would put it into the address."""
    (form,) = re.findall(r"<form[^>]*>", (PAGE_DIR / "pair.html").read_text())
    assert 'method="post"' in form and 'action="/api/v1/pair"' in form

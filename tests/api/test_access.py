"""Who gets in. Law: each guard is proved by a request that would pass without it."""

from __future__ import annotations

import asyncio

import httpx
import pytest

from sagwise_api import PageSettings, create_app
from sagwise_api.hosts import Hosts, host_name, same_origin
from sagwise_api.pairing import LockedError, Lockout, Pairing, WrongCodeError

CODE = "4711-0815"
HOST = "127.0.0.1:8480"
ORIGIN = {"origin": f"http://{HOST}"}
LOCKED = PageSettings(pairing_code=CODE)


def get(house, path: str, settings: PageSettings = LOCKED, headers: dict[str, str] | None = None, **options):
    return house.talk(lambda client: client.get(path, headers=headers), settings, **options)


def test_a_stranger_gets_the_pairing_page_and_what_it_needs(house) -> None:
    front = get(house, "/")
    assert front.status_code == 200 and "Pair this phone" in front.text
    assert front.headers["cache-control"] == "no-store"
    for name in ("pair.html", "pair.js", "theme.js", "first.js", "base.css", "icon.svg"):
        assert get(house, f"/page/{name}").status_code == 200


@pytest.mark.parametrize(
    "path",
    [
        "/api/v1/live", "/api/v1/live/stream", "/api/v1/rides", "/api/v1/rides/7/chart?channels=rest_v",
        "/api/v1/events", "/api/v1/packs", "/api/v1/me", "/api/v1/devices", "/api/v1/changes",
        "/api/v1/packs/Wren%2016s/settings", "/api/v1/rides/7/what-if",
        "/api/v1/openapi.json", "/page/app.js", "/page/index.html", "/page/live.css", "/nothing",
        "/page/../page/app.js", "//api/v1/live", "/page/vendor/uplot/dist/uPlot.esm.js",
    ],
)  # fmt: skip
def test_a_stranger_gets_nothing_else(house, path: str) -> None:
    answer = get(house, path)
    assert answer.status_code == 401
    assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize(
    "path",
    [
        "/api/v1/alarms/acknowledge", "/api/v1/alarms/shelve", "/", "/api/v1/time", "/api/v1/packs/fit",
        "/api/v1/packs/Wren%2016s/changes", "/api/v1/changes/1/undo",
    ],
)  # fmt: skip
def test_a_stranger_changes_nothing(house, path: str) -> None:
    answer = house.talk(lambda client: client.post(path, json={}, headers=ORIGIN))
    assert answer.status_code == 401 and house.commands.done == []


def test_the_code_opens_a_session(house) -> None:
    async def talker(client):
        paired = await client.post("/api/v1/pair", json={"code": " 47110815 "}, headers=ORIGIN)
        return paired, await client.get("/api/v1/live"), await client.get("/")

    paired, live, front = house.talk(talker, address="192.168.8.20")
    cookie = paired.headers["set-cookie"].lower()
    assert paired.status_code == 200
    assert "httponly" in cookie and "samesite=strict" in cookie and "path=/" in cookie
    assert CODE.replace("-", "") not in cookie and CODE not in paired.text
    assert live.status_code == 200 and "Acknowledge" in front.text


def test_a_wrong_code_and_a_made_up_cookie_open_nothing(house) -> None:
    async def talker(client):
        wrong = await client.post("/api/v1/pair", json={"code": "1234"}, headers=ORIGIN)
        client.cookies.set("sagwise_session", "A" * 43)
        return wrong, await client.get("/api/v1/live")

    wrong, live = house.talk(talker)
    assert wrong.status_code == 403 and "set-cookie" not in wrong.headers
    assert live.status_code == 401


def test_without_a_code_nobody_pairs(house) -> None:
    for code in (None, "", " - "):
        answer = house.talk(
            lambda c: c.post("/api/v1/pair", json={"code": "-"}, headers=ORIGIN), PageSettings(pairing_code=code)
        )
        assert answer.status_code == 403 and "configuration" in answer.json()["detail"]


def test_five_wrong_codes_lock_even_the_right_one(house) -> None:
    async def talker(client):
        for _ in range(5):
            assert (await client.post("/api/v1/pair", json={"code": "0"}, headers=ORIGIN)).status_code == 403
        return await client.post("/api/v1/pair", json={"code": CODE}, headers=ORIGIN)

    answer = house.talk(talker)
    assert answer.status_code == 429
    assert 0 < int(answer.headers["retry-after"]) <= 60


def test_many_addresses_share_one_limit() -> None:
    now = [0.0]
    pairing = Pairing(CODE, clock=lambda: now[0])
    for number in range(20):
        with pytest.raises(WrongCodeError):
            pairing.pair("0", f"10.0.0.{number}")
    with pytest.raises(LockedError):
        pairing.pair(CODE, "10.0.1.1")
    now[0] = 61.0
    assert pairing.devices.of(pairing.pair(CODE, "10.0.1.1"))


def test_locks_grow_and_are_forgotten() -> None:
    now = [0.0]
    lock = Lockout(2, lambda: now[0])
    waits = []
    for _ in range(7):
        lock.wrong("phone")
        lock.wrong("phone")
        waits.append(lock.wait_s("phone"))
        now[0] += waits[-1]
    assert waits == [60, 120, 240, 480, 960, 960, 960]
    now[0] += 3601
    lock.wrong("phone")
    assert lock.wait_s("phone") == 0


def test_a_flood_of_addresses_fills_no_memory() -> None:
    lock = Lockout(5)
    for number in range(10_000):
        lock.wrong(str(number))
    assert len(lock._by_key) <= 256


def test_loopback_is_paired_only_where_it_is_wanted(house) -> None:
    demo = PageSettings(paired_on_loopback=True)
    assert get(house, "/api/v1/live", demo).status_code == 200
    assert get(house, "/api/v1/live", demo, address="192.168.8.20").status_code == 401
    assert get(house, "/api/v1/live", LOCKED).status_code == 401


@pytest.mark.parametrize("header", ["x-forwarded-for", "forwarded"])
def test_a_proxy_on_this_machine_makes_nobody_local(house, header: str) -> None:
    answer = get(house, "/api/v1/live", PageSettings(paired_on_loopback=True), headers={header: "10.0.0.9"})
    assert answer.status_code == 401


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "127.0.0.1.evil.example:8480",
        "localhost.evil.example",
        "bad-localhost",
        "8.8.8.8",
        "",
        "[::1",
        "localhost:x",
    ],
)
@pytest.mark.parametrize("path", ["/", "/api/v1/live", "/page/pair.js"])
def test_foreign_hosts_are_refused_whatever_is_asked(house, host: str, path: str) -> None:
    answer = get(house, path, PageSettings(paired_on_loopback=True), headers={"host": host})
    assert answer.status_code == 421
    assert "Pair" not in answer.text


@pytest.mark.parametrize("host", ["localhost:8480", "127.0.0.1", "[::1]:8480", "Bike.Local:8480", "bike.local."])
def test_own_hosts_are_let_in(house, host: str) -> None:
    settings = PageSettings(paired_on_loopback=True, allowed_hosts=("bike.local",))
    assert get(house, "/api/v1/live", settings, headers={"host": host}).status_code == 200


def test_the_address_that_was_called_is_the_bikes_own() -> None:
    hosts = Hosts()
    assert hosts.allows("192.168.8.1:8480", "192.168.8.1")
    assert hosts.allows("192.168.8.1", "::ffff:192.168.8.1")
    assert not hosts.allows("192.168.8.2:8480", "192.168.8.1")
    assert not hosts.allows("sagwise", "192.168.8.1")
    assert host_name("[fd00::1]:80") == "fd00::1"


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": "null"},
        {"origin": "http://evil.example"},
        {"origin": f"http://{HOST}.evil.example"},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": f"ftp://{HOST}"},
        ORIGIN | {"sec-fetch-site": "cross-site"},
        ORIGIN | {"sec-fetch-site": "same-site"},
    ],
)
@pytest.mark.parametrize("path", ["/api/v1/alarms/acknowledge", "/api/v1/pair"])
def test_changes_from_other_sites_are_refused(house, headers: dict[str, str], path: str) -> None:
    settings = PageSettings(pairing_code=CODE, paired_on_loopback=True)
    answer = house.talk(lambda client: client.post(path, json={"code": CODE}, headers=headers), settings)
    assert answer.status_code == 403
    assert answer.json()["type"] == "/problems/foreign-origin"
    assert house.commands.done == [] and "set-cookie" not in answer.headers


def test_other_sites_read_nothing_but_may_link_here(house) -> None:
    demo = PageSettings(paired_on_loopback=True)
    foreign = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert get(house, "/api/v1/live", demo, headers=foreign).status_code == 403
    link = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert get(house, "/", demo, headers=link).status_code == 200


def test_same_origin_rules() -> None:
    assert same_origin(HOST, f"http://{HOST}", None)
    assert same_origin(HOST, f"http://{HOST}", "same-origin")
    assert same_origin(HOST, None, "same-origin")
    assert not same_origin(HOST, None, None)


@pytest.mark.parametrize("path", ["/", "/api/v1/live", "/page/base.css", "/nothing"])
def test_every_answer_has_the_security_headers(house, path: str) -> None:
    headers = get(house, path).headers
    policy = headers["content-security-policy"]
    assert set(policy.split("; ")) == {
        "default-src 'self'", "base-uri 'none'", "form-action 'self'", "frame-ancestors 'none'", "object-src 'none'",
    }  # fmt: skip
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cross-origin-resource-policy"] == "same-origin"


def test_large_bodies_are_refused(house) -> None:
    async def chunks():
        for _ in range(64):
            yield b"x" * 1024

    async def talker(client):
        headers = ORIGIN | {"content-type": "application/json"}
        declared = await client.post("/api/v1/pair", content=b"x" * 20_000, headers=headers)
        streamed = await client.post("/api/v1/pair", content=chunks(), headers=headers)
        return declared.status_code, streamed.status_code

    assert house.talk(talker) == (413, 413)


def test_page_files_are_packed_tagged_and_fenced(house) -> None:
    demo = PageSettings(paired_on_loopback=True)
    packed = get(house, "/page/words.js", demo, headers={"accept-encoding": "gzip"})
    plain = get(house, "/page/words.js", demo, headers={"accept-encoding": "identity"})
    assert packed.headers["content-encoding"] == "gzip" and packed.text == plain.text
    assert packed.headers["content-type"] == "text/javascript; charset=utf-8"
    again = get(house, "/page/words.js", demo, headers={"if-none-match": packed.headers["etag"]})
    assert again.status_code == 304
    for path in (
        "/page/../app.py",
        "/page/..%2fapp.py",
        "/page/%2e%2e/app.py",
        "/page/nothing.js",
        "/page/vendor/lock.sha256",
    ):
        assert get(house, path, demo).status_code == 404


LOOKING = PageSettings(pairing_code=CODE, anyone_may_look=True)


@pytest.mark.slow
def test_where_the_owner_allows_it_a_stranger_looks_and_changes_nothing(house) -> None:
    stranger = {"address": "192.168.8.20"}
    assert "Acknowledge" in get(house, "/", LOOKING, **stranger).text
    for path in ("/api/v1/live", "/api/v1/rides", "/page/app.js", "/api/v1/me", "/api/v1/packs"):
        assert get(house, path, LOOKING, **stranger).status_code == 200, path
    assert get(house, "/api/v1/me", LOOKING, **stranger).json()["paired"] is False
    for path in ("/api/v1/devices", "/api/v1/changes"):
        assert get(house, path, LOOKING, **stranger).status_code == 401, path
    for path in ("/api/v1/alarms/acknowledge", "/api/v1/alarms/shelve", "/api/v1/time", "/api/v1/packs/fit"):
        answer = house.talk(lambda client, path=path: client.post(path, json={}, headers=ORIGIN), LOOKING, **stranger)
        assert answer.status_code == 401, path
    gone = house.talk(lambda client: client.delete("/api/v1/devices/1", headers=ORIGIN), LOOKING, **stranger)
    assert gone.status_code == 401 and house.commands.done == []


@pytest.mark.parametrize("unix_s", [0, 1.0e9, 5.0e9, "now", None])
def test_a_time_that_cannot_be_is_refused(house, unix_s: object) -> None:
    demo = PageSettings(paired_on_loopback=True)
    answer = house.talk(lambda client: client.post("/api/v1/time", json={"unix_s": unix_s}, headers=ORIGIN), demo)
    assert answer.status_code == 422


class UnsetClock:
    """A clock that nothing has set yet."""

    def __init__(self) -> None:
        self.time_s, self.teller = 946_684_800.0, "nothing"

    def look(self):
        return self.time_s, self.teller

    def tell(self, unix_s: float, by: str) -> None:
        self.time_s, self.teller = unix_s, by


@pytest.mark.parametrize("teller", ["phone", "computer"])
def test_who_set_the_clock_is_told(house, teller: str) -> None:
    settings = PageSettings(pairing_code=CODE, paired_on_loopback=True)
    app = create_app(house.live, house.commands, house.rides, house.packs, settings, clock=UnsetClock())

    async def run():
        transport = httpx.ASGITransport(app, client=("127.0.0.1", 50000))
        async with httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}") as client:
            if teller == "phone":
                await client.post("/api/v1/pair", json={"code": CODE}, headers=ORIGIN)
            before = (await client.get("/api/v1/me")).json()["clock"]
            answer = await client.post("/api/v1/time", json={"unix_s": 1_800_000_000.0}, headers=ORIGIN)
            return before, answer.json(), (await client.get("/api/v1/me")).json()["clock"]

    before, answer, after = asyncio.run(run())
    assert before == {"unix_s": 946_684_800.0, "trusted": False, "set_by": "nothing"}
    assert answer == after == {"unix_s": 1_800_000_000.0, "trusted": True, "set_by": teller}

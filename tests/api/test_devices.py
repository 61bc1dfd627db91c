"""The paired phones. Law: each is listed, stays paired over a restart, can be sent away, and no secret is kept."""

from __future__ import annotations

import asyncio
import json
import stat
import time
from pathlib import Path

import httpx
import pytest

from sagwise_api import PageSettings
from sagwise_api.devices import MAX_DEVICES, UNUSED_S, Devices
from sagwise_api.pairing import Pairing

CODE = "4711-0815"
HOST = "127.0.0.1:8480"
ORIGIN = {"origin": f"http://{HOST}"}
LOCKED = PageSettings(pairing_code=CODE)


async def paired(client, name: str = "phone") -> None:
    answer = await client.post("/api/v1/pair", json={"code": CODE, "device": name}, headers=ORIGIN)
    assert answer.status_code == 200


def test_phones_are_listed_and_one_can_be_sent_away(house) -> None:
    async def talker(client):
        await paired(client, "old phone")
        old = client.cookies.get("sagwise_session")
        client.cookies.clear()
        await paired(client, "new phone")
        listed = (await client.get("/api/v1/devices")).json()["devices"]
        assert [(one["name"], one["this"]) for one in listed] == [("old phone", False), ("new phone", True)]
        gone = await client.delete(f"/api/v1/devices/{listed[0]['device_id']}", headers=ORIGIN)
        again = await client.delete(f"/api/v1/devices/{listed[0]['device_id']}", headers=ORIGIN)
        still = await client.get("/api/v1/live")
        client.cookies.clear()
        client.cookies.set("sagwise_session", old)
        return gone.status_code, again.status_code, still.status_code, (await client.get("/api/v1/live")).status_code

    assert house.talk(talker) == (200, 404, 200, 401)


def test_who_asks_is_told_what_he_may_do(house) -> None:
    async def talker(client):
        await paired(client, "old phone")
        return (await client.get("/api/v1/me")).json()

    me = house.talk(talker)
    assert (me["paired"], me["device"], me["anyone_may_look"]) == (True, "old phone", False)
    here = house.talk(lambda client: client.get("/api/v1/me"), PageSettings(paired_on_loopback=True)).json()
    assert (here["paired"], here["device"]) == (True, None)


def test_sessions_are_bounded_and_the_oldest_goes() -> None:
    pairing = Pairing(CODE)
    tokens = [pairing.pair(CODE, "10.0.0.1") for _ in range(40)]
    assert len(set(tokens)) == 40
    assert [pairing.devices.of(token) is not None for token in tokens] == [False] * 8 + [True] * 32


def test_phones_stay_paired_over_a_restart_and_no_secret_is_on_the_disk(house, tmp_path: Path) -> None:
    file = tmp_path / "devices.json"
    settings = PageSettings(pairing_code=CODE, devices_path=file)

    async def pair(client):
        await paired(client, "old phone")
        return client.cookies.get("sagwise_session")

    async def come_back(client):
        client.cookies.set("sagwise_session", token)
        return (await client.get("/api/v1/me")).json()

    token = house.talk(pair, settings)
    assert house.talk(come_back, settings)["device"] == "old phone"
    kept = file.read_text()
    assert token not in kept and CODE not in kept and CODE.replace("-", "") not in kept
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


@pytest.mark.parametrize("kept", ["", "{", "[]", '{"devices": [{"nope": 1}], "next_id": 1}', "\x00"])
def test_a_damaged_list_of_phones_lets_nobody_in(tmp_path: Path, kept: str) -> None:
    file = tmp_path / "devices.json"
    file.write_text(kept)
    devices = Devices(file)
    assert devices.all() == []
    assert devices.of("") is None
    devices.open("phone")
    devices.save()
    assert len(json.loads(file.read_text())["devices"]) == 1


def test_a_phone_that_was_not_seen_for_half_a_year_pairs_again() -> None:
    now = [1.8e9]
    devices = Devices(clock=lambda: now[0])
    token = devices.open("phone")
    now[0] += UNUSED_S - 1
    assert devices.of(token) is not None
    now[0] += UNUSED_S + 1
    assert devices.of(token) is None


def test_a_clock_that_is_set_while_a_phone_looks_sends_no_phone_away(tmp_path: Path) -> None:
    """A bike without a clock of its own begins in the past, and a network puts it right in the middle of a ride."""
    now, trusted = [1.7e9], [False]
    clock = (lambda: now[0], lambda: trusted[0])
    devices = Devices(tmp_path / "devices.json", *clock)
    token, other = devices.open("phone"), devices.open("at home")
    assert devices.of(token) is not None
    devices.save()
    now[0], trusted[0] = now[0] + 2 * UNUSED_S, True
    assert devices.of(token) is not None
    after_restart = Devices(tmp_path / "devices.json", *clock)
    assert after_restart.of(other) is not None
    now[0] += UNUSED_S + 1
    assert devices.of(token) is None and after_restart.of(other) is None


def test_the_phone_that_was_used_longest_ago_goes_first() -> None:
    devices = Devices()
    first, second = devices.open("first"), devices.open("second")
    assert devices.of(first) is not None
    for _ in range(MAX_DEVICES - 1):
        devices.open("more")
    assert devices.of(first) is not None and devices.of(second) is None


def test_a_phone_that_was_sent_away_stays_away_over_a_restart(house, tmp_path: Path) -> None:
    settings = PageSettings(pairing_code=CODE, devices_path=tmp_path / "devices.json")

    async def pair_and_go(client):
        await paired(client)
        (phone,) = (await client.get("/api/v1/devices")).json()["devices"]
        token = client.cookies.get("sagwise_session")
        assert (await client.delete(f"/api/v1/devices/{phone['device_id']}", headers=ORIGIN)).status_code == 200
        return token

    async def come_back(client):
        client.cookies.set("sagwise_session", token)
        return (await client.get("/api/v1/live")).status_code

    token = house.talk(pair_and_go, settings)
    assert house.talk(come_back, settings) == 401


@pytest.mark.slow
def test_a_phone_that_is_sent_away_sees_its_open_stream_end(house) -> None:
    async def run():
        async with house.served(LOCKED) as (server, client):
            origin = {"origin": f"http://127.0.0.1:{server.port}"}
            for name in ("old phone", "new phone"):
                answer = await client.post("/api/v1/pair", json={"code": CODE, "device": name}, headers=origin)
                assert answer.status_code == 200
                if name == "old phone":
                    old = {"cookie": f"sagwise_session={client.cookies['sagwise_session']}"}
                    client.cookies.clear()
            async with httpx.AsyncClient(base_url=client.base_url, headers=old) as other:
                return await asyncio.wait_for(ended_s(client, other, origin), 8)

    assert asyncio.run(run()) < 2.5


async def ended_s(client, other, origin: dict[str, str]) -> float:
    """How long after its phone was unpaired a stream ends; that of the phone which unpairs goes on."""
    async with (
        client.stream("GET", "/api/v1/live/stream") as mine,
        other.stream("GET", "/api/v1/live/stream") as theirs,
    ):
        lines, others = mine.aiter_lines(), theirs.aiter_lines()
        await anext(others)
        gone = await client.delete("/api/v1/devices/1", headers=origin)
        began = time.monotonic()
        assert gone.status_code == 200
        while await anext(others, None) is not None:
            pass
        ended = time.monotonic() - began
        for _ in range(3):
            await anext(lines)
        return ended

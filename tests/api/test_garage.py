"""Settings and what-if over the API. Law: refusals are problems in the owner's words; a change names its device."""

from __future__ import annotations

import asyncio
import shutil
from pathlib import Path

import httpx
import pytest
from made_archive import MadeJudge

from sagwise_api import PageSettings, create_app
from sagwise_daemon.config.pack import BUILT_IN
from sagwise_daemon.domain.ride.settings_grid import Setting
from sagwise_daemon.garage import Garage

HOST = "127.0.0.1:8480"
ORIGIN = {"origin": f"http://{HOST}"}
OTTER = "/api/v1/packs/Otter%2016s5p"


@pytest.fixture
def ask(house, tmp_path: Path):
    """Sends a request to a bike with real packs; the garage is its attribute."""
    for file in BUILT_IN.glob("*.toml"):
        shutil.copy(file, tmp_path)
    garage = Garage(tmp_path / "otter.toml", tmp_path / "settings.jsonl", lambda: 1.8e9)
    app = create_app(
        house.live,
        house.commands,
        house.rides,
        garage,
        PageSettings(paired_on_loopback=True),
        garage=garage,
        what_if=MadeJudge(lambda: Setting(3.3, 1.0)),
    )

    def send(method: str, path: str, body: object = None) -> httpx.Response:
        async def run() -> httpx.Response:
            transport = httpx.ASGITransport(app, client=("127.0.0.1", 50000))
            async with httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}") as client:
                return await client.request(method, path, json=body, headers=ORIGIN)

        return asyncio.run(run())

    send.garage = garage  # type: ignore[attr-defined]
    return send


def test_settings_come_with_ranges_and_what_the_file_says(ask) -> None:
    body = ask("GET", f"{OTTER}/settings").json()
    assert body["fitted"] is True
    rules = {rule["rule"]: rule for rule in body["rules"]}
    limit = next(key for key in rules["rest_low"]["keys"] if key["key"] == "volts")
    assert limit == {"key": "volts", "value": 3.3, "filed": 3.3, "low": 1.0, "high": 5.0}
    assert rules["loaded_floor"]["shelvable"] is False and rules["sense_open"]["limit_key"] is None
    assert ask("GET", "/api/v1/packs/Nobody/settings").status_code == 404


def test_cautions_come_with_the_settings_and_follow_their_changes(ask) -> None:
    (shock,) = ask("GET", f"{OTTER}/settings").json()["cautions"]
    assert "67.2 V: above 60 V d.c." in shock
    ask("POST", f"{OTTER}/changes", {"rule": "loaded_floor", "values": {"enabled": False}})
    assert ask("GET", f"{OTTER}/settings").json()["cautions"][1].startswith("alarm.loaded_floor is switched off")
    assert ask("GET", "/api/v1/packs/Wren%2016s/settings").json()["cautions"] == []


def test_a_change_names_its_device_and_can_be_undone(ask) -> None:
    change = ask("POST", f"{OTTER}/changes", {"rule": "rest_low", "values": {"volts": 3.25}}).json()
    assert change["values"] == {"volts": {"before": 3.3, "after": 3.25}} and change["device"] == "this computer"
    settings = ask("GET", f"{OTTER}/settings").json()["rules"][0]["keys"][0]
    assert (settings["value"], settings["filed"]) == (3.25, 3.3)
    undo = ask("POST", f"/api/v1/changes/{change['change_id']}/undo", {}).json()
    assert undo["undoes"] == change["change_id"]
    assert [one["undone"] for one in ask("GET", "/api/v1/changes").json()["changes"]] == [False, True]
    assert ask.garage.fitted().rules["rest_low"].limit == 3.3


@pytest.mark.parametrize(
    ("path", "body", "status", "words"),
    [
        (f"{OTTER}/changes", {"rule": "rest_low", "values": {"volts": 9.0}}, 422, "from 1 to 5 V"),
        (f"{OTTER}/changes", {"rule": "rest_low", "values": {"volts": 2.0}}, 422, "cell.empty_v"),
        (f"{OTTER}/changes", {"rule": "rest_low", "values": {"celsius": 2.0}}, 404, "celsius"),
        (f"{OTTER}/changes", {"rule": "no_such", "values": {"volts": 2.0}}, 404, "no_such"),
        (f"{OTTER}/changes", {"rule": "rest_low", "values": {}}, 422, "values"),
        (f"{OTTER}/changes", {"rule": "rest_low", "values": {"volts": None}}, 422, "values"),
        (f"{OTTER}/changes", {"rule": "rest_low", "values": {"volts": 3.2}, "why": "x"}, 422, "why"),
        ("/api/v1/packs/Nobody/changes", {"rule": "rest_low", "values": {"volts": 3.2}}, 404, "Nobody"),
        ("/api/v1/packs/fit", {"pack": "Nobody"}, 404, "Heron 14s"),
        ("/api/v1/packs/fit", {"pack": "Otter 16s5p"}, 422, "fitted already"),
        ("/api/v1/changes/7/undo", {}, 404, "7"),
    ],
)
def test_refusals_are_problems_and_nothing_is_changed(ask, path: str, body: object, status: int, words: str) -> None:
    answer = ask("POST", path, body)
    assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json")
    assert words in answer.json()["detail"]
    assert ask.garage.changes(10) == ()


def test_what_if_gives_every_setting_beside_the_plain_buzzer(ask) -> None:
    body = ask("GET", "/api/v1/rides/3/what-if").json()
    assert len(body["limits_v"]) == 41 and body["delays_s"] == [0.5, 1.0, 2.0, 5.0, 10.0]
    assert len(body["rest"]) == 205 and len(body["plain"]) == 41
    assert body["now"] == {"limit_v": 3.3, "on_delay_s": 1.0}
    own = next(one for one in body["rest"] if (one["limit_v"], one["on_delay_s"]) == (3.3, 1.0))
    assert own["count"] == own["warnings"] == 1 and own["raises_s"] == [pytest.approx(own["first_s"], abs=0.1)]
    assert ask("GET", "/api/v1/rides/9/what-if").status_code == 404

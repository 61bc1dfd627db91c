"""The API's answers. Law: schemas hold, NaN never leaves, refusals are problems of RFC 9457."""

from __future__ import annotations

import asyncio
import json
import struct
from dataclasses import replace

import numpy as np
import pytest

PROBLEM = "application/problem+json"
ORIGIN = {"origin": "http://127.0.0.1:8480"}


def strict(text: str) -> dict:
    """JSON as RFC 8259 has it: Python's reader would take NaN."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} in JSON")

    return json.loads(text, parse_constant=refuse)


def ask(house, method: str, path: str, **options):
    async def run():
        async with house.asked() as client:
            return await client.request(method, path, **options)

    return asyncio.run(run())


def test_live_says_unknown_as_null(house) -> None:
    body = strict(ask(house, "GET", "/api/v1/live").text)
    assert body["loaded_v"] == [3.51, None, None]
    assert body["rest_sigma_v"] == [0.006, None, None]
    assert body["distance_m"] is None and body["temperature_c"] == [31.0, None]
    assert body["unknown"][2] == "settling: 10 s of rest needed"
    assert body["weak"] == [
        {
            "group": 2, "short_of": "resistance", "capacity_percent": None, "capacity_sigma_percent": None,
            "resistance_percent": 35.4, "resistance_sigma_percent": 2.0,
        }
    ]  # fmt: skip
    assert body["alarms"] == [
        {
            "rule": "rest_low", "group": 2, "state": "unacknowledged", "priority": "high", "value": None, "limit": 3.3,
            "unit": "V", "basis": "rest", "since_s": 11.0, "until_s": None, "cause": None,
        }
    ]  # fmt: skip


def test_rides_come_in_pages(house) -> None:
    first = strict(ask(house, "GET", "/api/v1/rides?limit=50").text)["rides"]
    then = strict(ask(house, "GET", f"/api/v1/rides?limit=50&before_id={first[-1]['ride_id']}").text)["rides"]
    assert [ride["ride_id"] for ride in first + then] == list(range(120, 20, -1))
    assert first[0]["energy_wh"] is None and first[0]["rest_min_v"] is None


@pytest.mark.parametrize("path", ["/rides/7", "/rides/7/channels", "/rides/7/events", "/events", "/packs", "/rides"])
def test_every_list_answers(house, path: str) -> None:
    answer = ask(house, "GET", f"/api/v1{path}")
    assert answer.status_code == 200
    strict(answer.text)


def test_event_and_pack_fields(house) -> None:
    event = strict(ask(house, "GET", "/api/v1/rides/7/events?limit=1").text)["events"][0]
    assert (event["event_id"], event["ride_id"], event["to"], event["ride_s"]) == (3, 7, "unacknowledged", 4.5)
    assert event["value"] is None and event["basis"] == "rest"
    packs = strict(ask(house, "GET", "/api/v1/packs").text)
    assert packs["fitted"] == "Wren 16s"
    assert packs["packs"][0]["rules"][0]["rule"] == "rest_low"


def test_chart_decodes_by_its_documented_layout(house) -> None:
    path = "/api/v1/rides/7/chart?channels=rest_v,group_01_v&points=100&start_s=100&end_s=200"
    answer = ask(house, "GET", path)
    assert answer.headers["content-type"] == "application/vnd.sagwise.chart"
    magic, version, head, channels, points, first_s = struct.unpack_from("<4sHHIId", answer.content)
    assert (magic, version, head, channels, points, first_s) == (b"SWCH", 1, 24, 2, 100, 100.5)
    floats = np.frombuffer(answer.content, "<f4", offset=head)
    assert len(floats) == points * (1 + 2 * channels)
    assert np.allclose(first_s + floats[:points], 100.5 + np.arange(100))
    values = floats[points:].reshape(channels, 2, points)
    assert np.isnan(values[:, :, 1]).all()
    known = np.arange(points) != 1
    assert np.allclose(values[1, 0, known], 4.0 + np.sin(100.5 + np.arange(100)[known]), atol=1e-5)
    assert np.allclose(values[:, 1, known] - values[:, 0, known], 0.25, atol=1e-5)


@pytest.mark.parametrize("second", ["1.7710247103075182e16", "-1e300", "inf", "nan"])
def test_a_chart_far_beyond_all_rides_is_refused(house, second: str) -> None:
    """Found by the fuzzing: a second that no stored microsecond can reach was a fault of the server."""
    for name in ("start_s", "end_s"):
        answer = ask(house, "GET", f"/api/v1/rides/7/chart?channels=rest_v&points=50&{name}={second}")
        assert answer.status_code == 422 and name in answer.text
    assert ask(house, "GET", "/api/v1/rides/7/chart?channels=rest_v&points=50&end_s=1e9").status_code == 200


def test_chart_is_not_sent_twice(house) -> None:
    path = "/api/v1/rides/7/chart?channels=rest_v&points=50"
    tag = ask(house, "GET", path).headers["etag"]
    again = ask(house, "GET", path, headers={"if-none-match": tag})
    assert again.status_code == 304 and again.content == b""


@pytest.mark.parametrize(
    ("path", "status", "words"),
    [
        ("/rides/999", 404, "there is no ride 999"),
        ("/rides/999/channels", 404, "there is no ride 999"),
        ("/rides/999/events", 404, "there is no ride 999"),
        ("/rides/999/chart?channels=rest_v", 404, "there is no ride 999"),
        ("/rides/7/chart?channels=rest_v,gruop_01_v", 422, "gruop_01_v"),
        ("/rides/7/chart?channels=rest_v&start_s=9&end_s=9", 422, "empty"),
        ("/rides/7/chart?channels=rest_v&start_s=nan", 422, "start_s"),
        ("/rides/7/chart?channels=,", 422, "channels"),
        ("/rides/7/chart?channels=rest_v&points=1", 422, "points"),
        ("/rides/7/chart?channels=rest_v&points=1000000", 422, "points"),
        ("/rides/seven", 422, "ride_id"),
        ("/rides?limit=0", 422, "limit"),
        ("/rides?before_id=999", 404, "there is no ride 999"),
        ("/nothing", 404, "/api/v1/nothing"),
    ],
)
def test_refusals_are_problems(house, path: str, status: int, words: str) -> None:
    answer = ask(house, "GET", f"/api/v1{path}")
    body = strict(answer.text)
    assert answer.status_code == status == body["status"]
    assert answer.headers["content-type"] == PROBLEM
    assert {"type", "title", "status", "detail"} <= body.keys()
    assert words in body["detail"]


def test_wrong_method_is_a_problem(house) -> None:
    answer = ask(house, "DELETE", "/api/v1/rides/7", headers=ORIGIN)
    assert (answer.status_code, answer.headers["content-type"]) == (405, PROBLEM)


def test_allow_names_all_methods_of_a_path(house) -> None:
    answer = ask(house, "PUT", "/api/v1/rides/7/chart", headers=ORIGIN)
    assert (answer.status_code, answer.headers["allow"]) == (405, "GET")
    answer = ask(house, "PUT", "/api/v1/alarms/shelve", headers=ORIGIN)
    assert (answer.status_code, answer.headers["allow"]) == (405, "POST")


def test_acknowledge_and_shelve_reach_the_commands(house) -> None:
    assert ask(house, "POST", "/api/v1/alarms/acknowledge", json={}, headers=ORIGIN).json() == {"done": True}
    ask(house, "POST", "/api/v1/alarms/acknowledge", json={"rule": "rest_low", "group": 7}, headers=ORIGIN)
    ask(house, "POST", "/api/v1/alarms/shelve", json={"rule": "spread_high", "duration_s": 600}, headers=ORIGIN)
    assert house.commands.done == [
        ("acknowledge", "page", None, None),
        ("acknowledge", "page", "rest_low", 7),
        ("shelve", "page", "spread_high", 600.0, None),
    ]


@pytest.mark.parametrize(
    ("verb", "body", "status", "words"),
    [
        ("acknowledge", {"rule": "no_such"}, 404, "no_such"),
        ("acknowledge", {"rule": "rest_low", "gruop": 7}, 422, "gruop"),
        ("acknowledge", {"rule": "rest_low", "group": 0}, 422, "group"),
        ("acknowledge", {"rule": "rest_low", "group": "7"}, 422, "group"),
        ("acknowledge", {"rule": "rest_low", "group": 17}, 422, "groups are 1 to 16"),
        ("acknowledge", [], 422, "body"),
        ("shelve", {"rule": "loaded_floor", "duration_s": 60}, 422, "may not be shelved"),
        ("shelve", {"rule": "no_such", "duration_s": 60}, 404, "no_such"),
        ("shelve", {"rule": "spread_high", "duration_s": 86401}, 422, "duration_s"),
        ("shelve", {"rule": "spread_high"}, 422, "duration_s"),
    ],
)
def test_commands_refuse_with_a_problem(house, verb: str, body: object, status: int, words: str) -> None:
    answer = ask(house, "POST", f"/api/v1/alarms/{verb}", json=body, headers=ORIGIN)
    assert (answer.status_code, answer.headers["content-type"]) == (status, PROBLEM)
    assert words in strict(answer.text)["detail"]
    assert house.commands.done == []


@pytest.mark.parametrize("body", [b'{"rule": NaN}', b"\xff", b"{", b"", b'{"rule": "rest_low", "group": 1e999}'])
def test_rubbish_bodies_are_problems(house, body: bytes) -> None:
    headers = ORIGIN | {"content-type": "application/json"}
    answer = ask(house, "POST", "/api/v1/alarms/acknowledge", content=body, headers=headers)
    assert answer.status_code in (400, 422)
    assert answer.headers["content-type"] == PROBLEM
    strict(answer.text)


def test_a_fault_inside_is_a_problem_without_its_words(house) -> None:
    def fall() -> None:
        raise RuntimeError("the secret of the house")

    house.rides.wait = fall

    async def run():
        async with house.served() as (_, client):
            return await client.get("/api/v1/rides/7/chart?channels=rest_v")

    answer = asyncio.run(run())
    assert (answer.status_code, answer.headers["content-type"]) == (500, PROBLEM)
    assert "secret" not in answer.text


def test_openapi_document_names_every_route_and_the_problem(house) -> None:
    document = strict(ask(house, "GET", "/api/v1/openapi.json").text)
    assert set(document["paths"]) == {
        "/api/v1/pair", "/api/v1/live", "/api/v1/live/stream", "/api/v1/rides", "/api/v1/rides/{ride_id}",
        "/api/v1/rides/{ride_id}/channels", "/api/v1/rides/{ride_id}/chart", "/api/v1/rides/{ride_id}/events",
        "/api/v1/events", "/api/v1/packs", "/api/v1/alarms/acknowledge", "/api/v1/alarms/shelve",
        "/api/v1/me", "/api/v1/time", "/api/v1/devices", "/api/v1/devices/{device_id}",
    }  # fmt: skip
    assert {"type", "title", "status", "detail"} <= document["components"]["schemas"]["ProblemOut"]["properties"].keys()
    references = {part for part in json.dumps(document).split('"') if part.startswith("#/components/schemas/")}
    assert references and all(ref.rsplit("/", 1)[1] in document["components"]["schemas"] for ref in references)


def test_no_documentation_page_that_loads_from_a_network(house) -> None:
    assert ask(house, "GET", "/docs").status_code == 404
    assert ask(house, "GET", "/redoc").status_code == 404


@pytest.mark.parametrize(("link", "going"), [("up", [3]), ("lost", []), ("waiting", [])])
def test_only_the_connected_boards_ride_goes_on_now(house, link: str, going: list[int]) -> None:
    """No ride of these has an end: the others were cut off, or are being brought in."""
    house.live.state = replace(house.live.state, link=link)
    rides = ask(house, "GET", "/api/v1/rides?limit=120").json()["rides"]
    assert {ride["ended_by"] for ride in rides} == {None}
    assert [ride["ride_id"] for ride in rides if ride["now"]] == going
    assert ask(house, "GET", "/api/v1/rides/3").json()["now"] is (link == "up")
    assert ask(house, "GET", "/api/v1/rides/4").json()["now"] is False

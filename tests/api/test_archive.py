"""Routes of records that are over, over a fake archive. Law: what the archive says arrives whole, refusals are told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from sagwise_api import PageSettings, create_app
from sagwise_daemon.domain.model import Cell, Estimates, Pack, Priority, Readings, RuleSettings
from sagwise_daemon.domain.ports import KnownPack, Ride, RideFilter
from sagwise_daemon.domain.ride.comparison import compare, lay
from sagwise_daemon.domain.ride.figures import summarise
from sagwise_daemon.domain.ride.health import HealthPoint, health
from sagwise_daemon.domain.ride.recorded import Recorded, document

ORIGIN = {"origin": "http://127.0.0.1:8480"}
PACK = Pack(
    "Otter 4s5p",
    4,
    5,
    Cell("nmc", 4.5, 4.2, 2.8, 14.0, 30.0, np.array([0.0, 1.0]), np.array([3.0, 4.2])),
    {"rest_low": RuleSettings(3.3, 0.05, 1.0, 10.0, 0.0, Priority.HIGH, False, True)},
)


def recorded() -> Recorded:
    time_s = np.arange(900) / 5.0
    current = np.where((time_s > 20) & (time_s < 110), 45.0, 0.0)
    rest = np.full((900, 4), 3.9)
    blank = np.full((180, 4), np.nan)
    estimates = Estimates(time_s[::5], rest[::5], blank, rest[::5], blank, blank, blank, np.zeros((180, 4), np.int8))
    group_v = rest - current[:, None] * 0.003
    return Recorded(PACK, Readings(time_s, group_v, current, np.full((900, 1), 25.0), np.full(900, np.nan)), estimates)


@dataclass
class FakeArchive:
    done: list[tuple[object, ...]] = field(default_factory=list)

    def summary(self, ride_id: int) -> Mapping[str, Any] | None:
        return document(summarise(recorded(), "ride"))

    def health(self, pack: str) -> Mapping[str, Any]:
        if pack != PACK.name:
            raise KeyError(f"there is no pack {pack!r}")
        rng = np.random.default_rng(1)
        points = [
            HealthPoint(n, 1.7e9 + n * 1e6, 3 + rng.normal(0, 0.1, 4), np.full(4, np.nan), 0.01) for n in range(1, 12)
        ]
        return {"pack": pack, "series": 4, **document(health(points, 4))}

    def compare(self, sides: Sequence[int | str], by: str, channels: Sequence[str], points: int) -> Mapping[str, Any]:
        self.done.append(("compare", *sides, by, tuple(channels), points))
        if by == "distance":
            raise ValueError("no distance was measured")
        axis, found = compare([[lay(recorded(), by, channels)] for _ in sides], points)
        told = [
            {
                "name": str(side),
                "pack": PACK.name,
                "ride_ids": [1],
                "thinned": False,
                "end": one.end,
                "channels": one.channels,
            }
            for side, one in zip(sides, found, strict=True)
        ]
        return document({"by": by, "unit": "s", "x": axis, "sides": told})

    def report(self, ride_id: int) -> str:
        if ride_id == 7:
            raise ValueError("ride 7 has no samples left")
        return "<!doctype html><title>ride</title>"

    def known_packs(self) -> Sequence[KnownPack]:
        return [KnownPack("Otter 4s5p", 4, 5, "nmc", 12, 1.7e9)]

    def change(self, ride_id: int, wish: Mapping[str, str | None]) -> None:
        if wish.get("pack") == "Heron":
            raise ValueError("Heron has 14 groups, ride 1 has 16; choose the pack it was ridden with")
        self.done.append(("change", ride_id, dict(wish)))

    def delete(self, ride_id: int) -> None:
        if ride_id == 120:
            raise ValueError("ride 120 goes on; it can be deleted when it has ended")
        self.done.append(("delete", ride_id))

    def restore(self, ride_id: int) -> None:
        self.done.append(("restore", ride_id))


@pytest.fixture
def archive() -> FakeArchive:
    return FakeArchive()


@pytest.fixture
def asked(house, archive: FakeArchive):
    def app(settings: PageSettings):
        return create_app(house.live, house.commands, house.rides, house.packs, settings, archive=archive)

    house.app = app
    ended = house.rides.ride
    house.rides.ride = lambda ride_id: _ended(ended(ride_id)) if ride_id != 120 else ended(ride_id)
    return house.asked


def _ended(ride: Ride) -> Ride:
    return Ride(**{**{name: getattr(ride, name) for name in Ride.__slots__}, "ended_by": "standstill", "note": "wet"})


def run(work) -> Any:
    import asyncio

    return asyncio.run(work)


def test_a_ride_comes_with_its_summary_and_no_nan(asked) -> None:
    async def ask():
        async with asked() as client:
            return await client.get("/api/v1/rides/5"), await client.get("/api/v1/rides/120")

    over, going = run(ask())
    told = over.json()
    assert over.status_code == 200 and "NaN" not in over.text
    assert (told["kind"], told["name"], told["note"], told["deleted"]) == ("ride", None, "wet", False)
    summary = told["summary"]
    assert summary["current_max_10s_a"] == pytest.approx(45.0)
    assert summary["groups"][0]["sag_v"] == pytest.approx(0.135) and summary["groups"][0]["resistance_mohm"] is None
    assert summary["plain_buzzer"]["sounded"] == 0 and summary["since_before"] is None
    assert going.json()["summary"] is None


def test_a_ride_that_there_is_not(asked) -> None:
    async def ask():
        async with asked() as client:
            return await client.get("/api/v1/rides/999")

    answer = run(ask())
    assert answer.status_code == 404 and answer.json()["type"] == "/problems/no-such-ride"


def test_the_filter_of_the_list_reaches_the_store(asked, house) -> None:
    seen: list[RideFilter] = []
    house.rides.rides = lambda limit, before_id, wanted: seen.append(wanted) or []

    async def ask():
        async with asked() as client:
            query = "kind=charge&pack=Otter%2016s5p&since_unix_s=1.7e9&until_unix_s=1.8e9&deleted=true"
            good = await client.get(f"/api/v1/rides?{query}")
            return good, await client.get("/api/v1/rides?kind=walk")

    good, bad = run(ask())
    assert good.status_code == 200 and bad.status_code == 422
    assert seen == [RideFilter("charge", "Otter 16s5p", 1.7e9, 1.8e9, True)]


def test_changes_reach_the_archive_only_from_our_own_page(asked, archive: FakeArchive) -> None:
    async def ask():
        async with asked() as client:
            foreign = await client.patch("/api/v1/rides/5", json={"note": "x"}, headers={"origin": "http://elsewhere"})
            answers = [
                await client.patch("/api/v1/rides/5", json={"name": "Quarry", "note": ""}, headers=ORIGIN),
                await client.patch("/api/v1/rides/5", json={"name": None}, headers=ORIGIN),
                await client.delete("/api/v1/rides/5", headers=ORIGIN),
                await client.post("/api/v1/rides/5/restore", headers=ORIGIN),
            ]
            return foreign, answers

    foreign, answers = run(ask())
    assert foreign.status_code == 403
    assert [answer.status_code for answer in answers] == [200] * 4
    assert archive.done == [
        ("change", 5, {"name": "Quarry", "note": ""}),
        ("change", 5, {"name": None}),
        ("delete", 5),
        ("restore", 5),
    ]


@pytest.mark.parametrize(
    ("method", "path", "body", "status", "words"),
    [
        ("PATCH", "/rides/5", {"pack": "Heron"}, 422, "14 groups"),
        ("PATCH", "/rides/5", {"nmae": "typo"}, 422, "nmae"),
        ("PATCH", "/rides/5", {"note": "x" * 4001}, 422, "4000"),
        ("PATCH", "/rides/5", {"name": "a\nb"}, 422, "name"),
        ("DELETE", "/rides/120", None, 422, "goes on"),
        ("GET", "/rides/7/report", None, 422, "no samples left"),
        ("GET", "/packs/nobody/health", None, 404, "no pack"),
        ("GET", "/compare?a=1&b=tomorrow", None, 422, "query.b"),
        ("GET", "/compare?a=1&b=2&by=distance", None, 422, "no distance"),
        ("GET", "/compare?a=1&b=2&by=mood", None, 422, "by"),
    ],
)
def test_refusals_say_why(asked, method, path, body, status, words) -> None:
    async def ask():
        async with asked() as client:
            return await client.request(method, f"/api/v1{path}", json=body, headers=ORIGIN)

    answer = run(ask())
    assert answer.status_code == status and words in answer.json()["detail"]


def test_an_answer_that_breaks_its_schema_is_a_fault_of_ours_and_no_refusal(asked, archive: FakeArchive) -> None:
    archive.health = lambda pack: {"pack": pack}

    async def ask():
        async with asked() as client:
            return await client.get("/api/v1/packs/Otter/health")

    with pytest.raises(ValidationError):
        run(ask())


def test_allow_names_the_methods_of_every_route_of_the_path(asked) -> None:
    async def ask():
        async with asked() as client:
            return await client.put("/api/v1/rides/7", json={}, headers=ORIGIN)

    answer = run(ask())
    assert (answer.status_code, answer.headers["allow"]) == (405, "DELETE, GET, PATCH")


def test_health_comparison_packs_and_report(asked, archive: FakeArchive) -> None:
    async def ask():
        async with asked() as client:
            return [
                await client.get(f"/api/v1{path}")
                for path in (
                    "/packs/Otter%204s5p/health",
                    "/compare?a=3&b=pack:Otter%204s5p&by=energy&channels=rest_v&points=40",
                    "/packs/known",
                    "/rides/5/report",
                    "/openapi.json",
                )
            ]

    healthy, compared, known, page, described = run(ask())
    assert [one.status_code for one in (healthy, compared, known, page, described)] == [200] * 5
    told = healthy.json()
    assert told["enough"] and len(told["points"]) == 11 and told["points"][0]["capacity_ah"] == [None] * 4
    assert told["resistance"]["groups"][2]["against_others"]["per_year_sigma"] > 0
    assert archive.done == [("compare", 3, "Otter 4s5p", "energy", ("rest_v",), 40)]
    assert len(compared.json()["x"]) == 40 and len(compared.json()["sides"]) == 2
    assert known.json()["packs"][0]["rides"] == 12
    assert page.headers["content-type"].startswith("text/html") and "ride-5.html" in page.headers["content-disposition"]
    assert "SummaryOut" in described.json()["components"]["schemas"]

"""Routes of records that are over: summaries, health, comparison, report, and what a person changes. Law: thin; what
takes long has a worker of its own, and a change is one request that can be undone.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Literal, TypeVar

from fastapi import APIRouter, Path, Query
from pydantic import ValidationError
from starlette.responses import Response

from sagwise_api import record_schemas as out
from sagwise_api import views
from sagwise_api.problems import ProblemError, declared
from sagwise_api.routes import RideId, Sources
from sagwise_api.schemas import RideOut
from sagwise_api.workers import Workers
from sagwise_daemon.domain import ports

T = TypeVar("T")
PackName = Annotated[str, Path(min_length=1, max_length=64, description="name of the pack")]
Side = Annotated[str, Query(max_length=80, description="a ride's number, or pack:NAME for the pack's newest rides")]
PACK = "pack:"
CHANNELS = "rest_v,loaded_v,current_a"


def archive_router(archive: ports.Archive | None, sources: Sources, slow: Workers) -> APIRouter:
    """Without an archive there is no summary and nothing can be changed."""
    router = APIRouter()
    _add_ride(router, archive, sources, slow)
    if archive is not None:
        _add_changes(router, archive, sources)
        _add_packs(router, archive, sources, slow)
        _add_comparison(router, archive, slow)
        _add_report(router, archive, slow)
    return router


def _said(kind: str, call: Callable[[], T]) -> Callable[[], T]:
    """The call with its LookupError and ValueError said as problems; `kind` is of the latter."""

    def looked_up() -> T:
        try:
            return call()
        except KeyError as missing:
            what = str(missing.args[0]) if missing.args else "there is no such ride"
            raise ProblemError(404, what, kind="no-such-pack" if "pack" in what else "no-such-ride") from missing
        except ValidationError:  # a ValueError too, but a fault of ours: the answer breaks its own schema
            raise
        except ValueError as refused:
            raise ProblemError(422, str(refused), kind=kind) from refused

    return looked_up


def _add_ride(router: APIRouter, archive: ports.Archive | None, sources: Sources, slow: Workers) -> None:
    @router.get("/rides/{ride_id}", responses=declared(404), summary="One ride with its summary")
    async def one_ride(ride_id: RideId) -> out.RideWithSummaryOut:
        now = views.ride_now(sources.live.latest())

        def read() -> out.RideWithSummaryOut:
            told = views.ride(_ride(sources, ride_id), now)
            summary = None if archive is None or told.ended_by is None else archive.summary(ride_id)
            return out.RideWithSummaryOut(
                **told.model_dump(), summary=None if summary is None else out.SummaryOut.model_validate(summary)
            )

        return await slow.run(_said("no-summary", read))


def _ride(sources: Sources, ride_id: int) -> ports.Ride:
    try:
        return sources.rides.ride(ride_id)
    except KeyError as missing:
        raise ProblemError(404, f"there is no ride {ride_id}", kind="no-such-ride") from missing


def _add_changes(router: APIRouter, archive: ports.Archive, sources: Sources) -> None:
    async def changed(ride_id: int, change: Callable[[], None]) -> RideOut:
        now = views.ride_now(sources.live.latest())

        def work() -> RideOut:
            change()
            return views.ride(_ride(sources, ride_id), now)

        return await sources.quick.run(_said("not-changed", work))

    @router.patch("/rides/{ride_id}", responses=declared(404, 413), summary="Name, note, or the pack it really was")
    async def change(ride_id: RideId, wish: out.RideChangeIn) -> RideOut:
        given = wish.model_dump(exclude_unset=True)
        return await changed(ride_id, lambda: archive.change(ride_id, given))

    @router.delete("/rides/{ride_id}", responses=declared(404), summary="Delete a ride; it can be restored")
    async def delete(ride_id: RideId) -> RideOut:
        return await changed(ride_id, lambda: archive.delete(ride_id))

    @router.post("/rides/{ride_id}/restore", responses=declared(404), summary="Undo the deletion of a ride")
    async def restore(ride_id: RideId) -> RideOut:
        return await changed(ride_id, lambda: archive.restore(ride_id))


def _add_packs(router: APIRouter, archive: ports.Archive, sources: Sources, slow: Workers) -> None:
    @router.get("/packs/known", responses=declared(), summary="Every pack that rides are kept of")
    async def known() -> out.KnownPacksOut:
        def read() -> out.KnownPacksOut:
            packs = [out.KnownPackOut.model_validate(one, from_attributes=True) for one in archive.known_packs()]
            return out.KnownPacksOut(packs=packs)

        return await sources.quick.run(read)

    @router.get("/packs/{name}/health", responses=declared(404), summary="A pack over its rides, with trends")
    async def health(name: PackName) -> out.HealthOut:
        return await slow.run(_said("no-health", lambda: out.HealthOut.model_validate(archive.health(name))))


def _add_comparison(router: APIRouter, archive: ports.Archive, slow: Workers) -> None:
    @router.get("/compare", responses=declared(404), summary="Two rides or packs on the same axis")
    async def compare(
        a: Side,
        b: Side,
        by: Annotated[Literal["time", "energy", "distance"], Query()] = "time",
        channels: Annotated[str, Query(max_length=200, description="names, with commas between")] = CHANNELS,
        points: Annotated[int, Query(ge=2, le=1000)] = 200,
    ) -> out.ComparisonOut:
        sides = [_side("a", a), _side("b", b)]
        names = [name for name in channels.split(",") if name]

        def read() -> out.ComparisonOut:
            return out.ComparisonOut.model_validate(archive.compare(sides, by, names, points))

        return await slow.run(_said("no-such-axis", read))


def _side(name: str, text: str) -> int | str:
    if text.startswith(PACK) and len(text) > len(PACK):
        return text[len(PACK) :]
    if text.isascii() and text.isdigit() and 1 <= int(text) <= 2**53:
        return int(text)
    raise ProblemError(422, f"query.{name}: a ride's number, or pack: and a pack's name, is wanted")


def _add_report(router: APIRouter, archive: ports.Archive, slow: Workers) -> None:
    answers = declared(404) | {
        200: {
            "description": "One page that opens anywhere, without network and without scripts",
            "content": {"text/html": {"schema": {"type": "string"}}},
        }
    }

    @router.get(
        "/rides/{ride_id}/report", responses=answers, response_class=Response, summary="A ride as one HTML file"
    )
    async def report(ride_id: RideId) -> Response:
        page = await slow.run(_said("no-report", lambda: archive.report(ride_id)))
        headers = {"content-disposition": f'attachment; filename="ride-{ride_id}.html"', "cache-control": "no-store"}
        return Response(page, headers=headers, media_type="text/html; charset=utf-8")

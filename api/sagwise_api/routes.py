"""The API's routes. Law: thin; each reads a port, off the event loop where it may block, and says what it found.

What waits on the disk runs in `workers`; charts have workers of their own, so that a long one holds up no list.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Literal, TypeVar

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from sagwise_api import schemas as out
from sagwise_api import views
from sagwise_api.chart import MEDIA_TYPE, etag
from sagwise_api.problems import ProblemError, declared
from sagwise_api.workers import Workers
from sagwise_daemon.domain import ports
from sagwise_daemon.domain.chart import encode_chart

T = TypeVar("T")
RideId = Annotated[int, Path(ge=1, le=2**53, description="number of the ride")]
# Thirty years either way: what is stored counts microseconds, and a span beyond all rides must not overflow it.
Seconds = Query(ge=-1e9, le=1e9, description="seconds from the ride's start")
MAX_CHANNELS = 64
POINTS = 800


@dataclass(frozen=True, slots=True)
class Sources:
    """What the routes read from and act through."""

    live: ports.Live
    commands: ports.Commands
    rides: ports.Rides
    packs: ports.Packs
    quick: Workers
    charts: Workers


def api_router(sources: Sources) -> APIRouter:
    router = APIRouter()
    _add_live(router, sources)
    _add_rides(router, sources)
    _add_chart(router, sources)
    _add_packs(router, sources)
    _add_alarms(router, sources)
    return router


def _found(ride_id: int, call: Callable[[], T]) -> Callable[[], T]:
    """The call with a KeyError said as "no such ride"."""

    def looked_up() -> T:
        try:
            return call()
        except KeyError as missing:
            raise ProblemError(404, f"there is no ride {ride_id}", kind="no-such-ride") from missing

    return looked_up


def _add_live(router: APIRouter, sources: Sources) -> None:
    @router.get("/live", responses=declared(), summary="The bike at this moment")
    async def live() -> out.LiveOut:
        return views.live(sources.live.latest())


def _add_rides(router: APIRouter, sources: Sources) -> None:
    rides, quick = sources.rides, sources.quick

    @router.get("/rides", responses=declared(404), summary="Recorded rides, newest first")
    async def list_rides(
        limit: Annotated[int, Query(ge=1, le=500)] = 100,
        before_id: Annotated[int | None, Query(ge=1, le=2**53, description="only rides before this one")] = None,
        kind: Annotated[Literal["ride", "charge", "standing"] | None, Query()] = None,
        pack: Annotated[str | None, Query(min_length=1, max_length=64, description="its name")] = None,
        since_unix_s: Annotated[float | None, Query(description="begun then or later")] = None,
        until_unix_s: Annotated[float | None, Query(description="begun before then")] = None,
        deleted: Annotated[bool, Query(description="those that were deleted instead")] = False,
    ) -> out.RidesOut:
        wanted = ports.RideFilter(kind, pack, since_unix_s, until_unix_s, deleted)
        now = views.ride_now(sources.live.latest())

        def read() -> out.RidesOut:
            return out.RidesOut(rides=[views.ride(kept, now) for kept in rides.rides(limit, before_id, wanted)])

        return await quick.run(_found(before_id or 0, read))

    @router.get("/rides/{ride_id}/channels", responses=declared(404), summary="What can be charted of a ride")
    async def channels(ride_id: RideId) -> out.ChannelsOut:
        names = await quick.run(_found(ride_id, lambda: list(rides.channels(ride_id))))
        return out.ChannelsOut(ride_id=ride_id, channels=names)

    @router.get("/rides/{ride_id}/events", responses=declared(404), summary="A ride's alarm events, newest first")
    async def ride_events(ride_id: RideId, limit: Annotated[int, Query(ge=1, le=1000)] = 200) -> out.EventsOut:
        def read() -> out.EventsOut:
            rides.ride(ride_id)
            return out.EventsOut(events=[views.event(kept) for kept in rides.events(ride_id, limit)])

        return await quick.run(_found(ride_id, read))

    @router.get("/events", responses=declared(), summary="All alarm events, newest first")
    async def events(limit: Annotated[int, Query(ge=1, le=1000)] = 200) -> out.EventsOut:
        return await quick.run(lambda: out.EventsOut(events=[views.event(kept) for kept in rides.events(None, limit)]))


def _names(channels: str) -> list[str]:
    names = [name for name in channels.split(",") if name]
    if not 1 <= len(names) <= MAX_CHANNELS:
        raise ProblemError(422, f"query.channels: name 1 to {MAX_CHANNELS} channels, with commas between")
    return names


def _add_chart(router: APIRouter, sources: Sources) -> None:
    answers = declared(404) | {
        200: {
            "description": "Lowest and highest values of each channel in spans of equal time, as little-endian "
            "bytes: 'SWCH', u16 version 1, u16 header bytes 24, u32 channels, u32 points, f64 seconds to the first "
            "point; then f32 times after it, then f32 lowest and f32 highest of each channel. NaN: no reading. Without "
            "points, start_s and end_s it is the stored overview of the whole ride, in at most a thousand spans.",
            "content": {MEDIA_TYPE: {"schema": {"type": "string", "format": "binary"}}},
        },
        304: {"description": "The chart is still the one of the tag in If-None-Match"},
    }

    @router.get(
        "/rides/{ride_id}/chart", responses=answers, response_class=Response, summary="A ride's channels as bytes"
    )
    async def chart(
        request: Request,
        ride_id: RideId,
        channels: Annotated[str, Query(max_length=2000, description="names, with commas between")],
        points: Annotated[int | None, Query(ge=2, le=2000, description="spans wanted; 800 for a part")] = None,
        start_s: Annotated[float | None, Seconds] = None,
        end_s: Annotated[float | None, Seconds] = None,
    ) -> Response:
        names = _names(channels)

        def read() -> bytes:
            try:
                if points is None and start_s is None and end_s is None:
                    return sources.rides.overview(ride_id, names)
                return encode_chart(sources.rides.envelope(ride_id, names, points or POINTS, start_s, end_s))
            except ValueError as refused:
                raise ProblemError(422, str(refused), kind="no-such-chart") from refused

        body = await sources.charts.run(_found(ride_id, read))
        headers = {"etag": etag(body), "cache-control": "private, no-cache"}
        if headers["etag"] in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        return Response(body, headers=headers, media_type=MEDIA_TYPE)


def _add_packs(router: APIRouter, sources: Sources) -> None:
    @router.get("/packs", responses=declared(), summary="Known packs, and the one fitted")
    async def packs() -> out.PacksOut:
        def read() -> out.PacksOut:
            return out.PacksOut(
                fitted=sources.packs.fitted().name, packs=[views.pack(one) for one in sources.packs.packs()]
            )

        return await sources.quick.run(read)


def _add_alarms(router: APIRouter, sources: Sources) -> None:
    @router.post("/alarms/acknowledge", responses=declared(404, 413), summary="Say that the alarms were seen")
    async def acknowledge(wish: out.AcknowledgeIn) -> out.DoneOut:
        try:
            sources.commands.acknowledge("page", wish.rule, wish.group)
        except KeyError as unknown:
            raise ProblemError(404, f"there is no alarm rule {wish.rule!r}", kind="no-such-rule") from unknown
        except ValueError as refused:
            raise ProblemError(422, str(refused), kind="no-such-group") from refused
        return out.DoneOut()

    @router.post("/alarms/shelve", responses=declared(404, 413), summary="Silence a rule for a while")
    async def shelve(wish: out.ShelveIn) -> out.DoneOut:
        try:
            sources.commands.shelve("page", wish.rule, wish.duration_s, wish.group)
        except KeyError as unknown:
            raise ProblemError(404, f"there is no alarm rule {wish.rule!r}", kind="no-such-rule") from unknown
        except ValueError as refused:
            raise ProblemError(422, str(refused), kind="not-shelved") from refused
        return out.DoneOut()

"""Routes of pairing, phones and the clock. Law: no answer and no address carries a secret; the code goes in a body."""

from __future__ import annotations

import logging
import math
from typing import Annotated

from fastapi import APIRouter, Path, Request
from pydantic import BaseModel, Field, StringConstraints
from starlette.responses import Response

from sagwise_api.devices import UNUSED_S
from sagwise_api.guard import COOKIE, Caller
from sagwise_api.pairing import LockedError, NoCodeError, Pairing, WrongCodeError
from sagwise_api.problems import ProblemError, declared
from sagwise_api.schemas import DoneOut, Strict
from sagwise_api.workers import Workers
from sagwise_daemon.domain import owner

log = logging.getLogger(__name__)

EARLIEST_UNIX_S = 1_750_000_000  # June 2025: before it no such page was there to say the time
LATEST_UNIX_S = 4_102_444_800  # the year 2100
DeviceId = Annotated[int, Path(ge=1, le=2**53, description="number of the phone")]


class PairIn(Strict):
    code: Annotated[str, StringConstraints(min_length=1, max_length=64)]
    device: Annotated[str, StringConstraints(max_length=40, pattern=r"^[^\x00-\x1f\x7f]*$")] = "phone"


class TimeIn(Strict):
    unix_s: Annotated[float, Field(ge=EARLIEST_UNIX_S, le=LATEST_UNIX_S, description="the phone's wall clock")]


class ClockOut(BaseModel):
    """The bike's wall clock, and what vouches for it."""

    unix_s: float
    trusted: bool
    set_by: owner.SetBy


class MeOut(BaseModel):
    """Who asks, and what he may do."""

    paired: bool
    device: str | None = Field(description="the phone's name; null on the bike's own computer or for a stranger")
    device_id: int | None
    anyone_may_look: bool
    clock: ClockOut


class DeviceOut(BaseModel):
    device_id: int
    name: str
    paired_unix_s: float
    seen_unix_s: float
    this: bool = Field(description="whether it is the one that asks")


class DevicesOut(BaseModel):
    devices: list[DeviceOut]


def caller_of(request: Request) -> Caller:
    caller: Caller = request.scope["state"]["caller"]
    return caller


def access_router(pairing: Pairing, clock: owner.WallClock, quick: Workers, anyone_may_look: bool) -> APIRouter:
    router = APIRouter()
    _add_pair(router, pairing, quick)
    _add_devices(router, pairing, quick)

    @router.get("/me", responses=declared(), summary="Who asks, and what he may do")
    async def me(request: Request) -> MeOut:
        caller = caller_of(request)
        name, number = (None, None) if caller.device is None else (caller.device.name, caller.device.device_id)
        return MeOut(
            paired=caller.paired, device=name, device_id=number, anyone_may_look=anyone_may_look, clock=_clock(clock)
        )

    @router.post("/time", responses=declared(413), summary="Tell the bike what time it is")
    async def time(wish: TimeIn, request: Request) -> ClockOut:
        clock.tell(wish.unix_s, "computer" if caller_of(request).device is None else "phone")
        return _clock(clock)

    return router


def _clock(clock: owner.WallClock) -> ClockOut:
    unix_s, set_by = clock.look()
    return ClockOut(unix_s=round(unix_s, 3), trusted=set_by != "nothing", set_by=set_by)


def _add_pair(router: APIRouter, pairing: Pairing, quick: Workers) -> None:
    @router.post("/pair", responses=declared(413, 429), summary="Open a session with the bike's code")
    async def pair(wish: PairIn, request: Request, response: Response) -> DoneOut:
        address = request.client.host if request.client else ""
        try:
            token = pairing.pair(wish.code, address, wish.device)
        except NoCodeError as error:
            detail = "the bike has no pairing code: set one in its configuration"
            raise ProblemError(403, detail, kind="no-code") from error
        except LockedError as error:
            wait_s = math.ceil(error.wait_s)
            detail = f"too many wrong codes: wait {wait_s} s, then try again"
            raise ProblemError(429, detail, kind="locked", headers={"retry-after": str(wait_s)}) from error
        except WrongCodeError as error:
            log.warning("a wrong pairing code came from %s", address)
            raise ProblemError(403, "this is not the bike's code", kind="wrong-code") from error
        await quick.run(pairing.devices.save)
        log.info("a phone was paired: %s, from %s", wish.device, address)
        response.set_cookie(COOKIE, token, max_age=int(UNUSED_S), httponly=True, samesite="strict", path="/")
        response.headers["cache-control"] = "no-store"
        return DoneOut()


def _add_devices(router: APIRouter, pairing: Pairing, quick: Workers) -> None:
    devices = pairing.devices

    @router.get("/devices", responses=declared(), summary="The paired phones")
    async def list_devices(request: Request) -> DevicesOut:
        mine = caller_of(request).device
        return DevicesOut(
            devices=[
                DeviceOut(
                    device_id=one.device_id,
                    name=one.name,
                    paired_unix_s=one.paired_unix_s,
                    seen_unix_s=one.seen_unix_s,
                    this=one is mine,
                )
                for one in devices.all()
            ]
        )

    @router.delete("/devices/{device_id}", responses=declared(404), summary="Unpair a phone")
    async def revoke(device_id: DeviceId) -> DoneOut:
        try:
            devices.revoke(device_id)
        except KeyError as unknown:
            raise ProblemError(404, f"there is no phone {device_id}", kind="no-such-device") from unknown
        await quick.run(devices.save)
        return DoneOut()

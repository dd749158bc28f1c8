"""The unit now: status, live lines, alarms, and the exposure that is going on."""

from __future__ import annotations

import asyncio
from enum import StrEnum
from typing import Any

from fastapi import APIRouter, WebSocket, WebSocketDisconnect

from platelink.api import shapes
from platelink.api.answers import refused
from platelink.api.bodies import AlarmBody, JobBody, ReasonBody
from platelink.api.context import Asking, Context, Here, context_of, must, who_of
from platelink.api.errors import ApiError
from platelink.api.hub import Follower
from platelink.api.shapes import told
from platelink.people.rights import Right

router = APIRouter(tags=["unit"])
Line = dict[str, Any]
SIGNED_OUT = 4401
"""Close code of a live socket whose sign-in has ended."""
LOOK_S = 3.0
"""How often a live socket's sign-in is looked at."""
FOLLOWERS = 200
"""Live sockets at most."""


class ExposureAct(StrEnum):
    """What can be done to the exposure that is going on."""

    HOLD = "hold"
    RESTART = "restart"
    STOP = "stop"
    ABORT = "abort"


class AlarmAct(StrEnum):
    """What can be done to an alarm."""

    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    REMOVE = "remove"
    RETURN = "return"


@router.get("/v1/status", responses=told(shapes.Status))
async def status(here: Here) -> Line:
    """What the daemon sees now; ``age_s`` is how long ago it said so."""
    known = here.hub.status
    if known is None:
        known = await here.daemon.ask("status")
        return {**known, "age_s": 0.0}
    return {**known, "age_s": round(here.hub.age_s(), 3)}


@router.get("/v1/alarms", responses=told(shapes.Alarms))
async def alarms(here: Here) -> Line:
    """Alarms that are not normal, and how many there were."""
    known = here.hub.status or await here.daemon.ask("status")
    found: Line = known.get("alarms") or {"list": []}
    return found


@router.post("/v1/alarms/{name}/{act}", responses=told(shapes.Done))
async def answer_alarm(name: str, act: AlarmAct, body: AlarmBody, here: Here, who: Asking) -> Line:
    """Acknowledge, reset, shelve, unshelve, take out of service, or return to it."""
    return await here.daemon.ask(
        "alarm", name=name, act=act, who=who.name, role=who.role, **body.given()
    )


@router.post("/v1/expose", responses=told(shapes.Done))
async def expose(job: JobBody, here: Here, who: Asking) -> Line:
    """Make one exposure that ends at its dose. UV light injures skin and eyes: lid closed."""
    if job.accept_overdue:
        must(who, Right.ACCEPT_OVERDUE)
    asked = {k: v for k, v in job.given().items() if v is not None}
    if who.token is not None and asked.get("operator", who.name) != who.name:
        raise ApiError(f"the operator is who signed in, {who.name}; leave it out", "misuse")
    asked.setdefault("operator", who.name)
    return await here.daemon.ask("expose", job=asked, who=who.name, role=who.role)


@router.post("/v1/exposure/{act}", responses=told(shapes.Done))
async def command(act: ExposureAct, body: ReasonBody, here: Here, who: Asking) -> Line:
    """Hold, restart, stop or abort the exposure that is going on."""
    return await here.daemon.ask(act, reason=body.reason, who=who.name, role=who.role)


@router.websocket("/v1/live")
async def live(socket: WebSocket) -> None:
    """The newest status, then a line for everything that happens."""
    here = context_of(socket)
    if len(here.hub.followers) >= FOLLOWERS:
        refusal = ApiError("too many follow this unit already", "too many")
        await socket.send_denial_response(refused(refusal))
        return
    await socket.accept()
    follower = here.hub.follow()
    ways = {
        asyncio.create_task(_to_client(socket, follower)),
        asyncio.create_task(_until_gone(socket)),
        asyncio.create_task(_until_signed_out(socket, here)),
    }
    try:
        await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
    finally:
        here.hub.followers.discard(follower)
        for way in ways:
            way.cancel()
        await asyncio.gather(*ways, return_exceptions=True)


async def _to_client(socket: WebSocket, follower: Follower) -> None:
    while True:
        await socket.send_text(await follower.next())


async def _until_gone(socket: WebSocket) -> None:
    """What a client says here is not listened to."""
    try:
        while True:
            await socket.receive_text()
    except WebSocketDisconnect:
        return


async def _until_signed_out(socket: WebSocket, here: Context) -> None:
    token = who_of(socket).token
    while token is None or await here.desk.signed_in(token) is not None:
        await asyncio.sleep(LOOK_S)
    await socket.close(SIGNED_OUT, "the sign-in has ended; sign in again")

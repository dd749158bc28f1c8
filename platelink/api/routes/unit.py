"""The unit now: status, live lines, alarms, and the exposure that is going on."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, WebSocket, WebSocketDisconnect

from platelink.api.answers import refused
from platelink.api.context import Asking, Context, Here, context_of, must, who_of
from platelink.api.errors import ApiError
from platelink.api.hub import Follower
from platelink.contract.base import Done
from platelink.contract.unit import (
    AlarmAnswer,
    Alarms,
    ExposureJob,
    Light,
    Reason,
    Status,
    StatusNow,
)
from platelink.contract.wire import AskStatus, Control, Expose, OnAlarm
from platelink.contract.words import AlarmAct, Command
from platelink.people.rights import Right
from platelink.serving.turns import keep_line, pause

router = APIRouter(tags=["unit"])
SIGNED_OUT = 4401
"""Close code of a live socket whose sign-in has ended."""
LOOK_S = 3.0
"""How often a live socket's sign-in is looked at."""
KNOWN_S = 1.0
"""A status of the daemon older than this says nothing of the light of now."""
UNKNOWN = Light(state="unknown", measured=False, output=False, order=None, left_on=False)
FOLLOWERS = 200
"""Live sockets at most."""
LINES, LINES_HERE = 5, 20
"""Of one sign-in, and of programs of one user of this computer that need none."""


@router.get("/v1/status")
async def status(here: Here) -> StatusNow:
    """What the daemon sees now; ``age_s`` is how long ago it said so."""
    known = here.hub.status
    if known is None:
        return StatusNow(**dict(await here.daemon.ask(AskStatus(), Status)), age_s=0.0)
    return StatusNow(**dict(known), age_s=round(here.hub.age_s(), 3))


@router.get("/v1/light")
async def light(here: Here) -> Light:
    """Light on the bed, also to somebody who has not signed in: it injures them all the same."""
    known = here.hub.status
    if known is None or here.hub.age_s() > KNOWN_S:
        return UNKNOWN
    return known.light


@router.get("/v1/alarms")
async def alarms(here: Here) -> Alarms:
    """Alarms that are not normal, and how many there were."""
    known = here.hub.status or await here.daemon.ask(AskStatus(), Status)
    return known.alarms


@router.post("/v1/alarms/{name}/{act}")
async def answer_alarm(
    name: str, act: AlarmAct, body: AlarmAnswer, here: Here, who: Asking
) -> Done:
    """Acknowledge, reset, shelve, unshelve, take out of service, or return to it."""
    request = OnAlarm(name=name, act=act, who=who.name, role=who.role, **body.given_values())
    return await here.daemon.ask(request, Done)


@router.post("/v1/expose")
async def expose(job: ExposureJob, here: Here, who: Asking) -> Done:
    """Make one exposure that ends at its dose. UV light injures skin and eyes: lid closed."""
    if job.accept_overdue:
        must(who, Right.ACCEPT_OVERDUE)
    if who.token is not None and job.operator not in (None, who.name):
        raise ApiError(f"the operator is the person signed in, {who.name}; leave it out", "misuse")
    asked = job.model_copy(update={"operator": job.operator or who.name})
    return await here.daemon.ask(Expose(job=asked, who=who.name, role=who.role), Done)


@router.post("/v1/exposure/{act}")
async def command(act: Command, body: Reason, here: Here, who: Asking) -> Done:
    """Hold, restart, stop or abort the exposure that is going on."""
    request = Control(do=act.value, reason=body.reason, who=who.name, role=who.role)
    return await here.daemon.ask(request, Done)


@router.websocket("/v1/live")
async def live(socket: WebSocket) -> None:
    """The newest status, then a line for everything that happens."""
    here = context_of(socket)
    who = who_of(socket)
    whose, most = (who.token, LINES) if who.token is not None else (who.name, LINES_HERE)
    full = ""
    if here.hub.follows(whose) >= most:
        full = f"{most} live lines of this sign-in are open already; close one of its views"
    elif len(here.hub.followers) >= FOLLOWERS:
        full = "too many follow this unit already; try again later"
    if full:
        await pause(socket.scope)
        await socket.send_denial_response(refused(ApiError(full, "too many")))
        return
    await socket.accept()
    keep_line(socket.scope)
    follower = here.hub.follow(whose)
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
    while token is None or await here.accounts.signed_in(token) is not None:
        await asyncio.sleep(LOOK_S)
    await socket.close(SIGNED_OUT, "the sign-in has ended; sign in again")

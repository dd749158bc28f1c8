"""The lane: a process that carries hold, stop and abort to the unit, and nothing else.

It has a socket, a wire and people's sign-ins of its own to look at, which it only reads. Whatever
fills, slows or ends the service beside it, and a disk that is full, stands before none of these.
"""

from __future__ import annotations

import asyncio
import gc
import signal
import socket
from functools import partial
from typing import TypeVar

from pydantic import ValidationError
from starlette.applications import Starlette
from starlette.requests import Request as Asked
from starlette.routing import Route
from starlette.types import ASGIApp

from platelink.api.accounts import Accounts
from platelink.api.answers import Json, refused
from platelink.api.authentication import Authentication
from platelink.api.errors import ApiError
from platelink.api.guard import Guard
from platelink.api.process import bounded, server_of
from platelink.api.remembered import now_utc, people_remembered
from platelink.api.rules import RULES
from platelink.api.who import Who
from platelink.api.wire import Daemon, Wire
from platelink.contract.base import Done, Request
from platelink.contract.plates import ActOnPlate
from platelink.contract.service import Settings, page_side
from platelink.contract.unit import Reason
from platelink.contract.wire import AnyRequest, Control, OnPlate, only_ends
from platelink.contract.words import PlateAct
from platelink.contract.wrong import in_words
from platelink.people.store import People
from platelink.serving.turns import Turns

MEMORY_BYTES = 256 << 20
SEATS: dict[int, int] = {socket.AF_UNIX: 128}
HERE = "only hold, stop and abort are accepted here; ask the service"
_R = TypeVar("_R", bound=Request)


def lane_app(settings: Settings, daemon: Daemon, accounts: Accounts) -> ASGIApp:
    """The two routes of the service that end light, with the same rights, asked for in the same
    way, and nothing beside them."""

    async def exposure(asked: Asked) -> Json:
        body, act = await _body(asked, Reason), asked.path_params["act"]
        who: Who = asked.state.who
        return await carry(Control(do=act, reason=body.reason, who=who.name, role=who.role))

    async def plate(asked: Asked) -> Json:
        body, act = await _body(asked, ActOnPlate), PlateAct(asked.path_params["act"])
        who: Who = asked.state.who
        return await carry(
            OnPlate(plate=asked.path_params["plate"], act=act, who=who.name, role=who.role,
                    **body.given_values())
        )  # fmt: skip

    async def carry(request: AnyRequest) -> Json:
        assert only_ends(request)
        return Json((await daemon.ask(request, Done)).model_dump(mode="json"))

    routes = Starlette(
        routes=[
            Route("/v1/exposure/{act}", exposure, methods=["POST"]),
            Route("/v1/plates/{plate}/{act}", plate, methods=["POST"]),
        ],
        exception_handlers={ApiError: _refuse},
    )
    return Guard(Authentication(routes, accounts=accounts), hosts=settings.hosts)


async def _body(asked: Asked, model: type[_R]) -> _R:
    if not RULES.urgent(asked.scope):
        raise ApiError(HERE, "unknown")
    try:
        return model.model_validate_json(await asked.body() or b"{}")
    except ValidationError as error:
        raise ApiError(in_words(error, model), "misuse") from None


async def _refuse(_: Asked, error: Exception) -> Json:
    assert isinstance(error, ApiError)
    return refused(error)


def run(settings: Settings) -> None:
    """Serve until the daemon hangs up or SIGTERM comes."""
    bounded(MEMORY_BYTES)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    asyncio.run(_serve(settings))


async def _serve(settings: Settings) -> None:
    assert settings.wire is not None
    listeners = [socket.socket(fileno=fd) for fd in settings.listen]
    remembered = partial(people_remembered, settings.journal)
    accounts = Accounts(
        settings.people, now_utc, partial(People.open, read_only=True), remembered=remembered
    )

    def end() -> None:
        server.end()

    wire = Wire(lambda _: None, end)
    server = server_of(Turns(lane_app(settings, wire, accounts), RULES), SEATS, page_side(settings))
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, server.end)
    await wire.connect(settings.wire)
    gc.freeze()
    await server.serve(sockets=listeners)
    accounts.close()

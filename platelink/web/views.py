"""Views that live: now, plates, alarms; and signing in. The browser fills them."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from platelink.contract.people import Me
from platelink.contract.plates import Plates
from platelink.web.service import SIGN_IN, ServiceSays, get
from platelink.web.show import own_path, rendered, show

LATELY = 12
"""Ended plates shown beside those in progress."""


async def now(request: Request) -> Response:
    """What is going on at the unit, and the next hand act."""
    return await show(request, "now.html")


async def plates(request: Request) -> Response:
    """Plates in progress, and those that ended lately."""
    return await show(
        request, "plates.html", ended=get(request, Plates, "/v1/plates", limit=LATELY)
    )


async def alarms(request: Request) -> Response:
    """Every alarm that is not normal."""
    return await show(request, "alarms.html")


async def sign_in(request: Request) -> Response:
    """The form; who is signed in already goes on."""
    onward = own_path(request.query_params.get("next", "/"))
    try:
        await get(request, Me, "/v1/me")
        return RedirectResponse(onward, 303)
    except ServiceSays as error:
        if error.status != SIGN_IN:
            raise
        context = {"onward": onward, "nobody": error.nobody}
    return rendered(request, "sign_in.html", 200, None, context)

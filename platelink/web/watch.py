"""Figures of the page's process for scrapers, and its health for watchdogs."""

from __future__ import annotations

import httpx
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from platelink.serving.certificates import of_certificates
from platelink.serving.figure import Figure
from platelink.serving.figures import CONTENT_TYPE, text_of
from platelink.web.words import NO_SERVICE

PATIENCE_S = 2.0


async def metrics(request: Request) -> Response:
    """The page itself; the unit's own are the service's, at /api/v1/metrics."""
    up = Figure(
        "platelink_page_service_up",
        "1: the unit's service answers.",
        [({}, float(await _service_status(request) is not None))],
    )
    ends = of_certificates(request.app.state.certificates)
    return Response(text_of([up, ends]), media_type=CONTENT_TYPE)


async def health(request: Request) -> Response:
    """Whether people can work at the page: the service answers. How the unit is, the service tells
    at /api/v1/health."""
    there = await _service_status(request) is not None
    problems = [] if there else [NO_SERVICE]
    return JSONResponse({"ok": there, "problems": problems}, 200 if there else 503)


async def _service_status(request: Request) -> int | None:
    client: httpx.AsyncClient = request.app.state.client
    try:
        return (await client.get("/v1/health", timeout=PATIENCE_S)).status_code
    except httpx.TransportError:
        return None

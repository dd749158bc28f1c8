"""Requests under /api/ handed on to the service's Unix socket: little in, little out.

Session cookie and CSRF header go through; nothing that would make the client more than a browser
(``Platelink-Local``, ``Authorization``) ever does.
"""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import quote

import httpx
from starlette.requests import HTTPConnection, Request
from starlette.responses import JSONResponse, Response
from starlette.types import Scope

from platelink.serving.turns import KNOWN, note_known
from platelink.web.assets import compressed
from platelink.web.words import NO_ADDRESS, NO_HEADER, NO_SERVICE, ON_ITS_COMPUTER, TOO_MUCH

IN = ("accept", "content-type", "x-csrf-token")
OUT = ("content-type", "retry-after", "set-cookie", "content-disposition")
SESSION_COOKIE = "platelink_session"
SCREEN = "platelink_screen"
"""What tells a screen that somebody signed in from before."""
MOST_BYTES = 256 << 10
"""Largest request that is handed on; a recipe is a few kilobytes."""

CURVES = "/samples"
"""What is worth compressing: many numbers, nothing secret beside what a stranger could choose."""

NEVER = frozenset({"/v1/people/first", "/v1/people/regain"})
"""What is done at the unit's own computer only."""


def session_of(asking: HTTPConnection) -> str:
    """The session cookie; empty without one that could be."""
    return _plain(asking.cookies.get(SESSION_COOKIE, ""))


def _plain(value: str) -> str:
    plain = value.isascii() and value.isprintable() and not set(value) & set(' ;,"\\')
    return value if plain else ""


def session_header(asking: HTTPConnection) -> dict[str, str]:
    """The session cookie, and no other, as a header."""
    value = session_of(asking)
    return {"cookie": f"{SESSION_COOKIE}={value}"} if value else {}


def cookies_header(asking: HTTPConnection) -> dict[str, str]:
    """The session, and what tells this screen, as a header."""
    pairs = [(name, _plain(asking.cookies.get(name, ""))) for name in (SESSION_COOKIE, SCREEN)]
    text = "; ".join(f"{name}={value}" for name, value in pairs if value)
    return {"cookie": text} if text else {}


def page_header(asking: HTTPConnection) -> dict[str, str]:
    """Says that this comes from a browser by way of the page, and from where."""
    address = asking.client.host if asking.client is not None else "unknown"
    return {"platelink-page": address if address.isascii() else "unknown"}


def note_if_known(scope: Scope, headers: Mapping[str, str]) -> None:
    """The service has told that the sign-in of this request is good: its screen is known here."""
    if KNOWN in headers:
        note_known(scope)


def error(status: int, text: str, kind: str) -> JSONResponse:
    """An error in the service's own form."""
    return JSONResponse({"error": text, "kind": kind}, status)


async def pass_on(request: Request) -> Response:
    """The service's answer to this request."""
    path = "/" + request.path_params["path"]
    if not path.startswith("/v1/") or any(part in ("", ".", "..") for part in path[1:].split("/")):
        return error(404, NO_ADDRESS, "unknown")
    if path in NEVER:
        return error(403, ON_ITS_COMPUTER, "refused")
    if not all(request.headers.get(name, "").isascii() for name in IN):
        return error(400, NO_HEADER, "misuse")
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_BYTES:
            return error(413, TOO_MUCH, "refused")
    client: httpx.AsyncClient = request.app.state.client
    try:
        answer = await client.request(
            request.method,
            quote(path) + (f"?{request.url.query}" if request.url.query else ""),
            content=bytes(body),
            headers={
                **{name: request.headers[name] for name in IN if name in request.headers},
                **cookies_header(request),
                **page_header(request),
            },
        )
    except httpx.TransportError:
        return error(503, NO_SERVICE, "fault")
    note_if_known(request.scope, answer.headers)
    content = answer.content
    more: dict[str, str] = {}
    if path.endswith(CURVES):
        content, more = compressed(request, content, 5)
    passed = Response(content, answer.status_code, headers=more)
    for name, value in answer.headers.multi_items():
        if name == "set-cookie" and request.url.scheme == "https":
            value = f"{value}; Secure"  # noqa: PLW2901 -- it never leaves by another way
        if name in OUT:
            passed.headers.append(name, value)
    return passed

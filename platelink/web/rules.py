"""What the page does at once, and what waits its turn."""

from __future__ import annotations

from starlette.requests import HTTPConnection
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Scope

from platelink.contract.service import ends
from platelink.serving.turns import Rules
from platelink.web.passing import MOST_BYTES, session_of
from platelink.web.words import TOO_MANY_ASK, TOO_MUCH, TOO_SLOW

_TEXTS = {408: TOO_SLOW, 413: TOO_MUCH, 429: TOO_MANY_ASK}


def urgent(scope: Scope) -> bool:
    """What only ends or holds what is going on."""
    return scope.get("method") == "POST" and ends(scope["path"].removeprefix("/api"))


def _token(scope: Scope) -> str:
    return session_of(HTTPConnection(scope))


def _refuse(_: Scope, status: int) -> ASGIApp:
    kind = "too many" if status == 429 else "refused"
    headers = {"retry-after": "1"} if status == 429 else {}
    return JSONResponse({"error": _TEXTS[status], "kind": kind}, status, headers)


RULES = Rules(
    urgent=urgent, token=_token, refuse=_refuse, most_bytes=MOST_BYTES,
    at_once=4, each=2,  # each takes some milliseconds of the loop for itself
)  # fmt: skip

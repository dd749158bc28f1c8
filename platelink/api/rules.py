"""What the service does at once, and what waits its turn."""

from __future__ import annotations

from starlette.types import ASGIApp, Scope

from platelink.api.answers import refused
from platelink.api.authentication import token_of
from platelink.api.errors import ApiError
from platelink.api.guard import MOST_BYTES
from platelink.contract.service import ends
from platelink.contract.words import Kind
from platelink.serving.turns import Rules

_TEXTS = {
    408: "the request did not come whole in time; send it again",
    413: f"at most {MOST_BYTES} bytes are accepted at once",
    429: "too many requests at once; try again in a moment",
}


def urgent(scope: Scope) -> bool:
    """What only ends or holds what is going on."""
    return scope.get("method") == "POST" and ends(scope["path"])


def _refuse(scope: Scope, status: int) -> ASGIApp:
    kind: Kind = "too many" if status == 429 else "misuse"
    headers = {"retry-after": "1"} if status == 429 else {}
    return refused(ApiError(_TEXTS[status], kind, status, headers))


RULES = Rules(urgent=urgent, token=token_of, refuse=_refuse, most_bytes=MOST_BYTES)

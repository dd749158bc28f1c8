"""Who may see the fleet's page: whoever knows its password. Every route stands behind it."""

from __future__ import annotations

import asyncio
import base64
import binascii
import hashlib
import hmac

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

LEAST_CHARACTERS = 12
WRONG_S = 1.0
"""How long a wrong password waits for its answer, and the next wrong one for its turn."""
REALM = {"www-authenticate": 'Basic realm="platelink fleet", charset="UTF-8"'}


class Entrance:
    """HTTP Basic (RFC 7617): the name may be any, the password is the one. Nothing is written, so
    only what reads is let through."""

    def __init__(self, app: ASGIApp, password: str) -> None:
        """ValueError for a password that is too short."""
        if len(password) < LEAST_CHARACTERS:
            raise ValueError(
                f"the password of the page has {len(password)} characters, at least "
                f"{LEAST_CHARACTERS} are needed"
            )
        self._app = app
        self._known = _digest(password)
        self._wrong = asyncio.Lock()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
        elif scope["type"] != "http":
            await receive()
            await send({"type": "websocket.close", "code": 1008})
        elif (given := _given(scope)) is None:
            await PlainTextResponse("password needed", 401, REALM)(scope, receive, send)
        elif not hmac.compare_digest(_digest(given), self._known):
            async with self._wrong:  # guesses wait for each other; who knows it waits for nobody
                await asyncio.sleep(WRONG_S)
            await PlainTextResponse("wrong password", 401, REALM)(scope, receive, send)
        elif scope["method"] not in ("GET", "HEAD"):
            await PlainTextResponse("this page only reads", 405)(scope, receive, send)
        else:
            await self._app(scope, receive, send)


def _digest(password: str) -> bytes:
    return hashlib.sha256(password.encode("utf-8", "surrogatepass")).digest()


def _given(scope: Scope) -> str | None:
    scheme, _, value = Headers(scope=scope).get("authorization", "").partition(" ")
    if scheme.lower() != "basic":
        return None
    try:
        text = base64.b64decode(value.strip(), validate=True).decode("utf-8")
    except (binascii.Error, UnicodeDecodeError, ValueError):
        return None
    _, colon, password = text.partition(":")
    return password if colon else None

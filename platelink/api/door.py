"""Who is asking, and may they: every route goes through here, by the one table of rights.

A person signs in and shows a token, as a cookie (then with the session's CSRF token on whatever
changes something) or as a bearer. A program on this computer that came in over the Unix socket, and
says so, acts as a lead while nobody is entered, and may read for ever: whoever may open the socket
may open the journal's file.
"""

from __future__ import annotations

import os
import pwd
from typing import Any

from starlette.datastructures import Headers
from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Receive, Scope, Send

from platelink.api.access import ANYBODY, rows_of
from platelink.api.desk import Desk
from platelink.api.errors import ApiError, unusable
from platelink.api.guard import SAFE, deny
from platelink.api.who import Who
from platelink.ledger.errors import StoreError
from platelink.people.rights import Right, Role, refusal

COOKIE = "platelink_session"
LOCAL = "platelink-local"
SIGN_IN = "sign in first"
BEGIN = (
    "nobody is entered yet; enter the first lead on the unit's own computer: platelink user first"
)


class Door:
    """ASGI in front of the routes; puts ``who`` into the state of what it lets pass."""

    def __init__(self, app: ASGIApp, *, desk: Desk) -> None:
        self.app = app
        self._desk = desk

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request or WebSocket."""
        if scope["type"] != "lifespan":
            try:
                scope.setdefault("state", {})["who"] = await self._admitted(scope)
            except ApiError as error:
                await deny(error, scope, receive, send)
                return
            except StoreError as error:
                await deny(unusable(error), scope, receive, send)
                return
        await self.app(scope, receive, send)

    async def _admitted(self, scope: Scope) -> Who | None:
        rows = rows_of(scope["path"])
        if not rows:
            raise ApiError("there is no such address; see /v1/openapi.json", "unknown")
        row = rows.get(scope.get("method", "GET"))
        if row is None:
            allowed = ", ".join(rows)
            raise ApiError(f"use {allowed}", "misuse", status=405, headers={"allow": allowed})
        if row.right is ANYBODY:
            return None
        who = await self._who(scope, row.right)
        text = refusal(who.role, row.right)
        if text is not None:
            raise ApiError(text, "no right")
        return who

    async def _who(self, scope: Scope, right: Right) -> Who:
        headers = Headers(scope=scope)
        token = _bearer(headers)
        cookie = None if token else HTTPConnection(scope).cookies.get(COOKIE)
        if token or cookie:
            return await self._signed_in(token, cookie, scope)
        peer = local_peer(scope)
        if peer is None:
            raise ApiError(SIGN_IN if await self._desk.anybody() else BEGIN, "sign in")
        if not await self._desk.anybody():
            return Who(peer, Role.LEAD)
        if right is Right.READ:
            return Who(peer, Role.AUDITOR)
        raise ApiError(f"{SIGN_IN}: platelink sign-in", "sign in")

    async def _signed_in(self, token: str | None, cookie: str | None, scope: Scope) -> Who:
        session = await self._desk.signed_in(token or cookie or "", used=True)
        if session is None:
            raise ApiError("the sign-in has ended; sign in again", "sign in")
        if cookie and scope.get("method", "GET") not in SAFE:
            given = Headers(scope=scope).get("x-csrf-token")
            if not session.csrf_is(given):
                raise ApiError("the page is out of date; load it again", "no right")
        return Who(session.person.name, session.person.role, token or cookie)


def _bearer(headers: Headers) -> str | None:
    scheme, _, token = headers.get("authorization", "").partition(" ")
    return token.strip() if scheme.lower() == "bearer" and token.strip() else None


def local_peer(scope: Scope) -> str | None:
    """Login name of a program on this computer that came in by the Unix socket and says so."""
    state: dict[str, Any] = scope.get("state", {})
    uid = state.get("peer")
    if uid is None or Headers(scope=scope).get(LOCAL) != "1":
        return None
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"user {uid}"


def local_owner(scope: Scope) -> str | None:
    """``local_peer`` where it is the user this service runs as, whose files these are, or root."""
    uid = scope.get("state", {}).get("peer")
    return local_peer(scope) if uid in (0, os.getuid()) else None

"""Who is asking, and may they: every route goes through here, by the one table of rights.

A person signs in and shows a token, as a cookie (then with the session's CSRF token on whatever
changes something) or as a bearer. A program on this computer that came in over the Unix socket, and
says so, acts as a lead while nobody was ever entered, and may read for ever: whoever may open the
socket may open the journal's file. Where people are lost it may hold, stop and abort besides.
"""

from __future__ import annotations

import os
import pwd
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from platelink.api.access import ANYBODY, Row, rows_of
from platelink.api.accounts import Accounts
from platelink.api.errors import ApiError, unusable
from platelink.api.guard import SAFE, deny
from platelink.api.security import SecurityLog
from platelink.api.whence import PAGE, whence
from platelink.api.who import Who
from platelink.contract.service import ends
from platelink.contract.words import Role
from platelink.ledger.errors import StoreError
from platelink.people.rights import Right, refusal
from platelink.serving.turns import KNOWN, note_known

COOKIE = "platelink_session"
LOCAL = "platelink-local"
SIGN_IN = "sign in first"
BEGIN = "no users yet; add the first lead on the unit's own computer: platelink user first"


class Authentication:
    """ASGI in front of the routes; puts ``who`` into the state of what it lets pass."""

    def __init__(
        self, app: ASGIApp, *, accounts: Accounts, security: SecurityLog | None = None
    ) -> None:
        self.app = app
        self._accounts = accounts
        self._security = security

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request or WebSocket."""
        if scope["type"] != "lifespan":
            try:
                scope.setdefault("state", {})["who"] = who = await self._admitted(scope)
                if who is not None and who.token is not None:
                    note_known(scope)
                    send = _known(send)
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
        who = await self._who(scope, row)
        text = refusal(who.role, row.right)
        if text is not None:
            if self._security is not None:
                address = whence(scope).address
                self._security.note("right refused", text, who=who.name, address=address)
            raise ApiError(text, "no right")
        return who

    async def _who(self, scope: Scope, row: Row) -> Who:
        headers = Headers(scope=scope)
        token = _bearer(headers)
        cookie = None if token else HTTPConnection(scope).cookies.get(COOKIE)
        if token or cookie:
            try:
                return await self._signed_in(token, cookie, scope)
            except (ApiError, StoreError):
                if cookie or not (await self._accounts.standing()).lost:
                    raise
        standing = await self._accounts.standing()
        # A bearer comes from no browser.
        peer = local_peer(scope, said=token is not None)
        if standing.lost:
            # No sign-in can be proved; what ends light must go on all the same.
            if peer is not None and ends(row.path):
                return Who(peer, Role.OPERATOR)
            if peer is None or row.right is not Right.READ:
                raise ApiError(standing.lost, "sign in")
        elif peer is None:
            raise ApiError(SIGN_IN if standing.anybody else BEGIN, "sign in")
        elif not standing.anybody:
            return Who(peer, Role.LEAD)
        elif row.right is not Right.READ:
            raise ApiError(f"{SIGN_IN}: platelink sign-in", "sign in")
        return Who(peer, Role.AUDITOR)

    async def _signed_in(self, token: str | None, cookie: str | None, scope: Scope) -> Who:
        session = await self._accounts.signed_in(token or cookie or "", used=True)
        if session is None:
            raise ApiError("the sign-in has ended; sign in again", "sign in")
        if cookie and scope.get("method", "GET") not in SAFE:
            given = Headers(scope=scope).get("x-csrf-token")
            if not session.csrf_is(given):
                raise ApiError("the page is out of date; load it again", "no right")
        return Who(session.person.name, session.person.role, token or cookie)


def token_of(scope: Scope) -> str:
    """What is shown of a sign-in, good or not; empty without any."""
    return _bearer(Headers(scope=scope)) or HTTPConnection(scope).cookies.get(COOKIE) or ""


def _known(send: Send) -> Send:
    """Tells whoever hands on somebody's requests, as the page does, that their sign-in is good."""

    async def sending(message: Message) -> None:
        if message["type"] in ("http.response.start", "websocket.accept"):
            MutableHeaders(scope=message)[KNOWN] = "1"
        await send(message)

    return sending


def _bearer(headers: Headers) -> str | None:
    scheme, _, token = headers.get("authorization", "").partition(" ")
    return token.strip() if scheme.lower() == "bearer" and token.strip() else None


def by_browser(scope: Scope) -> bool:
    """True for a browser, or the page on its behalf: neither is a program that keeps a token."""
    headers = Headers(scope=scope)
    return "origin" in headers or "sec-fetch-site" in headers or PAGE in headers


def local_peer(scope: Scope, *, said: bool = False) -> str | None:
    """Login name of a program on this computer that came in by the Unix socket and says so, or
    has ``said`` so otherwise."""
    state: dict[str, Any] = scope.get("state", {})
    uid = state.get("peer")
    if uid is None or not (said or Headers(scope=scope).get(LOCAL) == "1"):
        return None
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"user {uid}"


def local_owner(scope: Scope) -> str | None:
    """``local_peer`` where it is the user this service runs as, whose files these are, or root."""
    uid = scope.get("state", {}).get("peer")
    return local_peer(scope) if uid in (0, os.getuid()) else None

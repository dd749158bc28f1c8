"""What every request must show before it is looked at: the unit's own name, and its own origin.

A page of another site, or a name that an attacker's server points at this computer, ends here.
"""

from __future__ import annotations

from collections.abc import Iterable

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from platelink.api.answers import refused
from platelink.api.errors import ApiError
from platelink.api.security import SecurityLog
from platelink.api.whence import whence
from platelink.hosts import host_name, origin_place

OURS = ("localhost", "127.0.0.1", "::1", "platelink")
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
MOST_BYTES = 256 << 10
"""Of a request's body."""
HEADERS = {
    "x-content-type-options": "nosniff",
    "content-security-policy": "default-src 'none'; frame-ancestors 'none'",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


class Guard:
    """ASGI around the whole service."""

    def __init__(
        self, app: ASGIApp, *, hosts: Iterable[str] = (), security: SecurityLog | None = None
    ) -> None:
        self.app = app
        self._security = security
        self._hosts = frozenset((*OURS, *hosts))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request or WebSocket."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        fault = self._fault(scope)
        sending = _with_headers(send)
        if fault is None:
            await self.app(scope, receive, sending)
        else:
            if self._security is not None and fault.kind == "no right":
                self._security.note("foreign origin", address=whence(scope).address)
            await deny(fault, scope, receive, sending)

    def _fault(self, scope: Scope) -> ApiError | None:
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        name = host_name(hosts[0]) if len(hosts) == 1 else None
        if name not in self._hosts:
            return ApiError(
                "this name is not one of the unit's; use localhost, or add the name to hosts in "
                "the configuration's [service]",
                "misuse",
                status=421,
            )
        origins = headers.getlist("origin")
        if origins and [origin_place(o) for o in origins] != [hosts[0].lower()]:
            return ApiError("this did not come from the unit's own page", "no right")
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return ApiError("this did not come from the unit's own page", "no right")
        length = headers.get("content-length", "0")
        if not (length.isascii() and length.isdecimal() and int(length) <= MOST_BYTES):
            return ApiError(
                f"at most {MOST_BYTES} bytes are accepted at once", "misuse", status=413
            )
        return None


async def deny(error: ApiError, scope: Scope, receive: Receive, send: Send) -> None:
    """Answer a request, or the handshake of a WebSocket, with an error."""
    await refused(error)(scope, receive, send)


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] in ("http.response.start", "websocket.http.response.start"):
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return sending

"""What every request must show and every answer carries: host, origin, content policy.

A page on another machine's name, a form of another site, a frame: all of it ends here.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from platelink.hosts import host_name, origin_place
from platelink.serving.syslog import Seldom, say
from platelink.web.words import NOT_OUR_NAME, NOT_OURS

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "connect-src 'self'; font-src 'none'; form-action 'self'; frame-ancestors 'none'; "
    "base-uri 'none'"
)
HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}
OF_DOCUMENTS = {
    "content-security-policy": CONTENT_POLICY,
    "cross-origin-opener-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), usb=(), serial=()",
}
"""What a browser heeds where an answer is shown as a document."""
NO_DOCUMENTS = ("text/javascript", "text/css")
"""Parts of a document: twenty of them without what is not heeded there are 7 kB less to load."""
HTTPS_S = 365 * 86_400
"""A browser that came by TLS once comes by nothing else for so long (RFC 6797)."""
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
LOOPBACK = ("localhost", "127.0.0.1", "::1")


class Guard:
    """Refuses foreign hosts and origins, and puts ``HEADERS`` on every answer, ``OF_DOCUMENTS`` on
    all that can be a document."""

    def __init__(self, app: ASGIApp, *, names: Iterable[str]) -> None:
        self.app = app
        self._seldom = Seldom()
        self.names = frozenset(name.lower() for name in (*LOOPBACK, *names))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request or WebSocket."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        refusal = self.refusal(scope)
        if refusal is not None and refusal[0] == 403:
            times = self._seldom.times("foreign origin", datetime.now(UTC))
            if times:
                address = (scope.get("client") or ("unknown",))[0]
                say(f"foreign origin from {address} at the page ({times} times)")
        if refusal is None:
            await self.app(scope, receive, _with_headers(scope, send))
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008})
        else:
            status, text = refusal
            answer: Response = PlainTextResponse(text, status)
            if scope["path"].startswith("/api/"):
                answer = JSONResponse({"error": text, "kind": "refused"}, status)
            await answer(scope, receive, _with_headers(scope, send))

    def refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Status and text for a request that is not served; None for one that is."""
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        name = host_name(hosts[0]) if len(hosts) == 1 else None
        if name not in self.names:
            return 421, NOT_OUR_NAME
        if scope["type"] == "http" and scope["method"] in SAFE:
            return None
        origins = headers.getlist("origin")
        same = [origin_place(o) for o in origins] == [hosts[0].lower()]
        if not same or headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return 403, NOT_OURS
        return None


def _with_headers(scope: Scope, send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            part = headers.get("content-type", "").startswith(NO_DOCUMENTS)
            for name, value in (HEADERS if part else HEADERS | OF_DOCUMENTS).items():
                headers[name] = value
            headers.setdefault("cache-control", "no-store")
            if scope.get("scheme") == "https":
                headers["strict-transport-security"] = f"max-age={HTTPS_S}"
        await send(message)

    return sending

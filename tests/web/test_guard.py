"""Who is let in at all: hosts, origins, and what every answer carries."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from platelink.hosts import host_name
from platelink.web.guard import Guard


async def app(scope: Any, receive: Any, send: Any) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"ok"})


def ask(
    method: str = "GET", *, path: str = "/", kind: str = "http", **headers: str
) -> list[dict[str, Any]]:
    """What the guard sends for a request."""
    sent: list[dict[str, Any]] = []

    async def send(message: Any) -> None:
        sent.append(message)

    async def receive() -> Any:
        return {"type": "http.request", "body": b""}

    pairs = [(n.replace("_", "-").encode(), v.encode()) for n, v in headers.items()]
    scope = {"type": kind, "method": method, "path": path, "headers": pairs}
    asyncio.run(Guard(app, names=["unit-1.example"])(scope, receive, send))
    return sent


@pytest.mark.parametrize(
    "host", ["localhost", "127.0.0.1:8460", "[::1]:8460", "unit-1.example", "Unit-1.example.:80"]
)
def test_its_own_names_are_served(host: str) -> None:
    assert ask(host=host)[0]["status"] == 200


@pytest.mark.parametrize(
    "host", ["evil.example", "", "localhost.evil.example", "user@localhost", "localhost:x", "a b"]
)
def test_any_other_name_is_refused(host: str) -> None:
    assert ask(host=host)[0]["status"] == 421


def test_a_request_without_a_host_is_refused() -> None:
    assert ask()[0]["status"] == 421


def test_what_changes_something_must_come_from_the_page_itself() -> None:
    own = "http://localhost:8460"
    assert ask("POST", host="localhost:8460", origin=own)[0]["status"] == 200
    for origin in ("http://evil.example", "null", "http://localhost:9000", ""):
        assert ask("POST", host="localhost:8460", origin=origin)[0]["status"] == 403
    assert ask("POST", host="localhost:8460")[0]["status"] == 403
    cross = ask("POST", host="localhost:8460", origin=own, sec_fetch_site="cross-site")
    assert cross[0]["status"] == 403


def test_a_live_line_must_come_from_the_page_itself() -> None:
    told = ask(kind="websocket", host="localhost:8460", origin="http://evil.example")
    assert told == [{"type": "websocket.close", "code": 1008}]


POLICY = {
    "default-src": "'none'", "script-src": "'self'", "style-src": "'self'", "img-src": "'self'",
    "connect-src": "'self'", "font-src": "'none'", "form-action": "'self'",
    "frame-ancestors": "'none'", "base-uri": "'none'",
}  # fmt: skip
"""Written out again (Content Security Policy Level 3): nothing but the page's own files and line,
in no frame. The last three do not fall back to default-src."""
CARRIED = {
    "x-content-type-options": "nosniff", "cache-control": "no-store",
    "referrer-policy": "same-origin", "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}  # fmt: skip


def test_every_answer_carries_the_policy() -> None:
    for sent in (ask(host="localhost"), ask(host="evil.example"), ask("POST", host="localhost")):
        headers = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
        directives = headers["content-security-policy"].split("; ")
        assert dict(directive.split(" ", 1) for directive in directives) == POLICY
        assert {name: headers[name] for name in CARRIED} == CARRIED
        switched_off = headers["permissions-policy"].split(", ")
        assert {"camera=()", "microphone=()", "usb=()", "serial=()"} <= set(switched_off)


@pytest.mark.parametrize(
    ("kind", "document"),
    [("text/html; charset=utf-8", True), ("image/svg+xml", True), ("application/json", True),
     ("text/plain", True), ("text/javascript; charset=utf-8", False), ("text/css", False)],
)  # fmt: skip
def test_all_that_can_be_a_document_carries_the_policy(kind: str, document: bool) -> None:
    """A picture may hold scripts; a script or style is never shown as a document."""

    async def typed(scope: Any, receive: Any, send: Any) -> None:
        headers = [(b"content-type", kind.encode())]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": b"ok"})

    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {"type": "http", "method": "GET", "path": "/", "headers": [(b"host", b"localhost")]}
    asyncio.run(Guard(typed, names=[])(scope, None, send))  # type: ignore[arg-type]
    headers = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
    assert ("content-security-policy" in headers) == document
    assert headers["x-content-type-options"] == "nosniff"


def test_names_of_hosts() -> None:
    assert host_name("LOCALHOST:80") == "localhost"
    assert host_name("[2001:db8::1]:80") == "2001:db8::1"
    assert host_name("localhost/path") is None
    assert host_name("localhost#x") is None


@pytest.mark.parametrize(
    "origin", ["http://[", "null", "http://", "\xe4", "http://localhost:8460:1"]
)
def test_origins_that_are_none_are_refused(origin: str) -> None:
    sent = ask("POST", path="/api/v1/x", host="localhost:8460", origin=origin)
    assert sent[0]["status"] == 403


def test_where_tls_is_on_browsers_come_by_nothing_else_from_then_on() -> None:
    def headers(scheme: str) -> dict[bytes, bytes]:
        sent: list[Any] = []

        async def send(message: Any) -> None:
            sent.append(message)

        scope = {"type": "http", "method": "GET", "path": "/", "scheme": scheme,
                 "headers": [(b"host", b"localhost")]}  # fmt: skip
        asyncio.run(Guard(app, names=[])(scope, None, send))  # type: ignore[arg-type]
        return dict(sent[0]["headers"])

    assert headers("https")[b"strict-transport-security"].startswith(b"max-age=31536000")
    assert b"strict-transport-security" not in headers("http")

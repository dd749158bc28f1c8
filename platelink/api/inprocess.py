"""The service within another program, for what needs no unit: the same routes, the same rights."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Iterator
from contextlib import contextmanager

import httpx
from starlette.types import ASGIApp, Message, Scope

from platelink.api.app import make_app
from platelink.api.context import Context
from platelink.api.hub import Hub
from platelink.api.remembered import now_utc
from platelink.api.security import SecurityLog
from platelink.api.stores import accounts_of
from platelink.api.wire import NoDaemon
from platelink.contract.service import Settings


class InProcess(httpx.BaseTransport):
    """Hands requests to an ASGI application as if they had come by the Unix socket from a program
    of this user; with ``peer`` None as if by the port."""

    def __init__(
        self, app: ASGIApp, runner: asyncio.Runner, *, peer: int | None = os.geteuid()
    ) -> None:
        self._app = app
        self._runner = runner
        self._peer = peer

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        """One request, until its answer is whole."""
        return self._runner.run(self._exchange(request))

    async def _exchange(self, request: httpx.Request) -> httpx.Response:
        scope: Scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": request.method,
            "scheme": "http",
            "path": request.url.path,
            "raw_path": request.url.raw_path.partition(b"?")[0],
            "query_string": request.url.query,
            "root_path": "",
            "headers": [(name.lower(), value) for name, value in request.headers.raw],
            "client": None,
            "server": None,
            "state": {"peer": self._peer},
        }
        body = request.read()
        begun: list[Message] = []
        content = bytearray()

        async def receive() -> Message:
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(message: Message) -> None:
            if message["type"] == "http.response.start":
                begun.append(message)
            else:
                content.extend(message.get("body", b""))

        await self._app(scope, receive, send)
        start = begun[0]
        return httpx.Response(
            start["status"], headers=start["headers"], content=bytes(content), request=request
        )


@contextmanager
def in_process(settings: Settings) -> Iterator[InProcess]:
    """A service without a daemon."""
    accounts = accounts_of(settings)
    with asyncio.Runner() as runner:
        try:
            daemon = NoDaemon()
            security = SecurityLog(daemon, now_utc)
            app = make_app(Context(settings, daemon, Hub(alone=True), accounts, security))
            yield InProcess(app, runner)
        finally:
            accounts.close()

"""The page's process: a listening socket, and uvicorn until it is told to end."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import signal
import socket
from collections.abc import Callable, Iterator

import uvicorn
from starlette.types import ASGIApp

from platelink.serving.server import Protocol, Server
from platelink.serving.syslog import to_syslog
from platelink.serving.turns import Turns
from platelink.web.app import build
from platelink.web.rules import RULES
from platelink.web.settings import PageSettings

LEAVE_S = 2
"""How long open connections may take to end; live lines have no end of their own."""


SEATS = 256
"""Connections of all browsers; each live line has one more to the service."""


class PageServer(Server):
    """A signal it was ended by is not sent to ourselves once more at the end."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Signals end the server, and are over with that."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self.handle_exit, number, None)
        yield


def serve(settings: PageSettings, listener: socket.socket, ready: Callable[[], None]) -> None:
    """Serve until SIGTERM or SIGINT; ``ready`` is called once requests are answered."""
    serve_app(Turns(build(settings), RULES), settings, listener, ready)


def serve_app(
    app: ASGIApp, settings: PageSettings, listener: socket.socket, ready: Callable[[], None]
) -> None:
    """The same of any application; of the settings only the certificate counts."""
    config = uvicorn.Config(
        app,
        http=Protocol,
        ws_max_size=1 << 16,
        ws_ping_interval=10.0,
        ws_ping_timeout=10.0,
        access_log=False,
        log_level="error",
        server_header=False,
        proxy_headers=False,
        lifespan="on",
        timeout_graceful_shutdown=LEAVE_S,
        ssl_certfile=settings.certificate,
        ssl_keyfile=settings.key,
    )
    with to_syslog():
        asyncio.run(_serving(PageServer(config, lambda _: SEATS), listener, ready))


async def _serving(server: PageServer, listener: socket.socket, ready: Callable[[], None]) -> None:
    async def tell() -> None:
        while not server.started:
            await asyncio.sleep(0.01)
        ready()

    gc.freeze()  # what is there to stay is not looked through again and again
    telling = asyncio.ensure_future(tell())
    try:
        await server.serve(sockets=[listener])
    finally:
        telling.cancel()

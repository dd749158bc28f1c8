"""Runs the service in its own process, from its sockets and its wire, until the wire closes."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import logging
import os
import signal
import socket
from collections.abc import Iterator

import anyio.to_thread
import uvicorn

from platelink.api.app import make_app
from platelink.api.context import Context, now_utc
from platelink.api.desk import Desk
from platelink.api.hub import Hub
from platelink.api.peer import PeerProtocol
from platelink.api.settings import Settings
from platelink.api.wire import Wire

NICENESS = 5
"""The daemon goes first."""
READERS = 6
"""Reads of files at a time."""
CONNECTIONS = 500
LAST_WORDS_S = 1
"""How long clients may take to read their last answer, whole seconds."""


class _Server(uvicorn.Server):
    """uvicorn without its signal handlers: this process ends when the wire closes."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def _is_news(record: logging.LogRecord) -> bool:
    """False for what uvicorn says of every WebSocket that is refused with an answer."""
    return "without completing handshake" not in record.getMessage()


def run(settings: Settings) -> None:
    """Serve until the daemon hangs up or SIGTERM comes."""
    os.nice(NICENESS)
    with contextlib.suppress(OSError):
        # Woken by a line of the daemon, it waits until the daemon has sent it and gone on.
        os.sched_setscheduler(0, os.SCHED_BATCH, os.sched_param(0))
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the daemon's to understand
    asyncio.run(_serve(settings))


async def _serve(settings: Settings) -> None:
    assert settings.wire is not None
    anyio.to_thread.current_default_thread_limiter().total_tokens = READERS
    hub, desk = Hub(), Desk(settings.people, now_utc)
    listeners = [socket.socket(fileno=fd) for fd in settings.listen]

    def end() -> None:
        server.should_exit = True
        for listener in server.servers if server.started else []:
            listener.close()

    wire = Wire(hub.told, end)
    app = make_app(Context(settings, wire, hub, desk))
    server = _Server(
        uvicorn.Config(
            app,
            http=PeerProtocol,
            ws="websockets-sansio",
            lifespan="off",
            log_level="error",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            limit_concurrency=CONNECTIONS,
            timeout_keep_alive=30,
            timeout_graceful_shutdown=LAST_WORDS_S,
            ws_max_size=1 << 12,
            ws_per_message_deflate=False,
        )
    )
    logging.getLogger("uvicorn.error").addFilter(_is_news)
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, end)
    await wire.connect(settings.wire)
    gc.freeze()
    await server.serve(sockets=listeners)
    desk.close()

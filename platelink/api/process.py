"""What the processes of the service share: a server that ends with the wire, and bounds."""

from __future__ import annotations

import contextlib
import logging
import resource
from collections.abc import Iterator, Mapping
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from platelink.api.peer import PeerProtocol
from platelink.serving.server import Server

SOONER = 300
"""By so much such a process is ended before the daemon where memory runs out."""
LAST_WORDS_S = 1
"""How long clients may take to read their last answer, whole seconds."""


class Served(Server):
    """A server without signal handlers: this process ends when the wire closes."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield

    def end(self) -> None:
        """Take no more, and end."""
        self.should_exit = True
        for entrance in self.servers if self.started else []:
            entrance.close()


def server_of(app: ASGIApp, seats: Mapping[int, int], page_socket: Path | None) -> Served:
    """A server for an application, with so many seats by kind of listening socket. Whoever comes
    in by the page's socket is no program on this computer."""
    known = {"page_socket": None if page_socket is None else str(page_socket)}
    logging.getLogger("uvicorn.error").addFilter(_is_news)
    config = uvicorn.Config(
        app,
        http=type("PeerOrPage", (PeerProtocol,), known),
        lifespan="off",
        log_level="error",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=LAST_WORDS_S,
        ws_max_size=1 << 12,
        ws_per_message_deflate=False,
    )
    return Served(config, lambda listener: seats[listener.family])


def _is_news(record: logging.LogRecord) -> bool:
    """False for what uvicorn says of every WebSocket that is refused with an answer."""
    return "without completing handshake" not in record.getMessage()


def bounded(memory_bytes: int) -> None:
    """What a client makes this process take is taken from nobody else."""
    _, hard = resource.getrlimit(resource.RLIMIT_DATA)
    most = memory_bytes if hard == resource.RLIM_INFINITY else min(memory_bytes, hard)
    resource.setrlimit(resource.RLIMIT_DATA, (most, hard))
    score = Path("/proc/self/oom_score_adj")
    with contextlib.suppress(OSError, ValueError):
        score.write_text(str(min(1000, int(score.read_text()) + SOONER)))

"""A port that answers /metrics and /health, of a process that serves nothing else: one request at a
time, each within ``PATIENCE_S``, in a thread of its own.
"""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Sequence
from contextlib import suppress
from http.server import BaseHTTPRequestHandler
from socketserver import TCPServer
from threading import Thread, Timer
from typing import Self

from platelink.serving.figures import CONTENT_TYPE

PATIENCE_S = 2.0


class Watched(TCPServer):
    """``figures`` and ``problems`` are called in its thread. OSError: the port cannot be had."""

    allow_reuse_address = True

    def __init__(
        self,
        host: str,
        port: int,
        figures: Callable[[], str],
        problems: Callable[[], Sequence[str]],
    ) -> None:
        self.address_family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self.figures, self.problems = figures, problems
        super().__init__((host, port), _Answer)

    @property
    def port(self) -> int:
        """Where it is, also when a free one was asked for."""
        return int(self.server_address[1])

    def handle_error(self, request: object, client_address: object) -> None:
        """A client that goes away, or says nothing, is no event here."""

    def __enter__(self) -> Self:
        Thread(target=self.serve_forever, kwargs={"poll_interval": 0.2}, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self.shutdown()
        self.server_close()


class _Answer(BaseHTTPRequestHandler):
    server: Watched
    timeout = PATIENCE_S

    def handle(self) -> None:
        """Also one who says a byte now and then has no longer."""
        leave = Timer(PATIENCE_S, self._leave)
        leave.start()
        try:
            super().handle()
        finally:
            leave.cancel()

    def _leave(self) -> None:
        with suppress(OSError):  # it is gone already
            self.connection.shutdown(socket.SHUT_RDWR)

    def do_GET(self) -> None:
        match self.path:
            case "/metrics":
                self._answer(200, CONTENT_TYPE, self.server.figures())
            case "/health":
                problems = list(self.server.problems())
                told = json.dumps({"ok": not problems, "problems": problems}, ensure_ascii=False)
                self._answer(503 if problems else 200, "application/json", told)
            case _:
                self._answer(404, "text/plain; charset=utf-8", "/metrics and /health are here\n")

    def _answer(self, status: int, kind: str, text: str) -> None:
        content = text.encode()
        self.send_response(status)
        self.send_header("content-type", kind)
        self.send_header("content-length", str(len(content)))
        self.send_header("cache-control", "no-store")
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, *_: object) -> None:
        """Every scrape is no line in the log."""

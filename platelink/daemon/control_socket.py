"""The daemon's control socket: JSON lines over a Unix socket, for the command line on one machine.

A request is one line, ``{"do": "expose" | "hold" | "restart" | "stop" | "abort" | "status" |
"follow", ...}``; each gets one answer line with ``ok``. A follower then gets a line for every event
and, ten times a second, the status. A follower that does not read is dropped; nothing waits for it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

Answer = dict[str, Any]
FOLLOWER_BYTES = 1 << 18
"""Unread bytes at which a follower is dropped: minutes of a run's lines."""


class SocketInUseError(Exception):
    """Another daemon answers on this socket."""


class ControlServer:
    """Serves requests through ``handle``; ``tell`` reaches every follower."""

    def __init__(self, path: Path, handle: Callable[[Answer], Answer]) -> None:
        self._path = path
        self._handle = handle
        self._server: asyncio.Server | None = None
        self._followers: set[asyncio.StreamWriter] = set()

    async def start(self) -> None:
        """Listen; a dead socket file is replaced, a live one raises ``SocketInUseError``."""
        if self._path.exists():
            with contextlib.suppress(OSError), _connected(self._path):
                raise SocketInUseError(
                    f"{self._path}: a daemon is running here already; stop it, or use "
                    "`platelink expose`, which talks to it"
                )
            self._path.unlink(missing_ok=True)
        self._path.parent.mkdir(parents=True, exist_ok=True)
        self._server = await asyncio.start_unix_server(self._serve, str(self._path))
        os.chmod(self._path, 0o660)

    async def stop(self) -> None:
        """Close the socket and every connection."""
        if self._server is not None:
            self._server.close()
            for writer in list(self._followers):
                writer.close()
            self._path.unlink(missing_ok=True)

    def tell(self, line: Answer) -> None:
        """One line to every follower."""
        if not self._followers:
            return
        data = json.dumps(line, allow_nan=False).encode() + b"\n"
        for writer in list(self._followers):
            transport = writer.transport
            if transport.is_closing() or transport.get_write_buffer_size() > FOLLOWER_BYTES:
                self._followers.discard(writer)
                transport.abort()
            else:
                writer.write(data)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while line := await reader.readline():
                try:
                    request = json.loads(line)
                    if not isinstance(request, dict):
                        raise ValueError("a request is a JSON object")
                except ValueError as error:
                    answer: Answer = {"ok": False, "error": f"request not understood: {error}"}
                else:
                    if request.get("do") == "follow":
                        self._followers.add(writer)
                        answer = {"ok": True}
                    else:
                        answer = self._handle(request)
                writer.write(json.dumps(answer, allow_nan=False).encode() + b"\n")
                await writer.drain()
        except (ConnectionError, asyncio.LimitOverrunError, ValueError):
            pass  # the client is gone, or sent a line without end
        finally:
            self._followers.discard(writer)
            writer.close()


def _connected(path: Path) -> socket.socket:
    client = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    client.settimeout(5.0)
    try:
        client.connect(str(path))
    except OSError:
        client.close()
        raise
    return client


class ControlClient:
    """The command line's side. Raises ``OSError`` when no daemon answers."""

    def __init__(self, path: Path) -> None:
        self._socket = _connected(path)
        self._file = self._socket.makefile("rwb")

    def __enter__(self) -> ControlClient:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()
        self._socket.close()

    def ask(self, **request: Any) -> Answer:
        """Send one request and return its answer."""
        self._file.write(json.dumps(request).encode() + b"\n")
        self._file.flush()
        return self._read()

    def follow(self) -> Iterator[Answer]:
        """Lines of the daemon until it closes."""
        self._socket.settimeout(None)
        while True:
            try:
                yield self._read()
            except ConnectionError:
                return

    def _read(self) -> Answer:
        line = self._file.readline()
        if not line:
            raise ConnectionError("the daemon closed the connection")
        answer = json.loads(line)
        assert isinstance(answer, dict)
        return answer

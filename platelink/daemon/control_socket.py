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

LAST_WORDS_S = 1.0
"""How long a client may take to read its last answer when the daemon ends."""


class SocketError(Exception):
    """The control socket cannot be had; the text says what to do."""


class SocketInUseError(SocketError):
    """Another daemon answers on this socket."""


class ControlServer:
    """Serves requests through ``handle``; ``tell`` reaches every follower."""

    def __init__(self, path: Path, handle: Callable[[Answer], Answer]) -> None:
        self._path = path
        self._handle = handle
        self._server: asyncio.Server | None = None
        self._connections: dict[asyncio.StreamWriter, asyncio.Task[None] | None] = {}
        self._followers: set[asyncio.StreamWriter] = set()

    async def start(self) -> None:
        """Listen; a dead socket file is replaced. Raises ``SocketInUseError`` for a live one, else
        ``SocketError``."""
        try:
            await self._listen()
        except OSError as error:
            raise SocketError(
                f"the control socket {self._path} cannot be made: {error}; it lies beside the "
                "journal: configure another journal path"
            ) from error

    async def _listen(self) -> None:
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
            tasks = [task for task in self._connections.values() if task is not None]
            for writer in list(self._connections):
                writer.close()
            if tasks:
                await asyncio.wait(tasks, timeout=LAST_WORDS_S)
            for writer in list(self._connections):
                writer.transport.abort()
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
        self._connections[writer] = asyncio.current_task()
        try:
            while (line := await reader.readline()) and not writer.is_closing():
                writer.write(self._answer(line, writer) + b"\n")
                await writer.drain()
        except (ConnectionError, ValueError):
            pass  # the client is gone, or sent a line without end
        finally:
            self._connections.pop(writer, None)
            self._followers.discard(writer)
            writer.close()

    def _answer(self, line: bytes, writer: asyncio.StreamWriter) -> bytes:
        try:
            request = json.loads(line)
            if not isinstance(request, dict):
                raise ValueError("a request is a JSON object")
        except (ValueError, RecursionError) as error:
            return json.dumps({"ok": False, "error": f"request not understood: {error}"}).encode()
        if request.get("do") == "follow":
            self._followers.add(writer)
            return b'{"ok": true}'
        try:
            return json.dumps(self._handle(request), allow_nan=False).encode()
        except Exception as error:
            # Ours, whatever it is: the client is told, the log gets it whole, others are served.
            asyncio.get_running_loop().call_exception_handler(
                {"message": "a request failed", "exception": error}
            )
            return json.dumps({"ok": False, "error": f"fault in the daemon: {error!r}"}).encode()


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

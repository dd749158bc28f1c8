"""The live lines, from the service's WebSocket to the browser's: never more than the newest status.

A browser that does not read gets the newest status when it reads again; what it missed of other
lines is told as ``{"missed": n}``.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from pathlib import Path

from starlette.websockets import WebSocket, WebSocketDisconnect
from websockets.asyncio.client import ClientConnection, unix_connect
from websockets.exceptions import ConnectionClosed, InvalidStatus, WebSocketException

from platelink.serving.turns import keep_line, note_known, pause
from platelink.web.passing import session_header, session_of

MOST_WAITING = 256
"""Lines other than the status that wait for a slow browser."""

SIGN_IN, TOO_MANY, NO_SERVICE = 4401, 4429, 4503
"""Close codes that tell the page why."""

_WHY = {401: SIGN_IN, 403: SIGN_IN, 429: TOO_MANY}

STATUS = '{"status"'


class Waiting:
    """Lines on their way to one browser: the newest status, and a bounded queue of others."""

    def __init__(self) -> None:
        self._status: str | None = None
        self._others: deque[str] = deque()
        self._missed = 0
        self._there = asyncio.Event()

    def put(self, line: str) -> None:
        """A line from the service; never waits."""
        if line.startswith(STATUS):
            self._status = line
        elif len(self._others) < MOST_WAITING:
            self._others.append(line)
        else:
            self._missed += 1
        self._there.set()

    async def take(self) -> list[str]:
        """What there is, as soon as there is anything."""
        await self._there.wait()
        self._there.clear()
        lines = list(self._others)
        self._others.clear()
        if self._missed:
            lines.append(f'{{"missed": {self._missed}}}')
            self._missed = 0
        if self._status is not None:
            lines.append(self._status)
            self._status = None
        return lines


async def live(socket: WebSocket) -> None:
    """One browser's live lines, until either side ends."""
    if not session_of(socket):  # a stranger is not worth asking for
        await socket.accept()
        await pause(socket.scope)
        await _close(socket, SIGN_IN)
        return
    await socket.accept()
    path: Path = socket.app.state.settings.service
    try:
        async with unix_connect(
            str(path),
            "ws://localhost/v1/live",
            additional_headers=session_header(socket),
            user_agent_header=None,
            compression=None,
            open_timeout=5.0,
            proxy=None,
        ) as service:
            keep_line(socket.scope)
            note_known(socket.scope)
            await _relay(socket, service)
    except InvalidStatus as error:
        await pause(socket.scope)
        await _close(socket, _WHY.get(error.response.status_code, NO_SERVICE))
    except (OSError, TimeoutError, WebSocketException):
        await _close(socket, NO_SERVICE)


async def _relay(socket: WebSocket, service: ClientConnection) -> None:
    waiting = Waiting()
    ways = {
        asyncio.ensure_future(_from_service(service, waiting)),
        asyncio.ensure_future(_to_browser(socket, waiting)),
        asyncio.ensure_future(_until_browser_leaves(socket)),
    }
    try:
        done, _ = await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for way in ways:
            way.cancel()
        await asyncio.gather(*ways, return_exceptions=True)
    code = next((way.result() for way in done if way.exception() is None), None)
    if code is not None:
        await _close(socket, code)


async def _from_service(service: ClientConnection, waiting: Waiting) -> int:
    with contextlib.suppress(ConnectionClosed):
        async for line in service:
            waiting.put(line if isinstance(line, str) else line.decode())
    return SIGN_IN if service.close_code in (SIGN_IN, 1008) else NO_SERVICE


async def _to_browser(socket: WebSocket, waiting: Waiting) -> None:
    while True:
        for line in await waiting.take():
            await socket.send_text(line)


async def _until_browser_leaves(socket: WebSocket) -> None:
    """What a browser says here is not listened to."""
    with contextlib.suppress(WebSocketDisconnect):
        while True:
            await socket.receive_text()


async def _close(socket: WebSocket, code: int) -> None:
    with contextlib.suppress(RuntimeError, WebSocketDisconnect, OSError):
        await socket.close(code)

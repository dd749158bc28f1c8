"""The service's end of the wire to the daemon: requests with their answers, and lines unasked."""

from __future__ import annotations

import asyncio
import itertools
import json
import socket
from collections.abc import Callable
from typing import Any, Protocol

from platelink.api.errors import ApiError, Kind, no_daemon
from platelink.backlog import READS, encoded

Line = dict[str, Any]
AT_ONCE = 4
"""Requests on the wire at a time; the daemon's loop is not ours to fill."""
WAITING = 32
"""Requests that wait for their turn; more are turned away."""
PAUSE_S = 0.1
"""Between two acts of a turn: 40 a second are all that the unit ever gets. Each may be an entry in
its record."""
READ_PAUSE_S = 0.01
ANSWER_S = 5.0
"""A daemon that has not answered by then is in trouble."""
KINDS: frozenset[Kind] = frozenset({"misuse", "no right", "unknown", "refused", "fault"})


def told(answer: Line) -> Line:
    """The daemon's answer without its ``ok``; ``ApiError`` when it refused."""
    if answer.pop("ok"):
        return answer
    kind = answer.get("kind")
    raise ApiError(str(answer.get("error")), kind if kind in KINDS else "refused")


class Daemon(Protocol):
    """Whoever carries out requests: the wire, or something in its place."""

    async def ask(self, do: str, **more: Any) -> Line:
        """The answer, without ``id`` and ``ok``; ``ApiError`` when it was refused."""


class NoDaemon:
    """In the place of a wire where no daemon runs."""

    async def ask(self, do: str, **more: Any) -> Line:
        """Refuse."""
        raise no_daemon()


class Wire(asyncio.Protocol):
    """``heard`` gets every line that is no answer; ``lost`` is called when the daemon hung up."""

    def __init__(self, heard: Callable[[Line], None], lost: Callable[[], None]) -> None:
        self._heard, self._lost = heard, lost
        self._numbers = itertools.count(1)
        self._asked: dict[int, asyncio.Future[Line]] = {}
        self._turns = asyncio.Semaphore(AT_ONCE)
        self._waiting = 0
        self._beginning = b""
        self._transport: asyncio.Transport | None = None

    async def connect(self, fd: int) -> None:
        """Take the wire of this file descriptor."""
        await asyncio.get_running_loop().create_connection(
            lambda: self, sock=socket.socket(fileno=fd)
        )

    async def ask(self, do: str, **more: Any) -> Line:
        """See ``Daemon.ask``."""
        if self._waiting >= WAITING:
            raise ApiError("too much is asked at once; try again in a moment", "too many")
        self._waiting += 1
        try:
            await self._turns.acquire()
            try:
                answer = await self._exchange({"do": do, **more})
            finally:
                # The turn is given up later than it is done with: so the rate has an end.
                pause_s = READ_PAUSE_S if do in READS else PAUSE_S
                asyncio.get_running_loop().call_later(pause_s, self._turns.release)
        finally:
            self._waiting -= 1
        return told(answer)

    async def _exchange(self, request: Line) -> Line:
        if self._transport is None:
            raise no_daemon()
        number = next(self._numbers)
        answer = self._asked[number] = asyncio.get_running_loop().create_future()
        try:
            self._transport.write(encoded({"id": number, **request}))
            return await asyncio.wait_for(answer, ANSWER_S)
        except TimeoutError:
            raise no_daemon(
                f"the daemon did not answer within {ANSWER_S:.0f} s; look at the unit itself, "
                "then at the daemon's log"
            ) from None
        finally:
            del self._asked[number]

    # --- what the loop calls ---------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def connection_lost(self, error: Exception | None) -> None:
        self._transport = None
        for answer in self._asked.values():
            if not answer.done():
                answer.set_exception(no_daemon("the daemon ended; look at the unit itself"))
        self._lost()

    def data_received(self, data: bytes) -> None:
        *lines, self._beginning = (self._beginning + data).split(b"\n")
        for text in lines:
            line: Line = json.loads(text)
            if "id" not in line:
                self._heard(line)
            elif (answer := self._asked.get(line.pop("id"))) is not None and not answer.done():
                answer.set_result(line)

"""The service's end of the wire to the daemon: requests with their answers, and lines unasked."""

from __future__ import annotations

import asyncio
import itertools
import json
import socket
from collections.abc import Callable
from typing import Protocol, TypeVar

from platelink.api.errors import ApiError, no_daemon
from platelink.backlog import encoded
from platelink.contract.base import Answer, Json
from platelink.contract.wire import READS, AnyRequest, Refused, line_of, only_ends
from platelink.serving.lane import Lane

AT_ONCE = 4
"""Requests on the wire at a time; the daemon's loop is not ours to fill."""
WAITING = 32
"""Requests that wait for their turn; more are turned away."""
PAUSE_S = 0.1
"""Between two acts of a turn: 40 a second are all that the unit ever gets. Each may be an entry in
its record."""
READ_PAUSE_S = 0.01
ENDS_AT_ONCE = 8
ENDS_PAUSE_S = 0.02
"""Between two of one person that end light: these are never turned away, and wait for nobody
else's."""
ANSWER_S = 5.0
"""A daemon that has not answered by then is in trouble."""
ANSWERS = b'{"id"'
"""How a line begins that answers a request."""
_A = TypeVar("_A", bound=Answer)


def reply_of(line: Json, reply: type[_A]) -> _A:
    """The daemon's answer; ``ApiError`` when it refused."""
    if line.get("ok"):
        return reply.model_validate(line)
    refused = Refused.model_validate(line)
    raise ApiError(refused.error, refused.kind)


class Daemon(Protocol):
    """Whoever carries out requests: the wire, or something in its place."""

    async def ask(self, request: AnyRequest, reply: type[_A]) -> _A:
        """The answer; ``ApiError`` when it was refused."""


class NoDaemon:
    """In the place of a wire where no daemon runs."""

    async def ask(self, request: AnyRequest, reply: type[_A]) -> _A:
        """Refuse."""
        raise no_daemon()


class Wire(asyncio.Protocol):
    """``heard`` gets every line that is no answer; ``lost`` is called when the daemon hung up."""

    def __init__(self, heard: Callable[[bytes], None], lost: Callable[[], None]) -> None:
        self._heard, self._lost = heard, lost
        self._numbers = itertools.count(1)
        self._pending: dict[int, asyncio.Future[Json]] = {}
        self._turns = asyncio.Semaphore(AT_ONCE)
        self._waiting = 0
        self._ends = Lane(ENDS_AT_ONCE, 1)
        self._beginning = b""
        self._transport: asyncio.Transport | None = None

    async def connect(self, fd: int) -> None:
        """Take the wire of this file descriptor."""
        await asyncio.get_running_loop().create_connection(
            lambda: self, sock=socket.socket(fileno=fd)
        )

    async def ask(self, request: AnyRequest, reply: type[_A]) -> _A:
        """See ``Daemon.ask``."""
        if only_ends(request):
            return reply_of(await self._end(request), reply)
        if self._waiting >= WAITING:
            raise ApiError("too many requests at once; try again in a moment", "too many")
        self._waiting += 1
        try:
            await self._turns.acquire()
            try:
                answer = await self._exchange(request)
            finally:
                # The turn is given up later than it is done with: so the rate has an end.
                pause_s = READ_PAUSE_S if request.do in READS else PAUSE_S
                asyncio.get_running_loop().call_later(pause_s, self._turns.release)
        finally:
            self._waiting -= 1
        return reply_of(answer, reply)

    async def _end(self, request: AnyRequest) -> Json:
        who = getattr(request, "who", None)
        await self._ends.take(who)
        try:
            return await self._exchange(request)
        finally:
            asyncio.get_running_loop().call_later(ENDS_PAUSE_S, self._ends.give, who)

    async def _exchange(self, request: AnyRequest) -> Json:
        if self._transport is None:
            raise no_daemon()
        number = next(self._numbers)
        answer = self._pending[number] = asyncio.get_running_loop().create_future()
        try:
            self._transport.write(encoded({"id": number, **line_of(request)}))
            return await asyncio.wait_for(answer, ANSWER_S)
        except TimeoutError:
            raise no_daemon(
                f"the daemon did not answer within {ANSWER_S:.0f} s; look at the unit itself, "
                "then at the daemon's log"
            ) from None
        finally:
            del self._pending[number]

    # --- what the loop calls ---------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def connection_lost(self, error: Exception | None) -> None:
        self._transport = None
        for answer in self._pending.values():
            if not answer.done():
                answer.set_exception(no_daemon("the daemon ended; look at the unit itself"))
        self._lost()

    def data_received(self, data: bytes) -> None:
        *lines, self._beginning = (self._beginning + data).split(b"\n")
        for line in lines:
            if line.startswith(ANSWERS):
                self._answered(json.loads(line))
            else:
                self._heard(line + b"\n")

    def _answered(self, line: Json) -> None:
        answer = self._pending.get(int(str(line.pop("id"))))
        if answer is not None and not answer.done():
            answer.set_result(line)

"""Whose request is worked on next: what ends light at once, everything else a few at a time.

ASGI around a whole application. Nothing that a flood fills stands before a stop: it has turns of
its own, is never counted and never turned away; those whom we know have theirs before strangers.
Others wait, round by round, and when too many wait they are turned away, slowly: an answer at once
would only bring the next request.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Hashable
from dataclasses import dataclass

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from platelink.serving.lane import Crowded, Lane, Pace
from platelink.serving.seats import Seat

KNOWN = "platelink-known"
"""Header of an answer to a request whose sign-in is good."""
REMEMBERED = 500
"""Tokens that are remembered as good."""
BODY_S = 5.0
"""How long a request's body may take to come."""
REFUSAL_S, REFUSALS_APART_S = 0.5, 0.01
"""How long it takes to be turned away at least, and how far apart two of those are."""


@dataclass(frozen=True, slots=True)
class Rules:
    """What is urgent, who asks, and how many at a time."""

    urgent: Callable[[Scope], bool]
    token: Callable[[Scope], str]
    """What proves who asks; empty where there is nothing."""
    refuse: Callable[[Scope, int], ASGIApp]
    """The answer to a request with this status: 408, 413 or 429."""
    most_bytes: int
    at_once: int = 8
    each: int = 4
    room_each: int = 8
    room: int = 64


class Turns:
    """See the file's first lines."""

    def __init__(self, app: ASGIApp, rules: Rules) -> None:
        self.app = app
        self.pace = Pace(REFUSAL_S, REFUSALS_APART_S)
        self._rules = rules
        self._known: dict[str, None] = {}
        self._work = Lane(rules.at_once, rules.each, (rules.room_each, rules.room))
        self._urgent = {True: Lane(16, 2), False: Lane(4, 2)}
        """Of those we know, and of strangers."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request or WebSocket."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        whose, known = self._whose(scope)
        urgent = self._rules.urgent(scope)
        lane = self._urgent[known] if urgent else self._work
        scope["state"]["turns"] = self
        try:
            receive = await self._whole(scope, receive)
            turn = _Turn(lane, whose, _seat(scope))
            await turn.take()
        except (Crowded, TimeoutError, _TooMuch) as error:
            await self.pause()
            status = {Crowded: 429, TimeoutError: 408}.get(type(error), 413)
            await self._rules.refuse(scope, status)(scope, receive, send)
            return
        try:
            await self.app(scope, receive, turn.sending(send) if _lasts(scope) else send)
        finally:
            turn.give()
            if scope["state"].get("known"):
                self._know(self._rules.token(scope))

    def crowded(self, scope: Scope) -> bool:
        """True where a request of this head would be turned away: no more is made of it then."""
        return not self._rules.urgent(scope) and self._work.crowded(self._whose(scope)[0])

    async def pause(self) -> None:
        """Until who is turned away may hear of it."""
        loop = asyncio.get_running_loop()
        await asyncio.sleep(self.pace.next(loop.time()) - loop.time())

    def _whose(self, scope: Scope) -> tuple[Hashable, bool]:
        """Whose turn it would be, and whether we know them."""
        token = self._rules.token(scope)
        known = token in self._known
        return token if known else _stranger(scope), known

    def _know(self, token: str) -> None:
        self._known.pop(token, None)
        self._known[token] = None
        if len(self._known) > REMEMBERED:
            del self._known[next(iter(self._known))]

    async def _whole(self, scope: Scope, receive: Receive) -> Receive:
        """The request's whole body, before its turn: nobody waits for who sends slowly."""
        if _lasts(scope):
            return receive
        body = bytearray()
        async with asyncio.timeout(BODY_S):
            while True:
                message = await receive()
                if message["type"] != "http.request":
                    break
                body += message.get("body", b"")
                if len(body) > self._rules.most_bytes:
                    raise _TooMuch
                if not message.get("more_body"):
                    message = {"type": "http.request", "body": bytes(body), "more_body": False}
                    break
        first: list[Message] = [message]

        async def again() -> Message:
            return first.pop() if first else await receive()

        return again


class _TooMuch(Exception):  # noqa: N818
    pass


class _Turn:
    """A turn in a lane, and the seat that is kept meanwhile."""

    def __init__(self, lane: Lane, whose: Hashable, seat: Seat | None) -> None:
        self._lane, self._whose, self._seat = lane, whose, seat
        self._taken = False

    async def take(self) -> None:
        await self._lane.take(self._whose)
        self._taken = True
        keep(self._seat, True)

    def give(self) -> None:
        if self._taken:
            self._taken = False
            self._lane.give(self._whose)
            keep(self._seat, False)

    def sending(self, send: Send) -> Send:
        """Of a WebSocket, whose turn is over with its handshake."""

        async def sending(message: Message) -> None:
            await send(message)
            self.give()

        return sending


def _lasts(scope: Scope) -> bool:
    return bool(scope["type"] == "websocket")


def _seat(scope: Scope) -> Seat | None:
    seat = scope.setdefault("state", {}).get("seat")
    return seat if isinstance(seat, Seat) else None


def _stranger(scope: Scope) -> Hashable:
    seat = _seat(scope)
    return seat.guest if seat is not None else None


def keep(seat: Seat | None, kept: bool) -> None:
    """Whether a connection may be given to another."""
    if seat is not None:
        seat.kept = kept


def keep_line(scope: Scope) -> None:
    """A live line is followed from now on: its connection is kept."""
    keep(_seat(scope), True)


async def pause(scope: Scope) -> None:
    """Until who is turned away by the application may hear of it; see ``Turns``."""
    turns = scope["state"].get("turns")
    if isinstance(turns, Turns):
        await turns.pause()


def note_known(scope: Scope) -> None:
    """The token of this request is good."""
    scope["state"]["known"] = True

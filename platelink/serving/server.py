"""uvicorn behind an entrance of ours: seats are limited, and who says nothing is not waited for."""

from __future__ import annotations

import asyncio
import socket
import sys
from collections.abc import Callable
from typing import Any, cast

import h11
import uvicorn
from starlette.types import Scope
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

from platelink.serving.entrance import HEAD_S, Entrance
from platelink.serving.seats import Seat, Seats
from platelink.serving.turns import Turns

TURNED_AWAY = b"HTTP/1.1 429 Too Many Requests\r\nconnection: close\r\ncontent-length: 0\r\n\r\n"
"""To a live line too many, before more is made of it."""


class Protocol(H11Protocol):
    """uvicorn's, on a seat; ``scope["state"]["seat"]`` is it."""

    def __init__(self, *arguments: Any, seat: Seat, left: Callable[[Seat], None]) -> None:
        super().__init__(*arguments)
        self._seat, self._left = seat, left
        self._deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._seat.close = transport.abort
        self.app_state = {**self.app_state, "seat": self._seat, "left": self._left}
        self._await_head()

    def data_received(self, data: bytes) -> None:
        if self._deadline is None and not self._asked():
            self._await_head()
        super().data_received(data)
        if self._asked():
            self._head_is_there()

    def handle_websocket_upgrade(self, event: h11.Request) -> None:
        self._head_is_there()
        turns = self.config.loaded_app
        if isinstance(turns, Turns) and turns.crowded(cast(Scope, self.scope)):
            self.flow.pause_reading()
            self.loop.call_at(turns.pace.next(self.loop.time()), self._turn_away)
        else:
            super().handle_websocket_upgrade(event)

    def _turn_away(self) -> None:
        if not self.transport.is_closing():
            self.transport.write(TURNED_AWAY)
            self.transport.close()

    def connection_lost(self, exc: Exception | None) -> None:
        self._head_is_there()
        self._left(self._seat)
        super().connection_lost(exc)

    def _asked(self) -> bool:
        """A request's head is there, and its answer not yet."""
        return self.cycle is not None and not self.cycle.response_complete

    def _await_head(self) -> None:
        self._deadline = self.loop.call_later(HEAD_S, self.transport.abort)

    def _head_is_there(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None


class LiveLine(WebSocketsSansIOProtocol):
    """uvicorn's. It has taken the connection over, so only it learns that the seat is left."""

    def connection_lost(self, exc: Exception | None) -> None:
        self.app_state["left"](self.app_state["seat"])
        super().connection_lost(exc)


class Server(uvicorn.Server):
    """uvicorn's, with entrances; ``seats`` says how many each listening socket has."""

    def __init__(self, config: uvicorn.Config, seats: Callable[[socket.socket], int]) -> None:
        config.ws = LiveLine
        super().__init__(config)
        self._seats = seats

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Open the entrances of these sockets."""
        await self.lifespan.startup()
        if self.lifespan.should_exit:
            sys.exit(1)
        self.servers = [self._entrance(listener) for listener in sockets or []]  # type: ignore[misc]
        self.started = True

    def _entrance(self, listener: socket.socket) -> Entrance:
        def protocol(seat: Seat, left: Callable[[Seat], None]) -> asyncio.Protocol:
            kind: Any = self.config.http_protocol_class
            return kind(self.config, self.server_state, self.lifespan.state, seat=seat, left=left)  # type: ignore[no-any-return]

        return Entrance(listener, Seats(self._seats(listener)), protocol, ssl=self.config.ssl)

"""Which user of this computer is at the other end of a Unix socket."""

from __future__ import annotations

import asyncio
import socket
from typing import ClassVar

from platelink.serving.entrance import peer_of
from platelink.serving.server import Protocol


class PeerProtocol(Protocol):
    """Puts the peer's user id into ``scope["state"]["peer"]``; None over TCP and by the page's
    socket, whose user is nobody's but the page's. ``uid`` is there in any case."""

    page_socket: ClassVar[str | None] = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        connection = transport.get_extra_info("socket")
        uid = peer_of(connection)[1] if connection.family == socket.AF_UNIX else None
        page = self.page_socket is not None and connection.getsockname() == self.page_socket
        self.app_state = {**self.app_state, "peer": None if page else uid, "uid": uid}

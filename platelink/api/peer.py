"""Which user of this computer is at the other end of a Unix socket."""

from __future__ import annotations

import asyncio
import socket
import struct

from uvicorn.protocols.http.h11_impl import H11Protocol

_CREDENTIALS = struct.Struct("3i")


class PeerProtocol(H11Protocol):
    """uvicorn's, which puts the peer's user id into ``scope["state"]["peer"]``; None over TCP."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.app_state = {**self.app_state, "peer": peer_of(transport.get_extra_info("socket"))}


def peer_of(connection: socket.socket) -> int | None:
    """User id of the process that connected, as the kernel knows it."""
    if connection.family != socket.AF_UNIX:
        return None
    told = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    return int(_CREDENTIALS.unpack(told)[1])

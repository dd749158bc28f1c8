"""Where connections come in: few at a time, and of who has many only what ends light at once."""

from __future__ import annotations

import asyncio
import logging
import re
import socket
import struct
from collections.abc import Callable
from ssl import SSLContext
from typing import Any

from platelink.serving.lane import Pace
from platelink.serving.seats import Guest, Seat, Seats

HEAD_S = 5.0
"""How long a request's first line and headers may take, and a handshake before them."""
PART = 8
"""In one turn of the loop this part of the seats is taken, an eighth: whoever has just come is read
before as many others have come as there are seats."""
WAITING = 1024
"""Connections that the kernel keeps for us meanwhile."""
MANY = 4
"""One guest has many connections with more than this part of the seats: a quarter."""
APART_S = 0.02
"""Between two more of one who has many."""
LOOK_BYTES = 512
URGENT = re.compile(rb"POST /(api/)?v1/(exposure|plates/[^/ ]+)/(hold|stop|abort) HTTP/1\.")
"""How a request begins that ends light; it is judged later, as any other."""
BEGUN = re.compile(rb"P|PO|POS|POST|POST [^ \n]*( [^\n]*)?")
"""How it may begin where not all of the line is there yet."""
AGAIN_S = 0.005
"""Until such a line is looked at again; each time twice as long."""
PAUSE_S = 1.0
"""When the system has no more files for us."""
_CREDENTIALS = struct.Struct("3i")
log = logging.getLogger("platelink.serving")


class Entrance:
    """Takes connections from one listening socket, as many as there are seats.

    Of a guest who has many already, one more is looked at before anything is made of it: a stop
    comes in at once, others one after another."""

    def __init__(
        self,
        listener: socket.socket,
        seats: Seats,
        protocol: Callable[[Seat, Callable[[Seat], None]], asyncio.Protocol],
        *,
        ssl: SSLContext | None,
    ) -> None:
        self._listener, self._seats, self._protocol, self._ssl = listener, seats, protocol, ssl
        self._loop = asyncio.get_running_loop()
        self._coming: set[asyncio.Task[None]] = set()
        self.hall: set[_Hall] = set()
        self._open = True
        self._pace = Pace(0.0, APART_S)
        self._fd = listener.fileno()
        listener.setblocking(False)
        listener.listen(WAITING)
        self._go_on()

    def close(self) -> None:
        """Take no more: who comes now is refused, and does not wait to be forgotten."""
        if self._open:
            self._open = False
            self._loop.remove_reader(self._fd)
            self._listener.close()
            for waiting in tuple(self.hall):
                waiting.leave()

    async def wait_closed(self) -> None:
        """As uvicorn asks of a server."""

    def _take_some(self) -> None:
        for _ in range(self._seats.most // PART):
            try:
                connection, address = self._listener.accept()
            except (BlockingIOError, InterruptedError, ConnectionAbortedError):
                return
            except OSError as error:
                # Said once a second, not at every turn of the loop: that would fill a disk.
                log.error("no connection can be taken: %s", error)
                self._loop.remove_reader(self._fd)
                self._loop.call_later(PAUSE_S, self._go_on)
                return
            self._take(connection, guest_of(connection, address))

    def _go_on(self) -> None:
        if self._open:
            self._loop.add_reader(self._fd, self._take_some)

    def _take(self, connection: socket.socket, guest: Guest) -> None:
        seat = self._seats.take(guest)
        if seat is None:
            connection.close()
            return
        connection.setblocking(False)
        if self._seats.of(guest) > self._seats.most // MANY:
            _Hall(self, connection, seat)
        else:
            self.let_in(connection, seat)

    def let_in(self, connection: socket.socket, seat: Seat) -> None:
        """Make a connection of it."""
        task = self._loop.create_task(self._connect(connection, seat))
        seat.close = task.cancel
        self._coming.add(task)
        task.add_done_callback(self._coming.discard)

    def turn(self) -> float:
        """When one more of who has many may come in, by the loop's clock."""
        return self._pace.next(self._loop.time())

    @property
    def readable(self) -> bool:
        """False where what a client says is not readable before a handshake."""
        return self._ssl is None

    def left(self, connection: socket.socket, seat: Seat) -> None:
        """It came to nothing."""
        self._seats.leave(seat)
        connection.close()

    async def _connect(self, connection: socket.socket, seat: Seat) -> None:
        try:
            await self._loop.connect_accepted_socket(
                lambda: self._protocol(seat, self._seats.leave), connection, ssl=self._ssl,
                ssl_handshake_timeout=HEAD_S if self._ssl is not None else None,
            )  # fmt: skip
        except (OSError, asyncio.CancelledError):  # it left, was no client, or made way
            self.left(connection, seat)


class _Hall:
    """A connection that waits to be let in; little is spent on it."""

    def __init__(self, entrance: Entrance, connection: socket.socket, seat: Seat) -> None:
        self._entrance, self._connection, self._seat = entrance, connection, seat
        self._fd = connection.fileno()
        self._loop = asyncio.get_running_loop()
        self._end = self._loop.call_later(HEAD_S, self.leave)
        self._turn: asyncio.TimerHandle | None = None
        self._again_s = AGAIN_S
        seat.close = self.leave
        entrance.hall.add(self)
        if entrance.readable:
            self._look()
        else:
            self._go_in_at(entrance.turn())

    def leave(self) -> None:
        """It has to go, or went."""
        self._over()
        self._entrance.left(self._connection, self._seat)

    def _over(self) -> None:
        self._entrance.hall.discard(self)
        self._end.cancel()
        if self._turn is not None:
            self._turn.cancel()
        self._loop.remove_reader(self._fd)

    def _look(self) -> None:
        try:
            begun = self._connection.recv(LOOK_BYTES, socket.MSG_PEEK)
        except BlockingIOError:
            self._loop.add_reader(self._fd, self._look)
            return
        except OSError:
            begun = b""
        if not begun:
            self.leave()
        elif URGENT.match(begun):
            self._go_in()
        else:
            # What was looked at stays there to be read, so the loop would tell of it at every turn.
            self._loop.remove_reader(self._fd)
            if BEGUN.fullmatch(begun) and len(begun) < LOOK_BYTES:
                self._turn = self._loop.call_later(self._again_s, self._look)
                self._again_s *= 2.0
            else:
                self._go_in_at(self._entrance.turn())

    def _go_in_at(self, at: float) -> None:
        self._turn = self._loop.call_at(at, self._go_in)

    def _go_in(self) -> None:
        self._over()
        self._entrance.let_in(self._connection, self._seat)


def guest_of(connection: socket.socket, address: Any) -> Guest:
    """A process of this computer by a Unix socket, else an address."""
    if connection.family == socket.AF_UNIX:
        return peer_of(connection)
    return str(address[0])


def peer_of(connection: socket.socket) -> tuple[int, int]:
    """Process and user at the other end of a Unix socket, as the kernel knows them."""
    told = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    pid, uid, _ = _CREDENTIALS.unpack(told)
    return int(pid), int(uid)

"""The daemon's end of the wire to its service: JSON lines both ways, and nobody waits for anybody.

A request is one line, ``{"id": 7, "do": ...}``; each gets one answer with its ``id`` and ``ok``.
One request is carried out in a turn of the loop: a flood of them leaves room for the device.
"""

from __future__ import annotations

import asyncio
import json
import math
from collections import deque
from collections.abc import Callable

from platelink.backlog import Backlog, encoded
from platelink.contract.base import Json
from platelink.contract.wire import refusal

LINE_BYTES = 1 << 20
"""Longest request: a plate with its whole recipe is some ten kilobytes."""
AHEAD = 32
"""Requests read ahead; beyond them the service is not read."""


class Wire(asyncio.Protocol):
    """Carries out requests through ``handle``; ``lost`` is called once when the other end is gone,
    or sent a line without end."""

    def __init__(self, handle: Callable[[Json], Json], lost: Callable[[Wire], None]) -> None:
        self._handle = handle
        self._lost = lost
        self._backlog = Backlog()
        self._transport: asyncio.Transport | None = None
        self._full = False
        self._full_since = math.inf
        self._beginning = b""
        self._requests: deque[bytes] = deque()

    def tell(self, kind: str, line: bytes) -> None:
        """One line to the service; ``kind`` is status or event."""
        if kind == "status":
            self._backlog.status(line)
        else:
            self._backlog.event(line)
        self._send()

    def unread_s(self, now: float) -> float:
        """How long nothing of what waits was taken; ``now`` by the loop's clock."""
        return max(0.0, now - self._full_since)

    def finish(self) -> None:
        """Hang up, once what the kernel did not take yet is sent; no request is carried out."""
        self._requests.clear()
        if self._transport is not None:
            self._transport.close()

    # --- what the loop calls ---------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        # Whatever the kernel does not take stays in the backlog, where the oldest can be dropped.
        transport.set_write_buffer_limits(high=0)
        self._transport = transport
        self._send()

    def connection_lost(self, error: Exception | None) -> None:
        self._transport = None
        self._requests.clear()
        self._lost(self)

    def pause_writing(self) -> None:
        self._full = True
        self._full_since = asyncio.get_running_loop().time()

    def resume_writing(self) -> None:
        self._full = False
        self._full_since = math.inf
        self._send()

    def data_received(self, data: bytes) -> None:
        assert self._transport is not None
        idle = not self._requests
        *lines, self._beginning = (self._beginning + data).split(b"\n")
        self._requests.extend(lines)
        if len(self._beginning) > LINE_BYTES:
            self._transport.abort()
            return
        if len(self._requests) > AHEAD:
            self._transport.pause_reading()
        if idle and self._requests:
            asyncio.get_running_loop().call_soon(self._carry_out_one)

    # --- requests --------------------------------------------------------------------------

    def _carry_out_one(self) -> None:
        if not self._requests:
            return
        self._backlog.answer(self._answer(self._requests.popleft()))
        self._send()
        if self._requests:
            asyncio.get_running_loop().call_soon(self._carry_out_one)
        if len(self._requests) < AHEAD and self._transport is not None:
            self._transport.resume_reading()

    def _answer(self, line: bytes) -> bytes:
        try:
            request = json.loads(line)
            if not isinstance(request, dict):
                raise ValueError("a request is a JSON object")
        except (ValueError, RecursionError) as error:
            return encoded({"id": None, **refusal(f"request not understood: {error}")})
        number = request.get("id")
        try:
            return encoded({"id": number, **self._handle(request)})
        except Exception as error:
            # Ours, whatever it is: the service is told, the log gets it whole, others are served.
            asyncio.get_running_loop().call_exception_handler(
                {"message": "a request failed", "exception": error}
            )
            text = f"fault in the daemon: {error!r}"
            return encoded({"id": number, **refusal(text, "fault")})

    def _send(self) -> None:
        while not self._full and self._transport is not None:
            line = self._backlog.next()
            if line is None:
                return
            self._transport.write(line)

"""Everyone who gets the daemon's lines: the service for its clients, listeners in this process."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from platelink.contract.unit import LiveLine
from platelink.daemon.service import Service

Listener = Callable[[LiveLine], None]


class Followers:
    """See the file's first line. A listener that fails is left; the unit is served on."""

    def __init__(self, service: Service | None) -> None:
        self._service = service
        self._listeners: list[Listener] = []

    def add(self, listener: Listener) -> None:
        """Have every line from now on."""
        self._listeners.append(listener)

    def send(self, line: LiveLine) -> None:
        """Give a line to all."""
        for listener in tuple(self._listeners):
            try:
                listener(line)
            except Exception as error:
                self._listeners.remove(listener)
                asyncio.get_running_loop().call_exception_handler(
                    {"message": "a listener failed and gets no further lines", "exception": error}
                )
        if self._service is not None:
            self._service.tell(line)

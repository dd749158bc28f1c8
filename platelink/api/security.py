"""Who was let in and who was not: to the unit's journal by way of the daemon, and to syslog.

Nobody waits for either. What is refused again and again becomes one line a minute that says how
often: a flood must fill neither."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from datetime import datetime

from platelink.api.errors import ApiError
from platelink.api.wire import Daemon
from platelink.contract.base import Done
from platelink.contract.wire import NoteSecurity
from platelink.serving.syslog import Seldom, say


class SecurityLog:
    """See the file's first lines. To be used within a running loop."""

    def __init__(self, daemon: Daemon, now: Callable[[], datetime]) -> None:
        self._daemon, self._now = daemon, now
        self._seldom = Seldom()
        self._sending: set[asyncio.Task[None]] = set()

    def note(
        self, what: str, text: str = "", *, who: str | None = None, address: str | None = None
    ) -> None:
        """Something that happened; the first of its kind is told at once."""
        times = self._seldom.times((what, who), self._now())
        if times:
            told = _sentence(what, text, who, address, times)
            self.tell(NoteSecurity(what=what, text=told, who=who, address=address, times=times))

    def tell(self, request: NoteSecurity) -> None:
        """One line, whatever was told before."""
        say(request.text)
        task = asyncio.get_running_loop().create_task(self._send(request))
        self._sending.add(task)
        task.add_done_callback(self._sending.discard)

    async def _send(self, request: NoteSecurity) -> None:
        with contextlib.suppress(ApiError):  # syslog has it
            await self._daemon.ask(request, Done)


def _sentence(what: str, text: str, who: str | None, address: str | None, times: int) -> str:
    parts = [what, *([who] if who else []), *([f"from {address}"] if address else [])]
    told = f"{' '.join(parts)}{f': {text}' if text else ''}"
    return (told if times == 1 else f"{told} ({times} times)")[:1000]

"""What the daemon tells, handed on to every live client: none of them holds up another."""

from __future__ import annotations

import asyncio
import time
from typing import Any

from platelink.backlog import Backlog, encoded

Line = dict[str, Any]


class Follower:
    """The lines on their way to one client; the oldest go when it does not read."""

    def __init__(self) -> None:
        self._backlog = Backlog()
        self._there = asyncio.Event()

    def put(self, line: bytes, *, status: bool) -> None:
        """A line of the daemon."""
        if status:
            self._backlog.status(line)
        else:
            self._backlog.event(line)
        self._there.set()

    async def next(self) -> str:
        """The next line, as soon as there is one."""
        while (line := self._backlog.next()) is None:
            self._there.clear()
            await self._there.wait()
        return line[:-1].decode()


class Hub:
    """The newest status, and everybody who follows."""

    def __init__(self, *, alone: bool = False) -> None:
        self.alone = alone
        """No daemon runs: nothing will ever be told."""
        self.status: Line | None = None
        self._status_at = 0.0
        self.followers: set[Follower] = set()

    def told(self, line: Line) -> None:
        """A line of the daemon."""
        status = line.get("status")
        if status is not None:
            self.status, self._status_at = status, time.monotonic()
        if self.followers:
            text = encoded(line)
            for follower in self.followers:
                follower.put(text, status=status is not None)

    def age_s(self) -> float:
        """How old the newest status is."""
        return time.monotonic() - self._status_at

    def follow(self) -> Follower:
        """A new follower, who gets the newest status first."""
        follower = Follower()
        if self.status is not None:
            follower.put(encoded({"status": self.status}), status=True)
        self.followers.add(follower)
        return follower

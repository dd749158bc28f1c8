"""What the daemon tells, handed on to every live client: none of them holds up another."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Hashable

from platelink.backlog import Backlog
from platelink.contract.unit import Status, StatusLine

STATUS = b'{"status"'
"""How the line of a status begins."""


class Follower:
    """The lines on their way to one client; the oldest go when it does not read."""

    def __init__(self, whose: Hashable = None) -> None:
        self.whose = whose
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
        self._newest: bytes | None = None
        self._newest_at = time.monotonic()
        self.followers: set[Follower] = set()

    def broadcast(self, line: bytes) -> None:
        """A line of the daemon."""
        status = line.startswith(STATUS)
        if status:
            self._newest, self._newest_at = line, time.monotonic()
        for follower in self.followers:
            follower.put(line, status=status)

    @property
    def status(self) -> Status | None:
        """The newest one; None before the first."""
        if self._newest is None:
            return None
        return StatusLine.model_validate_json(self._newest).status

    def age_s(self) -> float:
        """How old the newest status is; before the first, how long none has come."""
        return time.monotonic() - self._newest_at

    def follows(self, whose: Hashable) -> int:
        """How many lines somebody has."""
        return sum(follower.whose == whose for follower in self.followers)

    def follow(self, whose: Hashable = None) -> Follower:
        """A new follower, who gets the newest status first."""
        follower = Follower(whose)
        if self._newest is not None:
            follower.put(self._newest, status=True)
        self.followers.add(follower)
        return follower

"""Turns, few at a time, that go round among those who wait."""

from __future__ import annotations

import asyncio
import math
from collections import Counter, deque
from collections.abc import AsyncIterator, Hashable
from contextlib import asynccontextmanager

Whose = Hashable


class Crowded(Exception):  # noqa: N818 -- says what it is
    """Too many wait."""


class Pace:
    """One after another: ``every_s`` apart, and none sooner than ``least_s`` from when it came."""

    def __init__(self, least_s: float, every_s: float) -> None:
        self._least_s, self._every_s = least_s, every_s
        self._last = -math.inf

    def next(self, now: float) -> float:
        """When it is the turn of who comes now, seconds of the same clock."""
        self._last = max(now + self._least_s, self._last + self._every_s)
        return self._last


class Lane:
    """``at_once`` turns, of one person ``each`` at most. Where there is ``room`` it says how many
    may be there, working or waiting, of one person and of all; without it nobody is turned away."""

    def __init__(self, at_once: int, each: int, room: tuple[int, int] | None = None) -> None:
        self._free = at_once
        self._each = each
        self._room = room
        self._working: Counter[Whose] = Counter()
        self._waiting: dict[Whose, deque[asyncio.Future[None]]] = {}
        """In the order of whose turn it is."""

    @asynccontextmanager
    async def turn(self, whose: Whose) -> AsyncIterator[None]:
        """A turn, as soon as it comes; ``Crowded`` when too many wait."""
        await self.take(whose)
        try:
            yield
        finally:
            self.give(whose)

    async def take(self, whose: Whose) -> None:
        """The same without its end; ``give`` ends it."""
        if self.crowded(whose):
            raise Crowded
        there = asyncio.get_running_loop().create_future()
        self._waiting.setdefault(whose, deque()).append(there)
        self._next()
        try:
            await there
        except asyncio.CancelledError:
            if there.cancelled():
                self._forget(whose, there)
            else:  # it came and was not wanted any more
                self.give(whose)
            raise

    def crowded(self, whose: Whose) -> bool:
        """True where no more may come."""
        if self._room is None:
            return False
        waiting = sum(map(len, self._waiting.values()))
        of_one = len(self._waiting.get(whose, ())) + self._working[whose]
        return of_one >= self._room[0] or waiting >= self._room[1]

    def give(self, whose: Whose) -> None:
        """A turn is over."""
        self._free += 1
        self._working[whose] -= 1
        if not self._working[whose]:
            del self._working[whose]
        self._next()

    def _forget(self, whose: Whose, there: asyncio.Future[None]) -> None:
        waiting = self._waiting.get(whose, deque())
        if there in waiting:
            waiting.remove(there)
        if not waiting:
            self._waiting.pop(whose, None)

    def _next(self) -> None:
        while self._free:
            ready = (w for w in self._waiting if self._working[w] < self._each)
            whose = next(ready, None)
            if whose is None:
                return
            queue = self._waiting.pop(whose)
            there = queue.popleft()
            if queue:
                self._waiting[whose] = queue  # and now all others come first
            if not there.done():
                self._free -= 1
                self._working[whose] += 1
                there.set_result(None)

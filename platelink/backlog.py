"""JSON lines that wait for a reader who may be slow, or stand still. Pure.

Answers are owed and stay. Of statuses only the newest is worth reading. Events go oldest first when
too many wait; the reader is then told how many it missed (all of them are in the journal).
"""

from __future__ import annotations

import json
from collections import deque
from typing import Any

EVENTS = 500
"""Events that wait at most: many minutes of a lively unit."""


def encoded(line: dict[str, Any]) -> bytes:
    """One line as it travels. ValueError for NaN, TypeError for what JSON does not know."""
    return json.dumps(line, ensure_ascii=False, allow_nan=False).encode() + b"\n"


class Backlog:
    """See the file's first lines."""

    def __init__(self, events: int = EVENTS) -> None:
        self._events = events
        self._waiting: deque[tuple[bool, bytes]] = deque()
        """(may be dropped, line), oldest first."""
        self._droppable = 0
        self._missed = 0
        self._status: bytes | None = None

    def __len__(self) -> int:
        """Lines that ``next`` would give."""
        return len(self._waiting) + (self._missed > 0) + (self._status is not None)

    def answer(self, line: bytes) -> None:
        """A line that is owed."""
        self._waiting.append((False, line))

    def status(self, line: bytes) -> None:
        """The newest status; one that still waits is discarded."""
        self._status = line

    def event(self, line: bytes) -> None:
        """An event; the oldest goes when too many wait."""
        self._waiting.append((True, line))
        self._droppable += 1
        if self._droppable > self._events:
            self._drop_oldest()

    def next(self) -> bytes | None:
        """The line to send now; None when there is none."""
        if self._missed:
            missed, self._missed = self._missed, 0
            return encoded({"missed": missed})
        if self._waiting:
            droppable, line = self._waiting.popleft()
            self._droppable -= droppable
            return line
        newest, self._status = self._status, None
        return newest

    def _drop_oldest(self) -> None:
        at = next(i for i, (droppable, _) in enumerate(self._waiting) if droppable)
        del self._waiting[at]
        self._droppable -= 1
        self._missed += 1

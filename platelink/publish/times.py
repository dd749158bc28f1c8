"""Times of points: within a series they rise strictly, or the store keeps one of two.

A time that is taken moves to the next free millisecond. The newest point of each series, of each
journal, is known in memory, and ``settle`` writes it down with the transaction.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice
from operator import lt

from platelink.ledger.database import Database
from platelink.publish.lines import Points

MOVED_LIMIT_MS = 60_000
"""A point further back than this is not moved: the one before it was ahead, or the clock is set."""
_Last = tuple[int, int]
"""Time of a point, and the number of its entry."""


class Times:
    """See the file's first lines. The caller sees to transactions."""

    def __init__(self, database: Database) -> None:
        self._db = database
        self._last: dict[str, _Last] = {}
        self._new: set[str] = set()
        """Series with new points since ``settle``."""

    def settle(self, *, utc_ms: int) -> None:
        """Write down what only memory knows."""
        self._db.execute_each(
            "INSERT OR REPLACE INTO series VALUES (?, ?, ?, ?)",
            [(series, *self._last[series], utc_ms) for series in self._new],
        )
        self._new.clear()

    def mistrust(self) -> None:
        """Forget what memory knows: a transaction has failed, or the file was changed."""
        self._last.clear()
        self._new.clear()

    def free(self, points: Points, source: str) -> tuple[Sequence[int], int]:
        """The times of the points in ms, or the next free ones, and how many were moved. A point
        that comes after a later one of its series was sent again after a loss: its own time is
        right. So it is where the point before was far ahead: one wrong time must not move all that
        follow. ``source`` is the journal they come from: one that was begun anew counts from 1."""
        series, order = f"{source} {points.series}", points.order
        times, moved = points.at_ms, 0
        last_ms, last_order = self._last_of(series)
        if order >= last_order and times[0] > last_ms and _rise(times):
            last_ms, last_order = times[-1], order
        else:
            times = []
            for own_ms in points.at_ms:
                at_ms = own_ms
                if order >= last_order:
                    free_ms = -1 if last_ms - own_ms > MOVED_LIMIT_MS else last_ms
                    at_ms = max(own_ms, free_ms + 1)
                    last_ms, last_order = at_ms, order
                moved += at_ms != own_ms
                times.append(at_ms)
        self._last[series] = last_ms, last_order
        self._new.add(series)
        return times, moved

    def _last_of(self, series: str) -> _Last:
        if (known := self._last.get(series)) is not None:
            return known
        found: list[_Last] = self._db.rows(
            "SELECT last_ms, last_order FROM series WHERE name = ?", (series,)
        )
        return found[0] if found else (-1, -1)


def _rise(times: Sequence[int]) -> bool:
    return all(map(lt, times, islice(times, 1, None)))

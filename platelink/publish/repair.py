"""What recorders miss although the broker acknowledged it, sent again in between. Pure.

Each recorder says which entries it holds. A number that is missing below one that it holds was
lost on the way: the broker forgot it, or threw it away for nobody. Only what is missing is sent
again; new entries never wait for it. Recorders of a group hold together.

A hole counts when it is still there one look later: what has just been sent may be on its way, and
two recorders of a group speak one after the other. One that stays, as of a recorder that is no more
or that puts the entries aside, is sent again more and more seldom.
"""

from __future__ import annotations

from dataclasses import dataclass

from platelink.publish.ranges import Ranges, common, holes, joined, without

LOOK_S = 10.0
"""Twice as long as recorders take to say what they hold."""
SELDOM_S = 6 * 3600.0
IN_FLIGHT = 4
"""So many may be under way beside the window of new ones."""


@dataclass(frozen=True, slots=True)
class Held:
    """What one recorder says it holds of this journal."""

    group: str | None
    ranges: Ranges


class Repair:
    """See the file's first lines. ``now`` is host monotonic seconds."""

    def __init__(self, *, now: float) -> None:
        self.sent_again = 0
        self._held: dict[str, Held] = {}
        self._before: Ranges = ()
        self._round: list[tuple[int, int]] = []
        self._tried: Ranges = ()
        self._tried_until = now
        self._in_flight: set[int] = set()
        self._look_at = now + LOOK_S
        self._pause_s = 2 * LOOK_S

    def heard(self, recorder: str, held: Held | None) -> None:
        """A recorder says what it holds; None: it is no more."""
        if held is None:
            self._held.pop(recorder, None)
        else:
            self._held[recorder] = held

    def held_by_all(self) -> int:
        """Up to here nobody misses anything; 0 where nobody says so."""
        first = [ranges[0] if ranges else (1, 0) for ranges in self._of_groups()]
        return min((last if begin <= 1 else 0 for begin, last in first), default=0)

    def missing(self, upto: int) -> Ranges:
        """What any of them misses, up to the last entry that the broker has."""
        lost = (hole for ranges in self._of_groups() for hole in holes(ranges))
        return common(joined(lost), ((1, upto),)) if upto > 0 else ()

    def _of_groups(self) -> list[Ranges]:
        groups: dict[str, list[tuple[int, int]]] = {}
        for recorder, held in self._held.items():
            name = f"one {recorder}" if held.group is None else f"all {held.group}"
            groups.setdefault(name, []).extend(held.ranges)
        return [joined(ranges) for ranges in groups.values()]

    def tick(self, upto: int, *, now: float) -> None:
        """Look for what is missing, when it is time and nothing is being sent again."""
        if now < self._look_at or self._round or self._in_flight:
            return
        self._look_at = now + LOOK_S
        missing = self.missing(upto)
        if now >= self._tried_until:
            stays = common(missing, self._tried)
            self._pause_s = min(2 * self._pause_s, SELDOM_S) if stays else 2 * LOOK_S
            self._tried = ()
        due = without(common(missing, self._before), self._tried)
        self._before = missing
        if due:
            self._round = list(due)
            self._tried = joined((*self._tried, *due))
            self._tried_until = now + self._pause_s

    def next(self) -> int | None:
        """The next number to be sent again, where there is room."""
        if not self._round or len(self._in_flight) >= IN_FLIGHT:
            return None
        return self._round[0][0]

    def sent(self, number: int) -> None:
        """It was handed to the connection."""
        first, last = self._round.pop(0)
        if first < last:
            self._round.insert(0, (first + 1, last))
        self._in_flight.add(number)
        self.sent_again += 1

    def skip(self, to: int) -> None:
        """The journal has nothing in this range before ``to``."""
        first, last = self._round.pop(0)
        if to <= last:
            self._round.insert(0, (max(to, first + 1), last))

    def answered(self, number: int) -> None:
        """The broker has it, or refuses it: the recorder's next word tells."""
        self._in_flight.discard(number)

    def lost(self, *, now: float) -> None:
        """The connection is gone: recorders say anew what they hold."""
        self._round.clear()
        self._in_flight.clear()
        self._before = self._tried = ()
        self._look_at = max(self._look_at, now + LOOK_S)

"""Who is to hear of which alarm, and when. Pure.

An alarm is told to a person once it has called, unacknowledged, for the delay of a shift of theirs,
while they are on duty: at that moment, or when their shift begins and it still calls. It is told
to each person once, however long it lasts; an alarm that is raised anew is another one. What is
over, acknowledged or shelved before that is not told.

Moves are taken in the order of the journal, late ones too: what would have been told while nobody
looked is told then.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from platelink.alerts.duty import OnDuty, Roster
from platelink.alerts.occurrence import Move, Now, Occurrence, raised
from platelink.control.alarm.states import AlarmState

LONGEST_LOOK_MS = 30 * 86_400_000
"""Of a time in which nobody looked, shifts are followed this far back."""


@dataclass(frozen=True, slots=True)
class Tell:
    """A person is to hear that an alarm calls, or that it is over."""

    person: str
    kind: Literal["alarm", "over"]
    key: str
    """Of the occurrence."""


class Rules:
    """Open occurrences and who was told of them."""

    def __init__(
        self,
        roster: Roster,
        over_to: frozenset[str],
        *,
        open_ones: Iterable[Occurrence] = (),
        told: Iterable[tuple[str, str]] = (),
        now: Now,
    ) -> None:
        self._roster = roster
        self._over_to = over_to
        self._open = {one.alarm: one for one in open_ones}
        self._told = set(told)
        """(occurrence, person)"""
        self._now = now
        self.changed: dict[str, Occurrence] = {}
        """Occurrences that are not as they were when this was emptied last, by their keys."""

    @property
    def open_ones(self) -> tuple[Occurrence, ...]:
        """Occurrences of which more may be heard."""
        return tuple(self._open.values())

    def take(self, move: Move, now: Now, *, quiet: bool = False) -> list[Tell]:
        """Take the next move; ``now`` is when it was made. ``quiet``: it is past and known, and
        nobody is told."""
        found = [] if quiet else self.advance(now)
        one = self._open.get(move.alarm)
        if move.to is AlarmState.UNACKNOWLEDGED:
            if one is not None:
                self._end(one, move.at_ms)
            self._begin(raised(move, self._now.steady_ms if not quiet else now.steady_ms))
            return found
        if one is None:
            return found
        was_over, called = one.over_ms is not None, one.calling
        one.follow(move)
        self.changed[one.key] = one
        if not quiet and one.over_ms is not None and not was_over:
            if called:
                found += self._lasted(one)
            found += [Tell(person, "over", one.key) for key, person in sorted(self._told)
                      if key == one.key and person in self._over_to]  # fmt: skip
        if not one.open:
            del self._open[move.alarm]
        return found

    def _lasted(self, one: Occurrence) -> Iterator[Tell]:
        """Who should have heard of it by how long the unit says that it called: this computer's
        clock may have been set back meanwhile."""
        called_ms = (one.lasted_ms or 0) - one.waited_ms
        for duty in self._roster.on_duty(one.priority, one.raised_ms):
            if called_ms > duty.delay_ms:
                yield from self._tell(one, duty)

    def advance(self, now: Now) -> list[Tell]:
        """Whatever has become due by now. A time before one that was given is as that one."""
        before = self._now
        now = Now(max(now.steady_ms, before.steady_ms), now.utc_ms)
        found: list[Tell] = []
        calling = [one for one in self._open.values() if one.calling]
        for moment in self._moments(calling, before, now) if calling else ():
            duties = {
                priority: self._roster.on_duty(priority, moment.utc_ms)
                for priority in {one.priority for one in calling}
            }
            for one in calling:
                for duty in duties[one.priority]:
                    if moment.steady_ms - one.steady_ms >= duty.delay_ms:
                        found += self._tell(one, duty)
        self._now = now
        return found

    def _moments(self, calling: list[Occurrence], before: Now, now: Now) -> list[Now]:
        """When somebody may come to hear of one of these, after ``before`` and up to now."""
        ahead_ms = now.utc_ms - now.steady_ms
        first = max(before.steady_ms, now.steady_ms - LONGEST_LOOK_MS)
        found = {now.steady_ms}
        delays = {shift.delay_ms for shift in self._roster.shifts}
        for one in calling:
            found |= {one.steady_ms + delay for delay in delays}
        if now.steady_ms > first:
            begins = self._roster.moments(first + ahead_ms, now.utc_ms)
            found |= {at_ms - ahead_ms for at_ms in begins}
        return [Now(at, at + ahead_ms) for at in sorted(found) if first <= at <= now.steady_ms]

    def _tell(self, one: Occurrence, duty: OnDuty) -> Iterator[Tell]:
        told = (one.key, duty.person)
        if told not in self._told:
            self._told.add(told)
            yield Tell(duty.person, "alarm", one.key)

    def forget_all(self, at_ms: int) -> None:
        """Another journal: of what is open here nothing more will be heard."""
        for one in list(self._open.values()):
            self._end(one, at_ms)
        self._open.clear()

    def _begin(self, one: Occurrence) -> None:
        self._open[one.alarm] = self.changed[one.key] = one

    def _end(self, one: Occurrence, at_ms: int) -> None:
        one.end(at_ms)
        self.changed[one.key] = one

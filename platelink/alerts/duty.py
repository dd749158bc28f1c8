"""Who is on duty when, by the clock on the shop's wall. Pure.

A shift is over its days as that clock is read: in the night on which an hour is read twice it lasts
through both, and nobody misses the hour that is not read at all. So shifts that follow each other
on the clock follow each other without a gap, and without an overlap, on every day.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

RANK: Mapping[str, int] = {"high": 1, "medium": 2, "low": 3}
"""1 is the highest, as in ``Priority``."""
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Shift:
    """One shift: the days of the week on which it begins (Monday is 0), from and to."""

    name: str
    people: tuple[str, ...]
    days: frozenset[int]
    begins: time
    ends: time
    """On the next day where it is not after ``begins``; the same: a whole day."""
    least_rank: int
    """Alarms up to this rank are told; 3 is all."""
    delay_ms: int

    def day_at(self, wall: datetime) -> date | None:
        """The day on which the shift began that is on at this reading of the wall's clock."""
        today, now = wall.date(), wall.time()
        if self.begins < self.ends:
            on = self.begins <= now < self.ends
            return today if on and today.weekday() in self.days else None
        if now >= self.begins and today.weekday() in self.days:
            return today
        yesterday = today - _DAY
        return yesterday if now < self.ends and yesterday.weekday() in self.days else None


@dataclass(frozen=True, slots=True)
class OnDuty:
    """A person who hears alarms of some priorities once they have called for ``delay_ms``."""

    person: str
    delay_ms: int


@dataclass(frozen=True, slots=True)
class Roster:
    """All shifts, and who is on leave when. Times are UTC in milliseconds."""

    shifts: tuple[Shift, ...]
    leave: Mapping[str, tuple[tuple[date, date], ...]]
    zone: tzinfo

    def on_duty(self, priority: str, at_ms: int) -> tuple[OnDuty, ...]:
        """Who hears alarms of this priority then; the shortest delay of each."""
        wall = self.wall(at_ms)
        found: dict[str, int] = {}
        for shift in self.shifts:
            day = shift.day_at(wall)
            if day is None or RANK[priority] > shift.least_rank:
                continue
            for person in shift.people:
                if not self.on_leave(person, day):
                    found[person] = min(shift.delay_ms, found.get(person, shift.delay_ms))
        return tuple(OnDuty(person, delay) for person, delay in found.items())

    def on_leave(self, person: str, day: date) -> bool:
        """Is the person on leave on that day?"""
        return any(first <= day <= last for first, last in self.leave.get(person, ()))

    def moments(self, from_ms: int, until_ms: int) -> Iterator[int]:
        """Every moment in ``from < t < until`` at which somebody may come on duty."""
        day, last = self.wall(from_ms).date() - _DAY, self.wall(until_ms).date()
        while day <= last:
            for shift in self.shifts:
                for fold in (0, 1):  # read twice, it begins the first time and goes on the second
                    at = datetime.combine(day, shift.begins, self.zone).replace(fold=fold)
                    at_ms = _ms(at)
                    if from_ms < at_ms < until_ms:
                        yield at_ms
            day += _DAY

    def wall(self, at_ms: int) -> datetime:
        """What the clock on the shop's wall reads."""
        return datetime.fromtimestamp(at_ms / 1000.0, UTC).astimezone(self.zone)

    def slot(self, at: time, now_ms: int) -> tuple[date, int]:
        """The newest day on which that time of day is past, and when it was. A time that the clock
        skips is past as soon as it was skipped; of one that it reads twice the first counts."""
        day = self.wall(now_ms).date()
        while (at_ms := _ms(datetime.combine(day, at, self.zone))) > now_ms:
            day -= _DAY
        return day, at_ms

    def gaps(self, priority: str, from_ms: int, days: int) -> list[tuple[int, int]]:
        """Stretches from ``from_ms`` on, to the minute, in which nobody hears this priority."""
        first = from_ms - from_ms % 60_000
        found: list[tuple[int, int]] = []
        for at_ms in range(first, first + days * 86_400_000, 60_000):
            if self.on_duty(priority, at_ms):
                continue
            if found and found[-1][1] == at_ms:
                found[-1] = (found[-1][0], at_ms + 60_000)
            else:
                found.append((at_ms, at_ms + 60_000))
        return found


def _ms(at: datetime) -> int:
    return round(at.timestamp() * 1000)

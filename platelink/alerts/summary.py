"""What a shop wants to know of a day: counted. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from platelink.alerts.occurrence import Occurrence


@dataclass(frozen=True, slots=True)
class AlarmSum:
    """How often an alarm was raised, and for how long its condition was there, within the time."""

    alarm: str
    times: int
    stood_s: float


@dataclass(frozen=True, slots=True)
class DueDate:
    """A calibration that is due soon, or overdue."""

    sensor: str
    due_on: str


@dataclass(frozen=True, slots=True)
class Summary:
    """One day, or as many as nobody was told of. Times are UTC in milliseconds."""

    from_ms: int
    until_ms: int
    complete: int
    """Plates that came to their end."""
    good: int
    rejected: int
    broken_off: int
    """Plates that were stopped, aborted or interrupted."""
    held_s: float
    """Steps of plates, and exposures without a plate, that were held."""
    alarms: tuple[AlarmSum, ...]
    burn_h: float | None
    """Hours that the lamp set has burned; None: not known."""
    lamps_until_ms: int | None
    """When its longest step is expected to take too long; None: not foretold."""
    due: tuple[DueDate, ...]

    def plain(self) -> dict[str, Any]:
        """As JSON values."""
        return asdict(self)


def summary_of(plain: dict[str, Any]) -> Summary:
    """What ``plain`` gave."""
    alarms = tuple(AlarmSum(**one) for one in plain["alarms"])
    due = tuple(DueDate(**one) for one in plain["due"])
    return Summary(**(plain | {"alarms": alarms, "due": due}))


def alarm_sums(
    occurrences: Iterable[Occurrence], from_ms: int, until_ms: int
) -> tuple[AlarmSum, ...]:
    """By name, the longest first; what began before counts from there, what goes on up to then."""
    times: dict[str, int] = {}
    stood_ms: dict[str, int] = {}
    for one in occurrences:
        end_ms = until_ms if one.stood_until_ms is None else min(one.stood_until_ms, until_ms)
        began_ms = max(one.raised_ms, from_ms)
        times[one.alarm] = times.get(one.alarm, 0) + (one.raised_ms >= from_ms)
        stood_ms[one.alarm] = stood_ms.get(one.alarm, 0) + max(0, end_ms - began_ms)
    found = [AlarmSum(alarm, times[alarm], stood_ms[alarm] / 1000.0) for alarm in times]
    return tuple(sorted(found, key=lambda one: (-one.stood_s, -one.times, one.alarm)))


def overlap_s(spans: Iterable[tuple[int, int | None]], from_ms: int, until_ms: int) -> float:
    """How much of these spans lies within; None: it goes on."""
    found = 0
    for begin_ms, end_ms in spans:
        end = until_ms if end_ms is None else min(end_ms, until_ms)
        found += max(0, end - max(begin_ms, from_ms))
    return found / 1000.0


def due_within(dates: Iterable[tuple[str, date]], today: date, days: int) -> tuple[DueDate, ...]:
    """Calibrations due within so many days, the first due first."""
    soon = [(due, sensor) for sensor, due in dates if (due - today).days <= days]
    return tuple(DueDate(sensor, due.isoformat()) for due, sensor in sorted(soon))

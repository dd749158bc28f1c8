"""One time that an alarm called: from the move that raised it until it is over. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from platelink.control.alarm.states import Act, AlarmState

CALLING = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})
"""Somebody must act. One that returned unacknowledged calls nobody away from elsewhere."""
_STANDS = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})
_OVER = frozenset({Act.CLEARED, Act.CLEARED_LATCHED, Act.BACK_QUIET, Act.BACK_LATCHED})


class Now(NamedTuple):
    """One moment by both clocks, in milliseconds."""

    steady_ms: int
    """Of this process and those before it; never goes back. For all that lasts."""
    utc_ms: int
    """For shifts, and for people."""


@dataclass(frozen=True, slots=True)
class Move:
    """A move of an alarm, as the journal has it."""

    alarm: str
    priority: str
    to: AlarmState
    act: str
    at_ms: int
    """UTC, by the unit's own stamp."""
    since_ms: int | None = None
    """When its condition began, by the same clock."""
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    who: str | None = None
    plates: tuple[str, ...] = ()
    """Plates that it is about, as far as the record tells."""

    @property
    def over(self) -> bool:
        """The condition has ended."""
        return self.act in _OVER


@dataclass(slots=True)
class Occurrence:
    """See the file's first line. Times are UTC in milliseconds where they do not say otherwise."""

    alarm: str
    priority: str
    raised_ms: int
    steady_ms: int
    """When it was raised, by the steady clock."""
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    plates: tuple[str, ...] = ()
    state: str = AlarmState.UNACKNOWLEDGED
    stood_until_ms: int | None = None
    """When its condition ended, or nobody knew of it any more: shelved, suppressed, removed."""
    waited_ms: int = 0
    """How long its condition had been there when it was raised."""
    over_ms: int | None = None
    """When its condition ended."""
    lasted_ms: int | None = None
    """How long its condition was there, by the unit's clock that is not set."""
    acknowledged_by: str | None = None
    open: bool = True
    """More moves of it may come."""

    @property
    def key(self) -> str:
        """The same in every copy of the journal."""
        return f"{self.alarm} {self.raised_ms}"

    @property
    def calling(self) -> bool:
        """Somebody must act on it."""
        return self.open and self.state in CALLING

    def follow(self, move: Move) -> None:
        """Take a later move of the same alarm, which does not raise it."""
        if move.over and self.over_ms is None:
            self.over_ms = move.at_ms
            began_ms = self.raised_ms if move.since_ms is None else move.since_ms
            self.lasted_ms = max(0, move.at_ms - began_ms)
        if self.stood_until_ms is None and move.to not in _STANDS:
            self.stood_until_ms = move.at_ms
        if move.act == Act.ACKNOWLEDGED:
            self.acknowledged_by = move.who
        self.state = move.to
        self.open = move.to is not AlarmState.NORMAL

    def end(self, at_ms: int) -> None:
        """Nothing more will be heard of it: it was raised anew, or its journal is gone."""
        self.open = False
        if self.stood_until_ms is None:
            self.stood_until_ms = at_ms


def raised(move: Move, steady_ms: int) -> Occurrence:
    """The occurrence that a move to unacknowledged begins."""
    waited_ms = 0 if move.since_ms is None else max(0, move.at_ms - move.since_ms)
    return Occurrence(
        move.alarm, move.priority, move.at_ms, steady_ms, move.value, move.limit, move.unit,
        move.plates, waited_ms=waited_ms,
    )  # fmt: skip

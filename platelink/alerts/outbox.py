"""When what waits for a person may go by one way, and what goes together. Pure.

A message takes with it all that waits for the same person and way. It goes ``gather_ms`` after
the first that is due; what repeats an alarm told lately, and what comes in a flood, waits until
``pause_ms`` after that was told. A way that fails is tried again after a pause that grows, and
nothing is forgotten.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from platelink.backoff import Backoff

Kind = Literal["alarm", "over", "summary"]
FLOOD = 10
"""More alarms than this, in one message or told within a pause, are a flood."""
RETRY_FIRST_S = 5.0
RETRY_CAP_S = 600.0


class Way(NamedTuple):
    """One way to one person."""

    person: str
    name: str


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that a person is to hear by one way."""

    number: int
    way: Way
    kind: Kind
    key: str
    """Of the occurrence, or the day of a summary."""
    alarm: str
    """Empty for a summary."""
    steady_ms: int
    """When it came to wait."""


class Sent(NamedTuple):
    """An alarm that was told by a way."""

    alarm: str
    steady_ms: int


@dataclass(frozen=True, slots=True)
class Pace:
    """How messages are spaced."""

    gather_ms: int
    pause_ms: int


def due_ms(waiting: Sequence[Item], sent: Sequence[Sent], pace: Pace) -> int | None:
    """When a message of all that waits for one way goes; None when nothing waits.

    ``sent``: what was told by it within the last pause."""
    flood = sum(1 for one in sent if one.alarm) > FLOOD
    newest = max((one.steady_ms for one in sent), default=0)
    told: dict[str, int] = {}
    for one in sent:
        told[one.alarm] = max(one.steady_ms, told.get(one.alarm, 0))
    found = []
    for item in waiting:
        at_ms = item.steady_ms + pace.gather_ms
        if item.kind == "alarm" and item.alarm in told:
            at_ms = max(at_ms, told[item.alarm] + pace.pause_ms)
        if item.kind != "summary" and flood:
            at_ms = max(at_ms, newest + pace.pause_ms)
        found.append(at_ms)
    return min(found, default=None)


@dataclass(slots=True)
class WayState:
    """Tries of one way."""

    backoff: Backoff = field(default_factory=lambda: Backoff(RETRY_FIRST_S, RETRY_CAP_S))
    not_before_ms: int = 0
    """The steady time of the next try, after one that failed."""
    under_way: bool = False

    def may_go(self, due: int | None, steady_ms: int) -> bool:
        """A message may be sent now."""
        return due is not None and not self.under_way and steady_ms >= max(due, self.not_before_ms)

    def ended(self, well: bool, steady_ms: int) -> None:
        """A try is over."""
        self.under_way = False
        if well:
            self.backoff.succeeded()
            self.not_before_ms = 0
        else:
            self.not_before_ms = steady_ms + round(self.backoff.failed() * 1000)

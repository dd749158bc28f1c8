"""One alarm's memory: its condition, its delays, what silences it. Pure; ``alarms`` keeps them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from platelink.control.alarm.states import (
    TRANSITIONS,
    WANTS_ANSWER,
    Act,
    AlarmState,
    Definition,
    Priority,
)
from platelink.control.states import Plain


@dataclass(slots=True)
class Alarm:
    """See the file's first line. Times are host monotonic seconds."""

    definition: Definition
    state: AlarmState = AlarmState.NORMAL
    active: bool = False
    """The condition, deadband applied."""
    standing: bool = False
    """The condition, delays applied too."""
    flips_at: float = math.inf
    """When ``standing`` follows ``active``."""
    since_s: float | None = None
    value: float | None = None
    limit: float | None = None
    latched: bool = False
    """Was standing and has not been reset."""
    shelved_until: float = math.inf
    reasons: set[str] = field(default_factory=set)
    """Of suppression by design."""
    who: str | None = None
    why: str | None = None
    count: int = 0

    @property
    def until_s(self) -> float | None:
        """End of shelving, where there is one."""
        return self.shelved_until if self.shelved_until < math.inf else None

    def next_due(self) -> float:
        """When time alone changes something; infinity when never."""
        return min(self.flips_at, self.shelved_until)

    def move(self, act: Act) -> AlarmState | None:
        """Move by the table; the state before, None when the table has no such move."""
        before = self.state
        after = TRANSITIONS.get((before, act))
        if after is None:
            return None
        self.state = after
        return before

    def take(self, active: bool, value: float | None, limit: float | None, t: float) -> bool:
        """The condition as it is now; value and limit that are not finite count as None. True:
        it has begun or ended."""
        self.value, self.limit = _finite(value), _finite(limit)
        active = active or self._within_deadband()
        if active is self.active:
            return False
        self.active = active
        if active and not self.standing:
            self.since_s = t
        self.follow(t)
        return True

    def _within_deadband(self) -> bool:
        """Once active, the condition ends beyond the deadband only."""
        band = self.definition.deadband
        if not self.active or not band or self.value is None or self.limit is None:
            return False
        if self.definition.low_side:
            return self.value < self.limit + band
        return self.value > self.limit - band

    def follow(self, t: float) -> None:
        """The delay from ``active`` to ``standing`` begins now, where they differ."""
        delay_s = self.definition.on_delay_s if self.active else self.definition.off_delay_s
        differs = self.active is not self.standing
        self.flips_at = t + delay_s if differs else math.inf
        if not differs and not self.active:
            self.since_s = None

    def back(self) -> Act:
        """How it comes back from silence."""
        if self.reasons:
            return Act.BACK_SUPPRESSED
        if self.until_s is not None:
            return Act.BACK_SHELVED
        if self.standing:
            return Act.BACK_ACTIVE
        return Act.BACK_LATCHED if self.latched else Act.BACK_QUIET

    def impossible(self, act: Act) -> str:
        """Why the table does not allow what a person asks; empty when it does."""
        if (self.state, act) in TRANSITIONS:
            return ""
        if act is Act.RESET and self.state is AlarmState.LATCHED_UNACKNOWLEDGED:
            return "acknowledge it first"
        if act is Act.RESET and self.standing:
            return "its condition still stands"
        return f"it cannot be {act} now"

    def rank(self) -> tuple[bool, Priority, float]:
        """For sorting those that are not normal: first what wants an answer."""
        return (
            self.state not in WANTS_ANSWER,
            self.definition.priority,
            math.inf if self.since_s is None else self.since_s,
        )

    def sentence(self, t: float) -> str:
        """What was measured, the limit, for how long, the likely cause and the next act."""
        d = self.definition
        parts = []
        if self.value is not None:
            parts.append(f"{self.value:.4g} {d.unit}".rstrip())
        if self.limit is not None:
            parts.append(f"limit {self.limit:.4g} {d.unit}".rstrip())
        lasted_s = None if self.since_s is None else max(0.0, t - self.since_s)
        if not self.standing:
            over = f"{d.name} is over"
            if lasted_s is not None:
                over = f"{d.name} is over after {lasted_s:.0f} s"
            return f"{over}: {', '.join(parts)}" if parts else over
        if lasted_s is not None:
            parts.append(f"for {lasted_s:.0f} s")
        return f"{d.name}: {', '.join(parts) or 'now'}; likely: {d.cause}; {d.next_act}"

    def snapshot(self, t: float) -> dict[str, Plain]:
        """What a restart must not lose; times as durations."""
        return {
            "state": str(self.state),
            "latched": self.latched,
            "age_s": None if self.since_s is None else t - self.since_s,
            "value": self.value,
            "limit": self.limit,
            "shelf_left_s": None if self.until_s is None else self.shelved_until - t,
            "who": self.who,
            "why": self.why,
            "count": self.count,
        }

    def restore(self, snapshot: dict[str, Plain], down_s: float | None, t: float) -> None:
        """Take up a snapshot made ``down_s`` ago; None where that is not known.

        What stood then stands until the condition is told anew. Suppression by design is not kept:
        its reasons are told anew too. Shelving whose end is not known ends now."""
        self.state = AlarmState(str(snapshot["state"]))
        self.latched = snapshot["latched"] is True
        self.value, self.limit = _number(snapshot["value"]), _number(snapshot["limit"])
        self.count = int(_number(snapshot["count"]) or 0)
        self.who = None if snapshot["who"] is None else str(snapshot["who"])
        self.why = None if snapshot["why"] is None else str(snapshot["why"])
        if self.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED):
            self.active = self.standing = True
            self.since_s = t - (_number(snapshot["age_s"]) or 0.0) - (down_s or 0.0)
        elif self.state is AlarmState.SUPPRESSED:
            self.state = AlarmState.NORMAL
            if self.latched:
                self.state = AlarmState.LATCHED_UNACKNOWLEDGED
        left_s = _number(snapshot["shelf_left_s"])
        if left_s is not None and self.state is AlarmState.SHELVED:
            self.shelved_until = t if down_s is None else t + left_s - down_s


def _number(value: Plain) -> float | None:
    return _finite(float(value)) if isinstance(value, int | float) else None


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None

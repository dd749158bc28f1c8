"""Alarms: their life from normal to normal, as in ISA-18.2 (IEC 62682). Pure.

Conditions come from the rest of the unit; delays, deadband, shelving, suppression, first-out, rate
and flood are made here. Every change of state is an output. The moves between states are in
``alarm_states.TRANSITIONS``; ``Alarm.move`` is the only place that makes one.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable

from platelink.control.alarm.alarm import Alarm
from platelink.control.alarm.states import (
    IN_SERVICE,
    WANTS_ANSWER,
    Act,
    AlarmChanged,
    AlarmOutput,
    AlarmRefused,
    AlarmsStatus,
    AlarmState,
    AlarmStatus,
    Definition,
    FloodChanged,
)
from platelink.control.states import Plain

HOUR_S = 3600.0
FLOOD_WINDOW_S = 600.0
FLOOD_BEGINS = 10
"""More alarms than this in the window are a flood (ISA-18.2, from memory)."""
FLOOD_ENDS = 5
"""Fewer than this, and it is over (the same)."""
_REMEMBERED = 10_000
_CALLING = frozenset(IN_SERVICE) - {AlarmState.NORMAL}


class Alarms:
    """All alarms of one unit. ``now`` is host monotonic seconds; one that goes back counts as the
    one before it. Names that have no definition are refused when a person asks, and are errors of
    the program (KeyError) when the unit says them."""

    def __init__(self, definitions: Iterable[Definition], *, now: float) -> None:
        self._alarms = {d.name: Alarm(d) for d in definitions}
        self._now = now
        self._raised: deque[float] = deque(maxlen=_REMEMBERED)
        self._first: dict[str, str] = {}
        self._flood = False
        self._due: float | None = None
        """When time alone changes something; None: to be computed anew."""
        self._out: list[AlarmOutput] = []
        for alarm in self._alarms.values():
            unknown = set(alarm.definition.suppressed_by) - set(self._alarms)
            if unknown:
                raise ValueError(f"{alarm.definition.name}: suppressed by unknown {unknown}")

    # --- what the unit says ------------------------------------------------------------------

    def condition(
        self, name: str, active: bool, value: float | None, limit: float | None, *, now: float
    ) -> tuple[AlarmOutput, ...]:
        """The condition of alarm ``name`` as it is now; may be said as often as wanted."""
        alarm = self._alarms[name]
        self._advance(now)
        if alarm.take(active, value, limit, self._now):
            self._due = None
            self._advance(now)
        return self._take()

    def suppress(
        self, name: str, reason: str, active: bool, *, now: float
    ) -> tuple[AlarmOutput, ...]:
        """Suppress by design while ``reason`` lasts: where the alarm means nothing."""
        alarm = self._alarms[name]
        self._advance(now)
        self._suppress(alarm, reason, active, self._now)
        self._due = None
        self._advance(now)
        return self._take()

    def tick(self, *, now: float) -> tuple[AlarmOutput, ...]:
        """Whatever is due: delays, ends of shelving, the end of a flood."""
        self._advance(now)
        return self._take()

    def next_deadline(self) -> float | None:
        """When ``tick`` has something to do; None when never."""
        due = self._next_due()
        return due if due < math.inf else None

    def _next_due(self) -> float:
        if self._due is None:
            alarms = (alarm.next_due() for alarm in self._alarms.values())
            self._due = min((*alarms, self._flood_over()))
        return self._due

    # --- what people do ----------------------------------------------------------------------

    def acknowledge(self, name: str, who: str, *, now: float) -> tuple[AlarmOutput, ...]:
        """Someone has seen it."""
        return self._act(name, Act.ACKNOWLEDGED, who, now=now)

    def reset(self, name: str, who: str, *, now: float) -> tuple[AlarmOutput, ...]:
        """Let go of an acknowledged latched alarm whose condition is over."""
        return self._act(name, Act.RESET, who, now=now)

    def shelve(
        self, name: str, until_s: float, who: str, why: str, *, now: float
    ) -> tuple[AlarmOutput, ...]:
        """Silence until ``until_s`` (host monotonic), at most as long as the definition allows."""
        alarm = self._alarms.get(name)
        longest_s = alarm.definition.longest_shelf_s if alarm else 0.0
        problem = ""
        if longest_s <= 0.0:
            problem = "this alarm cannot be shelved; acknowledge it and act on it"
        elif not 0.0 < until_s - max(now, self._now) <= longest_s:
            problem = f"choose an end in the future, at most {longest_s / 60.0:g} min from now"
        return self._act(name, Act.SHELVED, who, why, problem=problem, until_s=until_s, now=now)

    def unshelve(self, name: str, who: str, *, now: float) -> tuple[AlarmOutput, ...]:
        """End shelving early."""
        return self._back(name, AlarmState.SHELVED, who, now)

    def out_of_service(
        self, name: str, who: str, why: str, *, now: float
    ) -> tuple[AlarmOutput, ...]:
        """Take out of service, for repair; has no end of its own."""
        return self._act(name, Act.REMOVED, who, why, now=now)

    def into_service(self, name: str, who: str, *, now: float) -> tuple[AlarmOutput, ...]:
        """Back into service."""
        return self._back(name, AlarmState.OUT_OF_SERVICE, who, now)

    def _act(
        self, name: str, act: Act, who: str, why: str | None = None,
        *, problem: str = "", until_s: float = math.inf, now: float,
    ) -> tuple[AlarmOutput, ...]:  # fmt: skip
        self._advance(now)
        self._due = None
        alarm = self._alarms.get(name)
        if not who.strip():
            problem = "no person named"
        elif why is not None and not why.strip():
            problem = "say why"
        if alarm is None:
            self._refuse(name, act, "no such alarm")
        elif problem := problem or alarm.impossible(act):
            self._refuse(name, act, f"it is {alarm.state}; {problem}")
        else:
            if act in (Act.SHELVED, Act.REMOVED):
                alarm.shelved_until = until_s
            elif act is Act.RESET:
                alarm.latched = False
            self._move(alarm, act, self._now, who.strip(), why)
        return self._take()

    def _back(self, name: str, state: AlarmState, who: str, now: float) -> tuple[AlarmOutput, ...]:
        """Let a person end the silence ``state``."""
        self._advance(now)
        self._due = None
        alarm = self._alarms.get(name)
        if alarm is None or alarm.state is not state:
            self._refuse(name, Act.BACK_QUIET, f"it is not {state}")
        elif not who.strip():
            self._refuse(name, Act.BACK_QUIET, "no person named")
        else:
            alarm.shelved_until = math.inf
            self._move(alarm, alarm.back(), self._now, who.strip(), None)
        return self._take()

    def _refuse(self, name: str, act: Act, text: str) -> None:
        self._out.append(AlarmRefused(name, act, self._now, f"{name}: {text}"))

    # --- what a face may ask -----------------------------------------------------------------

    def status(self) -> AlarmsStatus:
        """All that are not normal, as of the last input."""
        found = (a for a in self._alarms.values() if a.state is not AlarmState.NORMAL)
        alarms = sorted(found, key=Alarm.rank)
        return AlarmsStatus(
            tuple(self._status(alarm) for alarm in alarms),
            sum(alarm.state in WANTS_ANSWER for alarm in alarms),
            len(self._raised),
            self._flood,
        )

    def _status(self, alarm: Alarm) -> AlarmStatus:
        d = alarm.definition
        return AlarmStatus(
            d.name, alarm.state, d.priority, d.group, alarm.active, alarm.value, alarm.limit,
            d.unit, alarm.since_s, alarm.until_s, alarm.who, alarm.why,
            self._first.get(d.group) == d.name, alarm.count, alarm.sentence(self._now),
            d.cause, d.next_act,
        )  # fmt: skip

    def snapshot(self) -> dict[str, dict[str, Plain]]:
        """What a restart must not lose, as of the last input; alarms with nothing are left out."""
        return {
            name: alarm.snapshot(self._now)
            for name, alarm in self._alarms.items()
            if alarm.state is not AlarmState.NORMAL
        }

    def restore(
        self, snapshot: dict[str, dict[str, Plain]], *, down_s: float | None, now: float
    ) -> tuple[AlarmOutput, ...]:
        """Take up a snapshot made ``down_s`` ago (None: not known), before any other input.

        Alarms that are no longer defined are left out. What ``snapshot`` did not write is an error
        of the program: KeyError or ValueError. First-out and rate start over."""
        self._advance(now)
        for name, one in snapshot.items():
            if name in self._alarms:
                self._alarms[name].restore(one, down_s, self._now)
        self._due = None
        self._advance(now)
        return self._take()

    # --- time --------------------------------------------------------------------------------

    def _advance(self, now: float) -> None:
        """Do what is due, in its order, each at its own time: late ticks change nothing."""
        now = max(now, self._now)
        an_hour_ago = self._raised and self._raised[0] + HOUR_S <= now
        if self._next_due() > now and not an_hour_ago:
            self._now = now
            return
        while True:
            alarm = min(self._alarms.values(), key=Alarm.next_due, default=None)
            if alarm is None or alarm.next_due() > now:
                break
            t = self._now = max(self._now, alarm.next_due())
            self._look_at_flood(t)
            if alarm.shelved_until <= t:
                alarm.shelved_until = math.inf
                if alarm.state is AlarmState.SHELVED:
                    self._move(alarm, alarm.back(), t, None, "shelving has ended")
            else:
                self._stand(alarm, t)
        self._now = now
        self._look_at_flood(now)
        self._due = None

    def _stand(self, alarm: Alarm, t: float) -> None:
        """The condition has lasted through its delay."""
        alarm.flips_at = math.inf
        alarm.standing = alarm.active
        if alarm.standing:
            if alarm.state is AlarmState.SHELVED:
                alarm.latched = alarm.definition.latched
            self._move(alarm, Act.RAISED, t, None, None)
        else:
            self._move(alarm, Act.CLEARED_LATCHED if alarm.latched else Act.CLEARED, t, None, None)
            alarm.since_s = None
        self._suppress_others(alarm, t)

    def _suppress_others(self, alarm: Alarm, t: float) -> None:
        name = alarm.definition.name
        for other in self._alarms.values():
            if name in other.definition.suppressed_by:
                self._suppress(other, name, alarm.standing, t)

    def _suppress(self, alarm: Alarm, reason: str, active: bool, t: float) -> None:
        if active:
            alarm.reasons.add(reason)
            if alarm.state is not AlarmState.SUPPRESSED:
                self._move(alarm, Act.SUPPRESSED, t, None, reason)
            return
        alarm.reasons.discard(reason)
        if alarm.reasons or alarm.state is not AlarmState.SUPPRESSED:
            return
        if alarm.active and alarm.definition.on_delay_s > 0.0:
            # What was true in silence may be over with it: it must last once more.
            alarm.standing = False
            alarm.since_s = t
            alarm.follow(t)
            self._suppress_others(alarm, t)
        self._move(alarm, alarm.back(), t, None, f"{reason} is over")

    # --- moves -------------------------------------------------------------------------------

    def _move(self, alarm: Alarm, act: Act, t: float, who: str | None, why: str | None) -> None:
        before = alarm.move(act)
        if before is None:  # silent, or nothing to change
            return
        d = alarm.definition
        alarm.who, alarm.why = who, why
        if alarm.state is AlarmState.UNACKNOWLEDGED:
            alarm.count += 1
            alarm.latched = d.latched
            self._first.setdefault(d.group, d.name)
            self._raised.append(t)
        first = self._first.get(d.group) == d.name
        self._out.append(AlarmChanged(
            d.name, d.priority, d.group, before, alarm.state, act, t, alarm.value, alarm.limit,
            d.unit, alarm.since_s, first, who, why, alarm.until_s, alarm.sentence(t),
        ))  # fmt: skip
        group = (a for a in self._alarms.values() if a.definition.group == d.group)
        if not any(a.state in _CALLING for a in group):
            self._first.pop(d.group, None)
        self._look_at_flood(t)

    def _flood_over(self) -> float:
        """When, with no further alarm, the flood will be over; infinity when there is none."""
        return self._raised[-FLOOD_ENDS] + FLOOD_WINDOW_S if self._flood else math.inf

    def _look_at_flood(self, t: float) -> None:
        over_at = self._flood_over()
        if over_at <= t:
            self._flood = False
            self._out.append(FloodChanged(False, self._lately(over_at), over_at))
        elif not self._flood and self._lately(t) > FLOOD_BEGINS:
            self._flood = True
            self._out.append(FloodChanged(True, self._lately(t), t))
        while self._raised and self._raised[0] + HOUR_S <= t:
            self._raised.popleft()

    def _lately(self, t: float) -> int:
        """Alarms raised within the window."""
        count = 0
        for raised in reversed(self._raised):
            if raised + FLOOD_WINDOW_S <= t:
                break
            count += 1
        return count

    def _take(self) -> tuple[AlarmOutput, ...]:
        out, self._out = tuple(self._out), []
        return out

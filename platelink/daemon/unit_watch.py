"""The unit's alarms: conditions of all its parts gathered, changes told as events. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from platelink.control.alarm_states import (
    AlarmChanged,
    AlarmOutput,
    AlarmRefused,
    AlarmsStatus,
    Condition,
)
from platelink.control.alarms import Alarms
from platelink.control.exposure_request import TROUBLES
from platelink.control.states import Plain, earliest
from platelink.control.unit_alarms import UNIT_ALARMS
from platelink.daemon.recording import EventNoted
from platelink.link.outputs import LinkSettings
from platelink.sensing.readings import Reading

LOOK_S = 0.5
"""How often conditions are gathered."""
FIRST_LINK_S = 10.0
"""A device that has not answered this long after the start is a lost link too."""
LINK_SILENCE_S = LinkSettings().device_silence_s
STUCK_S = 30.0
"""A gauge that gives the very same value this long is not measuring: every converter has noise."""
OF_STEPS = (
    *TROUBLES, "oven over-temperature", "oven door open", "oven sensor lost",
    "oven band never reached", "stage overdue",
)  # fmt: skip
"""Conditions that a step tells; what no step tells is over."""
_NONE_OF_STEPS = {name: Condition(name, False) for name in OF_STEPS}
ACTS = ("acknowledge", "reset", "shelve", "unshelve", "remove", "return")


class UnitWatch:
    """See the file's first line. ``now`` is host monotonic seconds."""

    def __init__(self, *, now: float) -> None:
        self._alarms = Alarms(UNIT_ALARMS, now=now)
        self._began = self._link_at = now
        self._was_up = self._waited = False
        self._look_at = now
        self._same_kpa: float | None = None
        self._same_since = now
        self.changed = False
        """Since the last snapshot."""

    def status(self) -> AlarmsStatus:
        """All alarms."""
        return self._alarms.status()

    def due(self, now: float) -> bool:
        """It is time to look."""
        if now >= self._look_at:
            return True
        due = self.next_deadline()
        return due is not None and now >= due

    def look_now(self) -> None:
        """Something has changed that alarms want to know."""
        self._look_at = -math.inf

    def next_deadline(self) -> float | None:
        """When to look again though nothing comes from the device."""
        due = self._alarms.next_deadline()
        if self._was_up or self._waited:
            return due
        return earliest(due, self._began + FIRST_LINK_S)

    def look(
        self,
        told: Iterable[Condition],
        *,
        up: bool,
        reading: Reading | None,
        vacuum_on: bool,
        now: float,
        at_utc_ms: int,
    ) -> tuple[EventNoted, ...]:
        """Take the conditions of all steps going on, and of link and gauge."""
        self._look_at = now + LOOK_S
        found = _NONE_OF_STEPS.copy()
        for condition in told:
            if condition.active or not found[condition.name].active:
                found[condition.name] = condition
        found["link lost"] = self._link(up, reading, now)
        found["gauge stuck"] = self._stuck(reading, vacuum_on, now)
        outputs: list[AlarmOutput] = []
        for c in found.values():
            outputs += self._alarms.condition(c.name, c.active, c.value, c.limit, now=now)
        return self._events(outputs, now, at_utc_ms)

    def _link(self, up: bool, reading: Reading | None, now: float) -> Condition:
        if up:
            self._was_up, self._link_at = True, reading.t if reading is not None else now
        away_s = now - self._link_at
        self._waited = now - self._began >= FIRST_LINK_S
        lost = not up and (self._was_up or self._waited)
        limit_s = LINK_SILENCE_S if self._was_up else FIRST_LINK_S
        return Condition("link lost", lost, away_s, limit_s)

    def _stuck(self, reading: Reading | None, vacuum_on: bool, now: float) -> Condition:
        value = reading.vacuum_kpa if reading else None
        if value is None or value != self._same_kpa or not vacuum_on:
            self._same_kpa, self._same_since = value, now
        stuck = now - self._same_since >= STUCK_S
        return Condition("gauge stuck", stuck, value, None)

    def outside(
        self, conditions: Iterable[Condition], *, now: float, at_utc_ms: int
    ) -> tuple[EventNoted, ...]:
        """Take conditions that only the shell knows: journal, broker, calibrations."""
        outputs: list[AlarmOutput] = []
        for c in conditions:
            outputs += self._alarms.condition(c.name, c.active, c.value, c.limit, now=now)
        return self._events(outputs, now, at_utc_ms)

    def device_restarted(self, *, now: float, at_utc_ms: int) -> tuple[EventNoted, ...]:
        """The device has started anew: an alarm without a lasting condition."""
        outputs = self._alarms.condition("device restarted", True, None, None, now=now)
        outputs += self._alarms.condition("device restarted", False, None, None, now=now)
        return self._events(outputs, now, at_utc_ms)

    def ask(
        self, name: str, act: str, who: str, why: str, minutes: float | None,
        *, now: float, at_utc_ms: int,
    ) -> tuple[tuple[EventNoted, ...], str]:  # fmt: skip
        """What a person asks of an alarm: the events, and why it is refused, else empty."""
        alarms = self._alarms
        if act == "acknowledge":
            outputs = alarms.acknowledge(name, who, now=now)
        elif act == "reset":
            outputs = alarms.reset(name, who, now=now)
        elif act == "shelve":
            until_s = now + 60.0 * (minutes or 0.0)
            outputs = alarms.shelve(name, until_s, who, why, now=now)
        elif act == "unshelve":
            outputs = alarms.unshelve(name, who, now=now)
        elif act == "remove":
            outputs = alarms.out_of_service(name, who, why, now=now)
        elif act == "return":
            outputs = alarms.into_service(name, who, now=now)
        else:
            return (), f"{act}: not known; use {', '.join(ACTS)}"
        refused = next((o.text for o in outputs if isinstance(o, AlarmRefused)), "")
        return self._events(outputs, now, at_utc_ms), refused

    def snapshot(self) -> dict[str, Any]:
        """What a restart goes on from."""
        self.changed = False
        return self._alarms.snapshot()

    def restore(
        self, kept: dict[str, Any], *, down_s: float | None, now: float, at_utc_ms: int
    ) -> tuple[EventNoted, ...]:
        """Go on from a snapshot; one that cannot be read is left: alarms then begin anew."""
        try:
            outputs = self._alarms.restore(kept, down_s=down_s, now=now)
        except (KeyError, TypeError, ValueError, AttributeError):
            self._alarms = Alarms(UNIT_ALARMS, now=now)
            return ()
        for alarm in self._alarms.status().alarms:
            if alarm.name == "link lost" and alarm.active:  # still away: it does not call anew
                self._was_up = True
                self._link_at = now if alarm.since_s is None else alarm.since_s
        return self._events(outputs, now, at_utc_ms)

    def _events(
        self, outputs: Iterable[AlarmOutput], now: float, at_utc_ms: int
    ) -> tuple[EventNoted, ...]:
        events = []
        for output in outputs:
            if isinstance(output, AlarmRefused):
                continue
            self.changed = True
            at_ms = at_utc_ms - round(1000.0 * (now - output.t_s))
            if isinstance(output, AlarmChanged):
                text, data = output.text, _data(output, now, at_utc_ms)
                events.append(EventNoted(None, at_ms, "alarm", text, None, data))
            else:
                word = "flood" if output.active else "no longer a flood"
                text = f"{output.count} alarms in 10 min: {word}"
                flood: dict[str, Plain] = {"active": output.active, "count": output.count}
                events.append(EventNoted(None, at_ms, "alarm flood", text, None, flood))
        return tuple(events)


def utc_ms(t_s: float | None, now: float, at_utc_ms: int) -> int | None:
    """UTC in milliseconds of a host time."""
    return None if t_s is None else at_utc_ms - round(1000.0 * (now - t_s))


def _data(changed: AlarmChanged, now: float, at_utc_ms: int) -> dict[str, Plain]:
    return {
        "alarm": changed.name,
        "priority": changed.priority.name.lower(),
        "group": changed.group,
        "from": str(changed.before),
        "to": str(changed.after),
        "act": str(changed.act),
        "value": changed.value,
        "limit": changed.limit,
        "unit": changed.unit,
        "since_utc_ms": utc_ms(changed.since_s, now, at_utc_ms),
        "until_utc_ms": utc_ms(changed.until_s, now, at_utc_ms),
        "first_out": changed.first_out,
        "who": changed.who,
        "why": changed.why,
    }

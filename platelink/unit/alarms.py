"""The unit's alarms: conditions of all its parts gathered, changes as events. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from platelink.contract.words import AlarmAct
from platelink.control.alarm.alarms import Alarms
from platelink.control.alarm.states import (
    NOTHING,
    AlarmChanged,
    AlarmOutput,
    AlarmRefused,
    AlarmsStatus,
    AlarmState,
    Condition,
    Of,
    Source,
)
from platelink.control.alarm.unit import (
    ANOTHER_PROTOCOL,
    DEVICE_RESTARTED,
    GARBAGE_ON_THE_LINE,
    LINK_LOST,
    UNIT_ALARMS,
)
from platelink.control.states import earliest
from platelink.events.unit import AlarmFlood, AlarmMoved
from platelink.link.outputs import LinkSettings, LinkState
from platelink.sensing.readings import Reading
from platelink.unit.outputs import EventNoted, Refused
from platelink.unit.stamp import Stamp

LOOK_S = 0.5
"""How often conditions are gathered."""
FIRST_LINK_S = 10.0
"""A device that has not answered this long after the start is a lost link too."""
LINK_SILENCE_S = LinkSettings().device_silence_s
_NONE_OF_STEPS = {d.name: Condition(d, False) for d in UNIT_ALARMS if d.source is Source.STEP}
"""What no step says is over."""
_GARBAGE = tuple(Condition(GARBAGE_ON_THE_LINE, active) for active in (False, True))
_ANOTHER = tuple(Condition(ANOTHER_PROTOCOL, active) for active in (False, True))


class UnitAlarms:
    """See the file's first line. ``now`` is host monotonic seconds."""

    def __init__(self, *, now: float) -> None:
        self._alarms = Alarms(UNIT_ALARMS, now=now)
        self._began = self._link_at = now
        self._was_up = self._waited = False
        self._look_at = now
        self._exposed = NOTHING
        self._of: dict[str, Of] = {}
        """What the condition of each alarm is of."""
        self._standing: set[str] = set()
        """Alarms that are not normal: they stay of what they were raised for."""
        self._over: dict[str, Condition] = {}
        """What was said last of each alarm, where it said that there is none."""
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
        conditions: Iterable[Condition],
        *,
        up: bool,
        link: LinkState,
        reading: Reading | None,
        exposed: Of,
        at: Stamp,
    ) -> tuple[EventNoted, ...]:
        """Take the conditions of all steps going on, and of the link; ``exposed`` is what is under
        the lamps, which alarms of the unit are of."""
        now, self._exposed = at.now, exposed
        self._look_at = now + LOOK_S
        found = _NONE_OF_STEPS.copy()
        for condition in conditions:
            before = found.get(condition.name)
            if condition.active or before is None or not before.active:
                found[condition.name] = condition
        own = (
            _GARBAGE[link is LinkState.GARBAGE],
            _ANOTHER[link is LinkState.MISMATCH],
            self._link(up, reading, now),
        )
        return self._take((*found.values(), *own), at)

    def _link(self, up: bool, reading: Reading | None, now: float) -> Condition:
        if up:
            self._was_up, self._link_at = True, reading.t if reading is not None else now
        away_s = now - self._link_at
        self._waited = now >= self._began + FIRST_LINK_S  # as it is due: a difference rounds
        lost = not up and (self._was_up or self._waited)
        limit_s = LINK_SILENCE_S if self._was_up else FIRST_LINK_S
        return Condition(LINK_LOST, lost, away_s, limit_s)

    def outside(self, conditions: Iterable[Condition], *, at: Stamp) -> tuple[EventNoted, ...]:
        """Take conditions that only the shell knows: journal, broker, calibrations."""
        return self._take(conditions, at)

    def device_restarted(self, *, at: Stamp) -> tuple[EventNoted, ...]:
        """The device has started anew: an alarm without a lasting condition."""
        return self._take([Condition(DEVICE_RESTARTED, active) for active in (True, False)], at)

    def _take(self, conditions: Iterable[Condition], at: Stamp) -> tuple[EventNoted, ...]:
        outputs: list[AlarmOutput] = []
        for c in conditions:
            name = c.alarm.name
            if c.active:
                self._over.pop(name, None)
                if name not in self._standing:
                    self._of[name] = c.of if c.of != NOTHING else self._exposed
            elif self._over.get(name) is c:
                continue  # nothing new
            else:
                self._over[name] = c
            outputs += self._alarms.condition(name, c.active, c.value, c.limit, now=at.now)
        return self._events(outputs, at)

    def act(
        self, name: str, act: AlarmAct, who: str, why: str, minutes: float | None, *, at: Stamp
    ) -> tuple[EventNoted | Refused, ...]:
        """Do what a person asks of an alarm."""
        alarms, now = self._alarms, at.now
        match act:
            case AlarmAct.ACKNOWLEDGE:
                outputs = alarms.acknowledge(name, who, now=now)
            case AlarmAct.RESET:
                outputs = alarms.reset(name, who, now=now)
            case AlarmAct.SHELVE:
                until_s = now + 60.0 * (minutes or 0.0)
                outputs = alarms.shelve(name, until_s, who, why, now=now)
            case AlarmAct.UNSHELVE:
                outputs = alarms.unshelve(name, who, now=now)
            case AlarmAct.REMOVE:
                outputs = alarms.out_of_service(name, who, why, now=now)
            case AlarmAct.RETURN:
                outputs = alarms.into_service(name, who, now=now)
        refused = [Refused(o.text) for o in outputs if isinstance(o, AlarmRefused)]
        return (*self._events(outputs, at), *refused[:1])

    def snapshot(self) -> dict[str, Any]:
        """What a restart goes on from."""
        self.changed = False
        return {
            name: {**one, "of": list(self._of.get(name, NOTHING))}
            for name, one in self._alarms.snapshot().items()
        }

    def restore(
        self, snapshot: dict[str, Any], *, down_s: float | None, at: Stamp
    ) -> tuple[EventNoted, ...]:
        """Go on from a snapshot; one that cannot be read is left: alarms then begin anew."""
        self._over.clear()
        try:
            outputs = self._alarms.restore(snapshot, down_s=down_s, now=at.now)
        except (KeyError, TypeError, ValueError, AttributeError):
            self._alarms = Alarms(UNIT_ALARMS, now=at.now)
            return ()
        self._of = {name: _of(one.get("of")) for name, one in snapshot.items()}
        self._standing = set(snapshot)
        for alarm in self._alarms.status().alarms:
            if alarm.name == LINK_LOST.name and alarm.active:  # still away: it does not call anew
                self._was_up = True
                self._link_at = at.now if alarm.since_s is None else alarm.since_s
        return self._events(outputs, at)

    def _events(self, outputs: Iterable[AlarmOutput], at: Stamp) -> tuple[EventNoted, ...]:
        found = []
        for output in outputs:
            if isinstance(output, AlarmRefused):
                continue
            self.changed = True
            if isinstance(output, AlarmChanged):
                event, text = _moved(output, self._of.get(output.name, NOTHING), at), output.text
                stands = output.after is not AlarmState.NORMAL
                (self._standing.add if stands else self._standing.discard)(output.name)
                found.append(EventNoted(None, at.utc_ms_at(output.t_s), event, text))
            else:
                word = "flood" if output.active else "no longer a flood"
                text = f"{output.count} alarms in 10 min: {word}"
                flood = AlarmFlood(output.active, output.count)
                found.append(EventNoted(None, at.utc_ms_at(output.t_s), flood, text))
        return tuple(found)


def utc_ms(t_s: float | None, at: Stamp) -> int | None:
    """UTC in milliseconds of a host time."""
    return None if t_s is None else at.utc_ms_at(t_s)


def _of(kept: object) -> Of:
    """As a snapshot has it; nothing in one of an older release."""
    match kept:
        case [str() | None as run, str() | None as plate]:
            return Of(run, plate)
    return NOTHING


def _moved(changed: AlarmChanged, of: Of, at: Stamp) -> AlarmMoved:
    return AlarmMoved(
        alarm=changed.name,
        priority=changed.priority.name.lower(),
        group=changed.group,
        from_=str(changed.before),
        to=str(changed.after),
        act=str(changed.act),
        value=changed.value,
        limit=changed.limit,
        unit=changed.unit,
        since_utc_ms=utc_ms(changed.since_s, at),
        until_utc_ms=utc_ms(changed.until_s, at),
        first_out=changed.first_out,
        who=changed.who,
        why=changed.why,
        of_run=of.run,
        plate=of.plate,
    )

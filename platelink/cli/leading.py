"""A person led through one plate: what is printed when, and which key does what. Pure.

Fed with the lines of the unit; gives texts to print, the status line, and the keys possible now.
"""

from __future__ import annotations

from typing import NamedTuple

from platelink.cli.plate_text import LIGHT_OR_HEAT, progress, step_title, to_do
from platelink.cli.quantities import Display, clean, quantity
from platelink.contract.plates import PlateBrief
from platelink.contract.texts import said
from platelink.contract.unit import (
    Alarm,
    EndedLine,
    EventLine,
    LiveLine,
    Status,
    StatusLine,
    UnitEvent,
)
from platelink.events.event import EventName, for_people, read
from platelink.events.steps import StepMoved

BELL = "\a"
NOT_RECORDED = "  (not recorded yet: the journal cannot be written)"
LEAVE, SEEN = "leave", "acknowledge"
ENTER = ("\r", "\n")
_FORWARD = ("begin", "done", "measure")
"""The acts that lead on: Enter does the one that is possible."""
_KEYS = {
    "b": "begin", "d": "done", "m": "measure", "h": "hold", "r": "restart", "s": "stop",
    "a": "abort", "x": "skip", "c": SEEN, "q": LEAVE,
}  # fmt: skip
_SHOWN = frozenset(
    {
        EventName.LAMP_ON, EventName.LAMP_OFF, EventName.HELD, EventName.RESTARTED,
        EventName.STAGE_DUE, EventName.STAGE_OVERDUE, EventName.STAGE_ENDED,
        EventName.DEVIATION, EventName.INSPECTED, EventName.IN_BAND, EventName.OUT_OF_BAND,
        EventName.OVEN_DOOR_OPEN, EventName.OVEN_DOOR_CLOSED, EventName.OVEN_OVER_TEMPERATURE,
        EventName.EXPOSURE_RECOVERED, EventName.PLATE_RESUMED, EventName.PLATE_ENDED,
        EventName.WATER_TYPED, EventName.WATER_IN_BAND, EventName.WATER_OUT_OF_BAND,
    }
)  # fmt: skip
"""Events that a person at the unit wants to hear; the record has them all."""
_CALLING = frozenset(
    {EventName.STAGE_DUE, EventName.STAGE_OVERDUE, EventName.OVEN_OVER_TEMPERATURE}
)


class Key(NamedTuple):
    """One key and what it does."""

    key: str
    act: str
    text: str


class Leader:
    """See the file's first lines. ``rights`` are the service's names of the person's rights."""

    def __init__(
        self, plate: str, runs: set[str], rights: frozenset[str], display: Display
    ) -> None:
        self.plate = plate
        self.ended: EndedLine | None = None
        """The plate's end, once it has come."""
        self.brief: PlateBrief | None = None
        """The plate as it is."""
        self.gone = False
        """The unit has it no more among its plates in progress."""
        self._runs = {plate, *runs}
        self._rights = rights
        self._display = display
        self._at: _Place | None = None
        self._keys_shown = ""
        self._alarms: dict[str, str] = {}
        self._unrecorded = False
        """Something was told that waits to be written."""

    def take(self, line: LiveLine) -> list[str]:
        """One line of the unit; what is to be printed because of it."""
        match line:
            case StatusLine(status=status):
                return [*self._status(status), *self._new_keys()]
            case EventLine(event=event):
                self._unrecorded = self._unrecorded or bool(line.unrecorded)
                return [text + _mark(line) for text in self._event(event)]
            case EndedLine(ended=self.plate):
                self.ended = line
        return []

    @property
    def status_text(self) -> str:
        """The line that changes all the time."""
        return "" if self.brief is None else f"  {progress(self.brief, self._display)}"

    def _new_keys(self) -> list[str]:
        """The keys, where they are others than were shown."""
        text = "   ".join(f"{key.key}  {key.text}" for key in self.offered())
        if self.brief is None or text == self._keys_shown:
            return []
        self._keys_shown = text
        return [f"  keys:  {text}"]

    def offered(self) -> list[Key]:
        """Keys that do something now; the first is also done by Enter when it leads on."""
        possible = self.brief.now.acts if self.brief else ()
        acts = [act for act in possible if self._may(act)]
        if self._may(SEEN) and self.unacknowledged():
            acts.append(SEEN)
        found = [Key(key, act, act) for key, act in _KEYS.items() if act in (*acts, LEAVE)]
        if self._leads_on(found[0].act):
            found[0] = found[0]._replace(text=f"or Enter  {found[0].act}")
        return found

    def _leads_on(self, act: str) -> bool:
        """Enter does it. A timed stage is ended early by its own key only, never by a key that was
        pressed once too often."""
        stage = self.brief.now.stage if self.brief else None
        timed = stage is not None and stage.planned_s is not None and not stage.due
        return act in _FORWARD and not (act == "done" and timed)

    def act_of(self, key: str) -> str | None:
        """What a key does now."""
        keys = self.offered()
        if key in ENTER:
            return keys[0].act if self._leads_on(keys[0].act) else None
        return next((one.act for one in keys if one.key == key.lower()), None)

    def asks_first(self, act: str) -> bool:
        """Light or heat may begin by it."""
        kind = self.brief.now.kind if self.brief else ""
        return kind in LIGHT_OR_HEAT and act in ("begin", "restart")

    def lit(self) -> bool:
        """An exposure of the plate may give light."""
        if self.brief is None:
            return False
        return self.brief.now.kind == "expose" and "hold" in self.brief.now.acts

    def unacknowledged(self) -> list[str]:
        """Alarms that want to be acknowledged."""
        return [name for name, state in self._alarms.items() if state.endswith("unacknowledged")]

    def _may(self, act: str) -> bool:
        right = {"skip": "skip_steps", SEEN: "answer_alarms"}.get(act, "run")
        return right in self._rights

    def _status(self, status: Status) -> list[str]:
        said = self._new_alarms(status.alarms.list)
        if self._unrecorded and status.journal.pending == 0:
            self._unrecorded = False
            said.append("  everything is recorded now")
        self.brief = next((p for p in status.plates if p.plate == self.plate), None)
        # a status from before its making has it not
        self.gone = self.brief is None and self._at is not None
        return said if self.brief is None else [*said, *self._step(self.brief)]

    def _step(self, plate: PlateBrief) -> list[str]:
        """What to do, where that is another thing than before."""
        now, before = plate.now, self._at
        at = _Place(plate.step, now.stage.number if now.stage else None, now.state == "ready")
        self._at = at
        if before is None or at.step != before.step:
            return ["", step_title(plate), *(f"  {text}" for text in to_do(now))]
        if at != before and now.stage and not at.ready:
            return [f"  {clean(now.stage.name or '')}: {clean(said(now.stage.prompt))}"]
        return []

    def _new_alarms(self, alarms: list[Alarm]) -> list[str]:
        before, self._alarms = self._alarms, {alarm.name: alarm.state for alarm in alarms}
        return [
            _alarm(alarm)
            for alarm in alarms
            if alarm.state == "unacknowledged" and before.get(alarm.name) != alarm.state
        ]

    def _event(self, event: UnitEvent) -> list[str]:
        if event.run_id == self.plate:
            move = read(StepMoved, event.name, event.data)
            if move is not None and move.run_id:
                self._runs.add(move.run_id)
        if event.run_id not in self._runs or event.name not in _SHOWN:
            return []
        bell = BELL if event.name in _CALLING else ""
        return [clean(f"  {event.at_utc[11:19]}  {for_people(event.name)}: {event.text}") + bell]


class _Place(NamedTuple):
    """Where a plate is, as far as it changes what a person is to do."""

    step: int | None
    stage: int | None
    ready: bool


def _mark(line: EventLine) -> str:
    return NOT_RECORDED if line.unrecorded else ""


def _alarm(alarm: Alarm) -> str:
    value, limit = quantity(alarm.value, alarm.unit), quantity(alarm.limit, alarm.unit)
    measured = f"{value}, limit {limit}; " if value and limit else f"{value}; " if value else ""
    text = f"ALARM ({alarm.priority})  {alarm.name}: {measured}{alarm.next_act}"
    return clean(text) + BELL

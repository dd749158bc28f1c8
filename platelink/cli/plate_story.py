"""A plate's whole story from the journal: steps, runs, stages, inspection, alarms, people.

``read_story`` reads it, the rest makes text of it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, TypeVar

from platelink.cli.plate_figures import (
    Part,
    alarms_table,
    indented_table,
    inspection,
    planned_steps,
    run_tables,
    since,
    stages_table,
)
from platelink.cli.plate_text import KINDS, clock
from platelink.cli.quantities import Display, clean
from platelink.cli.tables import Column, local_with_zone, pairs
from platelink.contract.runs import PlateEnd
from platelink.control.alarm.states import AlarmState
from platelink.control.procedure.table import Move, StepState
from platelink.events.event import Event, EventName, read
from platelink.events.steps import Inspected, PlateMade, StageEnded, StepMoved, WaterTyped
from platelink.events.unit import AlarmMoved, Asked

if TYPE_CHECKING:
    from platelink.record.reader import JournalReader
    from platelink.record.stored import RunRecord
    from platelink.runs import RunEvent

_E = TypeVar("_E", bound=Event)
MOST_ALARMS = 1000
"""More than any plate has."""


@dataclass(frozen=True, slots=True)
class Story:
    """What the journal holds of one plate."""

    run: RunRecord
    events: Sequence[RunEvent]
    parts: Sequence[RunRecord]
    """Its exposures and bakes, oldest first."""
    alarms: Sequence[RunEvent]
    """Moves of alarms while it was in flight, oldest first."""


def read_story(reader: JournalReader, run: RunRecord) -> Story:
    """Everything about a plate."""
    plate, begun, end = run.start.run_id, run.start.at_utc, run.end
    until = end.at_utc + timedelta(milliseconds=1) if end else None
    outside = reader.unit_events(since=begun, until=until, limit=MOST_ALARMS)
    alarms = [event for event in reversed(outside) if _calls(event)]
    return Story(run, reader.events(plate), reader.parts(plate), alarms)


def _read(kind: type[_E], event: RunEvent) -> _E | None:
    return read(kind, event.name, event.data)


def _of_kind(kind: type[_E], events: Sequence[RunEvent]) -> Iterator[tuple[RunEvent, _E]]:
    """Events of a kind, each as the record has it and as it reads."""
    for event in events:
        if (found := _read(kind, event)) is not None:
            yield event, found


def _calls(event: RunEvent) -> bool:
    """A move of an alarm that a person was called by, or made; not one into or out of silence by
    design."""
    move = _read(AlarmMoved, event)
    if move is None or move.to == AlarmState.SUPPRESSED:
        return False
    return move.from_ != AlarmState.SUPPRESSED or move.to != AlarmState.NORMAL


def story_parts(story: Story, display: Display) -> Iterator[Part]:
    """(title, text) of each part of the page."""
    yield "", _head(story.run)
    yield "STEPS", _steps(story)
    yield from run_tables(story.parts, display)
    if stages := [stage for _, stage in _of_kind(StageEnded, story.events)]:
        yield "STAGES", stages_table(stages, display)
    for _, found in _of_kind(Inspected, story.events):
        yield "INSPECTION", inspection(story.run, found)
    deviations = [event.text for event in story.events if event.name == EventName.DEVIATION]
    if deviations:
        yield "DEVIATIONS", "\n".join(f"  {clean(text)}" for text in deviations)
    if moves := [(event.at_utc, move) for event, move in _of_kind(AlarmMoved, story.alarms)]:
        yield "ALARMS MEANWHILE", alarms_table(moves, story.run.start.at_utc)
    yield "PEOPLE", pairs(_people(story))


def _head(run: RunRecord) -> str:
    start, end, request = run.start, run.end, run.start.request
    recipe, area_cm2 = request.get("recipe"), request.get("area_cm2")
    title = recipe.get("title") if isinstance(recipe, dict) else None
    rows = [
        ("recipe", f"{request.get('revision')}, {title}, SHA-256 {str(request.get('hash'))[:12]}"),
        ("state", f"{end.state}: {end.reason}" if end else "no end yet: in flight, or cut short"),
        ("verdict", PlateEnd.model_validate(end.data).verdict if end else ""),
        ("made", f"{local_with_zone(start.at_utc)} by {start.operator}"),
    ]
    if end:
        lasted_s = (end.at_utc - start.at_utc).total_seconds()
        rows.append(("ended", f"{local_with_zone(end.at_utc)}, after {clock(lasted_s)} min"))
    rows += [
        ("job", start.job or ""),
        ("lot", str(request.get("lot") or "")),
        ("area", "" if area_cm2 is None else f"{area_cm2:g} cm²"),
        ("note", start.note or ""),
        ("unit", start.unit),
    ]
    return f"PLATE {start.run_id}\n{pairs([(name, clean(text)) for name, text in rows if text])}"


@dataclass(slots=True)
class _Step:
    """One step as its moves tell it."""

    name: str
    kind: str
    state: str = StepState.WAITING
    begun: datetime | None = None
    ended: datetime | None = None
    who: str = ""
    reason: str = ""
    holds: int = 0


_OVER = (StepState.COMPLETE, StepState.SKIPPED, StepState.STOPPED, StepState.ABORTED)
_STEPS = (
    Column("STEP", least=8), Column("KIND", spare=3), Column("STATE"), Column("BEGUN", spare=2),
    Column("TOOK", right=True, spare=1), Column("HOLDS", right=True, spare=4),
    Column("BY", least=6, spare=5), Column("RESULT", least=12, spare=1),
)  # fmt: skip


def _steps(story: Story) -> str:
    steps = [_Step(planned.name, planned.kind) for planned in planned_steps(story.run)]
    for event, move in _of_kind(StepMoved, story.events):
        if move.step < len(steps):
            _move(steps[move.step], move, event.at_utc)
    return indented_table(_STEPS, [_step_row(step, story.run.start.at_utc) for step in steps])


def _move(step: _Step, move: StepMoved, at_utc: datetime) -> None:
    step.state, step.reason = move.to, move.reason
    if move.move == Move.BEGIN:
        step.begun, step.who = at_utc, move.who or ""
    if step.state in _OVER:
        step.ended = at_utc
        step.who = step.who or move.who or ""
    step.holds += step.state == StepState.HELD


def _step_row(step: _Step, plate_begun: datetime) -> list[str]:
    took = (step.ended - step.begun).total_seconds() if step.begun and step.ended else None
    return [
        step.name,
        KINDS.get(step.kind, step.kind),
        step.state,
        "" if step.begun is None else since(step.begun, plate_begun),
        "" if took is None else clock(took),
        str(step.holds or ""),
        step.who,
        step.reason,
    ]


def _people(story: Story) -> list[tuple[str, str]]:
    """Who did what, how often."""
    acts: dict[str, Counter[str]] = {}
    for event in (*story.events, *story.alarms):
        who, what = _deed(event)
        if who:
            acts.setdefault(who, Counter())[what] += 1
    return [
        (clean(who), ", ".join(f"{what} {n}x" if n > 1 else what for what, n in did.items()))
        for who, did in acts.items()
    ]


_OF_PEOPLE: tuple[type[Event], ...] = (
    PlateMade, StepMoved, Asked, StageEnded, WaterTyped, Inspected, AlarmMoved,
)  # fmt: skip


def _deed(event: RunEvent) -> tuple[str | None, str]:
    """Who did something, and what; nobody of an event that happened by itself."""
    match next((found for kind in _OF_PEOPLE if (found := _read(kind, event))), None):
        case PlateMade(who=who):
            return who, "made it"
        case (
            StepMoved(who=who, move=what) | Asked(who=who, act=what) | AlarmMoved(who=who, act=what)
        ):
            return who, what
        case StageEnded(who=who):
            return who, "done"
        case WaterTyped(who=who):
            return who, "measured the water"
        case Inspected(who=who):
            return who, "measured"
    return None, ""

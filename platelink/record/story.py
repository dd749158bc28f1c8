"""What happened to a plate, an exposure or a bake, read from its record. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Protocol, TypeVar

from platelink.contract.base import Json
from platelink.contract.story import (
    AlarmTold,
    CheckTold,
    DepthTold,
    Did,
    Mark,
    PersonTold,
    RunStory,
    StageTold,
    StepTold,
)
from platelink.events.event import Event, EventName, read
from platelink.events.light import Aborting, ContactWeaker, Holding, Stopping
from platelink.events.steps import (
    Inspected,
    OvenDoorClosed,
    OvenDoorOpen,
    PlateMade,
    StageEnded,
    StepMoved,
    WaterTyped,
)
from platelink.events.unit import AlarmMoved, Asked
from platelink.record.stored import RunRecord
from platelink.runs import RunEvent

_E = TypeVar("_E", bound=Event)
MOST_ALARMS = 1000
"""More than any plate has."""
_OVER = ("complete", "skipped", "stopped", "aborted")
_SILENT, _NORMAL = "suppressed by design", "normal"


class Runs(Protocol):
    """What a story is read from: a journal, or the files of a sealed record."""

    def events(self, run_id: str) -> list[RunEvent]:
        """Events of a run, in order."""

    def parts(self, plate: str) -> list[RunRecord]:
        """Exposures and bakes of a plate, oldest first."""

    def unit_events(
        self, *, since: datetime | None = None, until: datetime | None = None, limit: int = 100
    ) -> list[RunEvent]:
        """Events outside runs, newest first, in ``since <= t < until``."""


def story_of(reader: Runs, run: RunRecord) -> RunStory:
    """Everything that happened to a run; of a plate with its exposures and bakes."""
    run_id, events = run.start.run_id, reader.events(run.start.run_id)
    plate = run.start.plate if run.start.run_kind == "bake" else None
    beside = reader.events(plate) if plate and plate != run_id else []
    parts = reader.parts(run_id) if run.start.run_kind == "plate" else [run]
    of_parts = {part.start.run_id: reader.events(part.start.run_id) for part in parts}
    alarms = alarms_of(reader, run)
    notes = [found.note for _, found in _of_kind(Inspected, events) if found.note]
    return RunStory(
        run_id=run_id,
        steps=_steps(run, events, of_parts),
        stages=[_stage(stage) for _, stage in _of_kind(StageEnded, events)],
        depths=depths_of(run, events),
        checks=_checks(run, events),
        inspection_note="; ".join(notes),
        deviations=[event.text for event in events if event.name == EventName.DEVIATION],
        alarms=[_alarm(event, moved) for event, moved in alarms],
        people=_people([*events, *(event for event, _ in alarms)]),
        marks=_marks(parts, of_parts, beside or events, alarms),
    )


def _of_kind(kind: type[_E], events: Sequence[RunEvent]) -> Iterator[tuple[RunEvent, _E]]:
    """Events of a kind, each as the record has it and as it reads."""
    for event in events:
        if (found := read(kind, event.name, event.data)) is not None:
            yield event, found


def _utc(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds")


# --- steps -------------------------------------------------------------------------------------


def planned(run: RunRecord) -> list[Json]:
    """The steps of a plate's recipe, as its start has them."""
    recipe = run.start.request.get("recipe")
    steps = recipe.get("step") if isinstance(recipe, dict) else None
    return [step for step in steps if isinstance(step, dict)] if isinstance(steps, list) else []


class _Step:
    """One step as its moves tell it."""

    def __init__(self, step: Json) -> None:
        self.name, self.kind = str(step.get("name", "")), str(step.get("kind", ""))
        self.state, self.who, self.reason = "waiting", "", ""
        self.begun: datetime | None = None
        self.ended: datetime | None = None
        self.holds = 0
        self.runs: list[str] = []

    def move(self, move: StepMoved, at_utc: datetime) -> None:
        self.state, self.reason = move.to, move.reason
        if move.run_id and move.run_id not in self.runs:
            self.runs.append(move.run_id)
        if move.move == "begin":
            self.begun, self.who = at_utc, move.who or ""
        if self.state in _OVER:
            self.ended = at_utc
            self.who = self.who or move.who or ""
        self.holds += self.state == "held"

    def told(self, causes: list[str]) -> StepTold:
        took = (self.ended - self.begun).total_seconds() if self.begun and self.ended else None
        return StepTold(
            name=self.name, kind=self.kind, state=self.state,
            begun_utc=_utc(self.begun) if self.begun else None, took_s=took, holds=self.holds,
            causes=causes, by=self.who, reason=self.reason, runs=self.runs,
        )  # fmt: skip


def _steps(
    run: RunRecord, events: Sequence[RunEvent], of_parts: dict[str, list[RunEvent]]
) -> list[StepTold]:
    steps = [_Step(step) for step in planned(run)]
    present: list[_Step | None] = []
    for event in events:
        move = read(StepMoved, event.name, event.data)
        if move is not None and move.step < len(steps):
            steps[move.step].move(move, event.at_utc)
            present.append(steps[move.step])
        else:
            present.append(present[-1] if present else None)
    return [
        step.told(_causes([
            *(event for event, at in zip(events, present, strict=True) if at is step),
            *(event for run_id in step.runs for event in of_parts.get(run_id, ())),
        ]))
        for step in steps
    ]  # fmt: skip


def _causes(events: Sequence[RunEvent]) -> list[str]:
    found: dict[str, None] = {}
    for event in events:
        left = (
            read(Holding, event.name, event.data)
            or read(Stopping, event.name, event.data)
            or read(Aborting, event.name, event.data)
        )
        if left is not None and left.cause is not None:
            found[str(left.cause)] = None
    return list(found)


def _stage(stage: StageEnded) -> StageTold:
    return StageTold(
        name=stage.name_, planned_s=stage.planned_s, actual_s=stage.actual_s, held_s=stage.held_s,
        how=stage.verdict, water_mean_c=stage.water_mean_c, by=stage.who or "",
    )  # fmt: skip


# --- inspection --------------------------------------------------------------------------------


def depths_of(run: RunRecord, events: Sequence[RunEvent]) -> list[DepthTold]:
    """Of each point that was measured, as it was corrected, with its limits."""
    limits = {str(p.get("name")): p for p in named_in(run, "point")}
    now = {one.field: one.now for one in run.summary.corrections}
    found = []
    for _, inspected in _of_kind(Inspected, events):
        for point, recorded in inspected.points_um.items():
            new = now.get(f"depth {point}")
            um = float(new) if isinstance(new, int | float) else recorded
            low, high = (_number(limits.get(point, {}).get(key)) for key in ("low_um", "high_um"))
            within = low <= um <= high if low is not None and high is not None else None
            found.append(DepthTold(
                point=point, recorded_um=recorded, um=um, corrected=new is not None,
                low_um=low, high_um=high, within=within,
            ))  # fmt: skip
    return found


def _checks(run: RunRecord, events: Sequence[RunEvent]) -> list[CheckTold]:
    questions = {str(c.get("name")): str(c.get("question", "")) for c in named_in(run, "check")}
    return [
        CheckTold(name=name, question=questions.get(name, ""), yes=yes)
        for _, inspected in _of_kind(Inspected, events)
        for name, yes in inspected.checks.items()
    ]


def named_in(run: RunRecord, key: str) -> Iterator[Json]:
    """Tables of this name in any step of a plate's recipe."""
    for step in planned(run):
        found = step.get(key)
        for one in found if isinstance(found, list) else ():
            if isinstance(one, dict):
                yield one


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


# --- alarms and people -------------------------------------------------------------------------


def alarms_of(reader: Runs, run: RunRecord) -> list[tuple[RunEvent, AlarmMoved]]:
    """Moves of alarms that a person was called by, or made, while it was made, oldest first: those
    that name it, and those that name nothing (an older release, or the unit's own)."""
    begun, end, me = run.start.at_utc, run.end, run.start.run_id
    until = end.at_utc + timedelta(milliseconds=1) if end else None
    outside = reversed(reader.unit_events(since=begun, until=until, limit=MOST_ALARMS))
    found = _of_kind(AlarmMoved, list(outside))
    return [(event, moved) for event, moved in found if _calls(moved) and _is_of(moved, me)]


def _is_of(moved: AlarmMoved, run_id: str) -> bool:
    return not (moved.of_run or moved.plate) or run_id in (moved.of_run, moved.plate)


def _calls(move: AlarmMoved) -> bool:
    """Not a move into or out of silence by design."""
    return move.to != _SILENT and (move.from_ != _SILENT or move.to != _NORMAL)


def _alarm(event: RunEvent, moved: AlarmMoved) -> AlarmTold:
    return AlarmTold(
        at_utc=_utc(event.at_utc), alarm=moved.alarm, priority=moved.priority, became=moved.to,
        value=moved.value, limit=moved.limit, unit=moved.unit, by=moved.who or "",
        why=moved.why or "", of_run=moved.of_run,
    )  # fmt: skip


def _people(events: Sequence[RunEvent]) -> list[PersonTold]:
    acts: dict[str, Counter[str]] = {}
    for event in events:
        who, what = _deed(event)
        if who:
            acts.setdefault(who, Counter())[what] += 1
    return [
        PersonTold(name=who, did=[Did(what=what, times=n) for what, n in did.items()])
        for who, did in acts.items()
    ]


_OF_PEOPLE: tuple[type[Event], ...] = (
    PlateMade, StepMoved, Asked, StageEnded, WaterTyped, Inspected, AlarmMoved,
)  # fmt: skip


def _deed(event: RunEvent) -> tuple[str | None, str]:
    """Who did something, and what; nobody of an event that happened by itself."""
    for kind in _OF_PEOPLE:
        match read(kind, event.name, event.data):
            case PlateMade(who=who):
                return who, "made it"
            case (
                StepMoved(who=who, move=what)
                | Asked(who=who, act=what)
                | AlarmMoved(who=who, act=what)
            ):
                return who, what
            case StageEnded(who=who):
                return who, "done"
            case WaterTyped(who=who):
                return who, "measured the water"
            case Inspected(who=who):
                return who, "measured"
    return None, ""


# --- marks on the curves -----------------------------------------------------------------------


def _marks(
    parts: Sequence[RunRecord], of_parts: dict[str, list[RunEvent]],
    of_plate: Sequence[RunEvent], alarms: Sequence[tuple[RunEvent, AlarmMoved]],
) -> list[Mark]:  # fmt: skip
    found: list[Mark] = []
    for part in parts:
        run_id, begun, end = part.start.run_id, part.start.at_utc, part.end
        own, seen = of_parts[run_id], set[str]()
        if part.start.run_kind == "bake":  # its own run has temperatures, the plate's what happened
            until = end.at_utc if end else None
            inside = (e for e in of_plate if begun <= e.at_utc and (not until or e.at_utc <= until))
            own = [*own, *inside]
        raised = (
            Mark(run_id=run_id, at_utc=_utc(event.at_utc), kind="alarm", text=event.text)
            for event, moved in alarms
            if moved.of_run == run_id and moved.to == "unacknowledged"
        )
        for mark in (*(one for event in own if (one := _mark(run_id, event))), *raised):
            if (key := f"{mark.at_utc} {mark.kind} {mark.text}") not in seen:
                seen.add(key)
                found.append(mark)
    return sorted(found, key=lambda mark: mark.at_utc)


_KINDS: tuple[tuple[type[Event], str], ...] = (
    (Holding, "hold"), (Stopping, "hold"), (Aborting, "hold"), (ContactWeaker, "leak"),
    (OvenDoorOpen, "door"), (OvenDoorClosed, "door"), (Asked, "act"),
)  # fmt: skip


def _mark(run_id: str, event: RunEvent) -> Mark | None:
    kind = next((word for of, word in _KINDS if event.name == of.NAME), None)
    if kind is None:
        return None
    text = f"{event.name}: {event.text}" if event.text else event.name
    return Mark.model_validate(
        {"run_id": run_id, "at_utc": _utc(event.at_utc), "kind": kind, "text": text}
    )

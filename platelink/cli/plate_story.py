"""A plate's whole story from the journal: steps, runs, stages, inspection, alarms, people.

``gathered`` reads it, the rest is pure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from platelink.cli.plate_figures import (
    Facts,
    Part,
    alarms_table,
    indented_table,
    inspection,
    recipe_steps,
    run_tables,
    since,
    stages_table,
)
from platelink.cli.plate_text import KINDS, clock
from platelink.cli.quantities import Display, clean
from platelink.cli.tables import Column, local_with_zone, pairs
from platelink.control.alarm_states import AlarmState

if TYPE_CHECKING:
    from platelink.record.reader import JournalReader, RunRecord
    from platelink.runs import RunEvent

MOST = 1000
"""Runs and alarms of a plate at most: more than any has."""


@dataclass(frozen=True, slots=True)
class Story:
    """What the journal holds of one plate."""

    run: RunRecord
    events: Sequence[RunEvent]
    parts: Sequence[RunRecord]
    """Its exposures and bakes, oldest first."""
    alarms: Sequence[RunEvent]
    """Moves of alarms while it was in flight, oldest first."""


def gathered(reader: JournalReader, run: RunRecord) -> Story:
    """Everything about a plate."""
    start, end = run.start, run.end
    parts = reader.runs(plate=start.run_id, since=start.at_utc, limit=MOST)
    until = end.at_utc + timedelta(milliseconds=1) if end else None
    outside = reader.unit_events(since=start.at_utc, until=until, limit=MOST)
    return Story(
        run,
        reader.events(start.run_id),
        [part for part in reversed(parts) if part.start.run_id != start.run_id],
        [event for event in reversed(outside) if event.name == "alarm" and _called(event)],
    )


def _called(event: RunEvent) -> bool:
    """A move that a person was called by, or made; not one into or out of silence by design."""
    silent = AlarmState.SUPPRESSED
    quiet = (silent, AlarmState.NORMAL)
    before, after = event.data.get("from"), event.data.get("to")
    return after != silent and not (before == silent and after in quiet)


def told(story: Story, display: Display) -> Iterator[Part]:
    """(title, text) of each part of the page."""
    yield "", _head(story)
    yield "STEPS", _steps(story)
    yield from run_tables(story.parts, display)
    stages = [event.data for event in story.events if event.name == "stage ended"]
    if stages:
        yield "STAGES", stages_table(stages, display)
    for event in story.events:
        if event.name == "inspected":
            yield "INSPECTION", inspection(story.run, event.data)
    deviations = [event.text for event in story.events if event.name == "deviation"]
    if deviations:
        yield "DEVIATIONS", "\n".join(f"  {clean(text)}" for text in deviations)
    if story.alarms:
        yield "ALARMS MEANWHILE", alarms_table(story.alarms, story.run.start.at_utc)
    yield "PEOPLE", pairs(_people(story))


def _head(story: Story) -> str:
    start, end = story.run.start, story.run.end
    asked: Facts = start.request
    data: Facts = end.data if end else {}
    recipe = asked.get("recipe")
    title = recipe.get("title") if isinstance(recipe, dict) else None
    area = asked.get("area_cm2")
    verdict = " ".join([data.get("judgement") or "", *data.get("defects", [])]).strip()
    rows = [
        ("recipe", f"{asked.get('revision')}, {title}, SHA-256 {str(asked.get('hash'))[:12]}"),
        ("state", f"{end.state}: {end.reason}" if end else "no end yet: in flight, or cut short"),
        ("verdict", verdict),
        ("made", f"{local_with_zone(start.at_utc)} by {start.operator}"),
    ]
    if end:
        lasted_s = (end.at_utc - start.at_utc).total_seconds()
        rows.append(("ended", f"{local_with_zone(end.at_utc)}, after {clock(lasted_s)} min"))
    rows += [
        ("job", start.job or ""),
        ("lot", str(asked.get("lot") or "")),
        ("area", "" if area is None else f"{area:g} cm²"),
        ("note", start.note or ""),
        ("unit", start.unit),
    ]
    return f"PLATE {start.run_id}\n{pairs([(name, clean(text)) for name, text in rows if text])}"


@dataclass(slots=True)
class _Step:
    """One step as its moves tell it."""

    name: str
    kind: str
    state: str = "waiting"
    begun: datetime | None = None
    ended: datetime | None = None
    who: str = ""
    reason: str = ""
    holds: int = 0


_OVER = ("complete", "skipped", "stopped", "aborted")
_STEPS = (
    Column("STEP", least=8), Column("KIND", spare=3), Column("STATE"), Column("BEGUN", spare=2),
    Column("TOOK", right=True, spare=1), Column("HOLDS", right=True, spare=4),
    Column("BY", least=6, spare=5), Column("RESULT", least=12, spare=1),
)  # fmt: skip


def _steps(story: Story) -> str:
    steps = [_Step(str(s["name"]), str(s["kind"])) for s in recipe_steps(story.run)]
    for event in story.events:
        index = event.data.get("step")
        if event.name == "step" and isinstance(index, int) and index < len(steps):
            _moved(steps[index], event)
    return indented_table(_STEPS, [_step_row(step, story.run.start.at_utc) for step in steps])


def _moved(step: _Step, event: RunEvent) -> None:
    data: Facts = event.data
    step.state, step.reason = str(data.get("to")), str(data.get("reason") or "")
    if data.get("move") == "begin":
        step.begun, step.who = event.at_utc, str(data.get("who") or "")
    if step.state in _OVER:
        step.ended = event.at_utc
        step.who = step.who or str(data.get("who") or "")
    step.holds += step.state == "held"


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
        data: Facts = event.data
        who = data.get("who")
        if who and event.name in _DID:
            what, key = _DID[event.name]
            what = str(data.get(key) or what)
            acts.setdefault(str(who), Counter())[what] += 1
    return [
        (clean(who), ", ".join(f"{what} {n}x" if n > 1 else what for what, n in did.items()))
        for who, did in acts.items()
    ]


_DID = {
    "plate made": ("made it", ""), "step": ("", "move"), "asked": ("", "act"),
    "stage ended": ("done", ""), "inspected": ("measured", ""), "alarm": ("", "act"),
}  # fmt: skip
"""Events that say who did something: what it was, or the key that says it."""

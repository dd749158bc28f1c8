"""A plate's whole story from the journal: steps, runs, stages, inspection, alarms, people."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from platelink.cli.plate_figures import (
    Part,
    alarms_table,
    indented_table,
    inspection,
    run_tables,
    since,
    stages_table,
)
from platelink.cli.plate_text import KINDS, clock
from platelink.cli.quantities import Display, clean
from platelink.cli.tables import Column, local, local_with_zone, pairs
from platelink.contract.runs import PlateEnd
from platelink.contract.story import RunStory, StepTold
from platelink.finding.foretold import depth_foretold_in
from platelink.record.story import story_of

if TYPE_CHECKING:
    from platelink.contract.predicted import DepthPredicted
    from platelink.record.reader import JournalReader
    from platelink.record.stored import RunRecord
    from platelink.runs import RunEvent


@dataclass(frozen=True, slots=True)
class Story:
    """What the journal holds of one plate."""

    run: RunRecord
    events: Sequence[RunEvent]
    parts: Sequence[RunRecord]
    """Its exposures and bakes, oldest first."""
    told: RunStory
    depth: DepthPredicted


def read_story(reader: JournalReader, run: RunRecord) -> Story:
    """Everything about a plate."""
    plate = run.start.run_id
    return Story(
        run, reader.events(plate), reader.parts(plate), story_of(reader, run),
        depth_foretold_in(reader, run),
    )  # fmt: skip


def story_parts(story: Story, display: Display) -> Iterator[Part]:
    """(title, text) of each part of the page."""
    told, begun = story.told, story.run.start.at_utc
    yield "", _head(story.run)
    if after := _after(story.run):
        yield "NOTES AND CORRECTIONS", after
    yield "STEPS", indented_table(_STEPS, [_step_row(step, begun) for step in told.steps])
    yield from run_tables(story.parts, display)
    if told.stages:
        yield "STAGES", stages_table(told.stages, display)
    if told.depths or told.checks:
        yield "INSPECTION", inspection(told, story.events)
    if lines := depth_lines(story.depth):
        yield "DEPTH PREDICTED BEFORE THE WASH", "\n".join(f"  {line}" for line in lines)
    if told.deviations:
        yield "DEVIATIONS", "\n".join(f"  {clean(text)}" for text in told.deviations)
    if told.alarms:
        yield "ALARMS MEANWHILE", alarms_table(told.alarms, begun)
    yield "PEOPLE", pairs(_people(told))


def depth_lines(depth: DepthPredicted) -> list[str]:
    """What was to be expected, and where to look; nothing while it cannot be told."""
    if depth.verdict == "cannot tell":
        return []
    lines = [depth.text, *(f"{one.point}: {one.text}" for one in depth.points)]
    if depth.causes:
        first = ", ".join(f"{one.cause} {one.probability:.2f}" for one in depth.causes[:2])
        lines.append(f"most likely: {first}; in full: platelink find cause {depth.plate}")
    return [clean(line) for line in lines]


def _head(run: RunRecord) -> str:
    start, end, request = run.start, run.end, run.start.request
    recipe, area_cm2 = request.get("recipe"), request.get("area_cm2")
    title = recipe.get("title") if isinstance(recipe, dict) else None
    rows = [
        ("recipe", f"{request.get('revision')}, {title}, SHA-256 {str(request.get('hash'))[:12]}"),
        ("state", f"{end.state}: {end.reason}" if end else "not ended: in progress, or cut short"),
        (
            "verdict",
            _corrected(run, "verdict", PlateEnd.model_validate(end.data).verdict if end else ""),
        ),
        ("made", f"{local_with_zone(start.at_utc)} by {start.operator}"),
    ]
    if end:
        lasted_s = (end.at_utc - start.at_utc).total_seconds()
        rows.append(("ended", f"{local_with_zone(end.at_utc)}, after {clock(lasted_s)} min"))
    rows += [
        ("job", _corrected(run, "job", start.job or "")),
        ("lot", _corrected(run, "lot", str(request.get("lot") or ""))),
        ("film", str(request.get("film") or "")),
        ("area", "" if area_cm2 is None else f"{area_cm2:g} cm²"),
        ("note", start.note or ""),
        ("unit", start.unit),
    ]
    return f"PLATE {start.run_id}\n{pairs([(name, clean(text)) for name, text in rows if text])}"


def _corrected(run: RunRecord, field: str, recorded: str) -> str:
    """What was recorded; corrected, what is right now, and beside it what was recorded."""
    newest = next((one for one in reversed(run.summary.corrections) if one.field == field), None)
    if newest is None:
        return recorded
    return f"{newest.now}, corrected by {newest.who}; recorded: {recorded or 'nothing'}"


def _after(run: RunRecord) -> str:
    """What people wrote after its end, oldest first."""
    summary = run.summary
    lines = [
        (one.at_utc, f"{one.who}: {one.field} is {one.now}, not {one.was or 'nothing'}; {one.why}")
        for one in summary.corrections
    ] + [(one.at_utc, f"{one.who}: {one.text}") for one in summary.notes]
    return "\n".join(f"  {local(at)}  {clean(text)}" for at, text in sorted(lines))


_STEPS = (
    Column("STEP", least=8), Column("KIND", spare=3), Column("STATE"), Column("BEGUN", spare=2),
    Column("TOOK", right=True, spare=1), Column("HOLDS", right=True, spare=4),
    Column("CAUSE", spare=4), Column("BY", least=6, spare=5), Column("RESULT", least=12, spare=1),
)  # fmt: skip


def _step_row(step: StepTold, plate_begun: datetime) -> list[str]:
    begun = step.begun_utc
    return [
        step.name,
        KINDS.get(step.kind, step.kind),
        step.state,
        "" if begun is None else since(datetime.fromisoformat(begun), plate_begun),
        "" if step.took_s is None else clock(step.took_s),
        str(step.holds or ""),
        ", ".join(step.causes),
        step.by,
        step.reason,
    ]


def _people(told: RunStory) -> list[tuple[str, str]]:
    """Who did what, how often."""
    return [
        (
            clean(one.name),
            ", ".join(f"{did.what} {did.times}x" if did.times > 1 else did.what for did in one.did),
        )
        for one in told.people
    ]

"""A plate's whole story from the journal: steps, runs, stages, inspection, alarms, people.

``gathered`` reads it, the rest is pure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from platelink.cli.alarm import quantity
from platelink.cli.plate_text import KINDS, clock, measured
from platelink.cli.quantities import Display, clean
from platelink.cli.runs import dose_text, off_pct
from platelink.cli.tables import Column, local_with_zone, pairs, table, terminal_width
from platelink.control.alarm_states import AlarmState
from platelink.record.reader import kind_of
from platelink.units import TEMPERATURE

if TYPE_CHECKING:
    from platelink.record.reader import JournalReader, RunRecord
    from platelink.runs import RunEvent

Part = tuple[str, str]
Facts = Mapping[str, Any]
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
    kinds = {kind: [p for p in story.parts if kind_of(p.start) == kind] for kind in _KINDS}
    for kind, (title, heads, row) in _KINDS.items():
        if kinds[kind]:
            yield title, _table(heads, [row(part, display) for part in kinds[kind]])
    stages = [event.data for event in story.events if event.name == "stage ended"]
    if stages:
        yield "STAGES", _table(_STAGES, [_stage(stage, display) for stage in stages])
    for event in story.events:
        if event.name == "inspected":
            yield "INSPECTION", _inspection(story.run, event.data)
    deviations = [event.text for event in story.events if event.name == "deviation"]
    if deviations:
        yield "DEVIATIONS", "\n".join(f"  {clean(text)}" for text in deviations)
    if story.alarms:
        begun = story.run.start.at_utc
        yield "ALARMS MEANWHILE", _table(_ALARMS, [_alarm(a, begun) for a in story.alarms])
    yield "PEOPLE", pairs(_people(story))


def _table(heads: Sequence[Column], rows: Sequence[Sequence[str]]) -> str:
    indented = (heads[0]._replace(head=f"  {heads[0].head}"), *heads[1:])
    cells = [[f"  {clean(row[0])}", *map(clean, row[1:])] for row in rows]
    return table(indented, cells, terminal_width())


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


# --- steps ---------------------------------------------------------------------------------


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
    steps = [_Step(str(s["name"]), str(s["kind"])) for s in _recipe_steps(story.run)]
    for event in story.events:
        index = event.data.get("step")
        if event.name == "step" and isinstance(index, int) and index < len(steps):
            _moved(steps[index], event)
    return _table(_STEPS, [_step_row(step, story.run.start.at_utc) for step in steps])


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
        "" if step.begun is None else _since(step.begun, plate_begun),
        "" if took is None else clock(took),
        str(step.holds or ""),
        step.who,
        step.reason,
    ]


def _since(at_utc: datetime, begun: datetime) -> str:
    return f"+{clock((at_utc - begun).total_seconds())}"


# --- runs ----------------------------------------------------------------------------------

_EXPOSURES = (
    Column("STEP", least=8), Column("STATE"), Column("TARGET", right=True, spare=1),
    Column("DOSE", right=True), Column("OFF BY", right=True, spare=2),
    Column("LIGHT", right=True, spare=3), Column("RUN"),
)  # fmt: skip
_BAKES = (
    Column("STEP", least=8), Column("STATE"), Column("IN BAND", right=True),
    Column("MEAN", right=True), Column("LEAST", right=True, spare=2),
    Column("MOST", right=True, spare=2), Column("EQUIVALENT", right=True, spare=3),
    Column("IN ALL", right=True, spare=4), Column("DOOR", right=True, spare=3), Column("RUN"),
)  # fmt: skip


def _exposure(run: RunRecord, display: Display) -> list[str]:
    start, end = run.start, run.end
    dose = end.dose_mj_cm2 if end else None
    off = off_pct(dose, start.target_dose_mj_cm2)
    light_s = end.light_s if end else None
    return [
        start.step,
        end.state if end else "open",
        dose_text(start.target_dose_mj_cm2, display),
        dose_text(dose, display),
        "" if off is None else f"{round(off, 2) + 0.0:+.2f} %",
        "" if light_s is None else f"{light_s:.1f} s",
        start.run_id,
    ]


def _bake(run: RunRecord, display: Display) -> list[str]:
    data: Facts = run.end.data if run.end else {}
    needed = run.start.request.get("in_band_s")
    needed_s = needed if isinstance(needed, int | float) else None
    temperatures = [
        measured(TEMPERATURE, data.get(name), display) for name in ("mean_c", "min_c", "max_c")
    ]
    return [
        run.start.step,
        run.end.state if run.end else "open",
        f"{clock(data.get('in_band_s'))} of {clock(needed_s)}",
        *temperatures,
        clock(data.get("equivalent_s")),
        clock(data.get("elapsed_s")),
        f"{data['door_openings']}x open" if data.get("door_openings") else "",
        run.start.run_id,
    ]


_KINDS = {
    "expose": ("EXPOSURES", _EXPOSURES, _exposure),
    "bake": ("BAKES", _BAKES, _bake),
}

# --- stages, inspection, alarms, people ------------------------------------------------------

_STAGES = (
    Column("STAGE", least=8), Column("PLANNED", right=True), Column("TOOK", right=True),
    Column("HOW"), Column("HELD", right=True, spare=3), Column("WATER", right=True, spare=2),
    Column("BY", least=6, spare=1),
)  # fmt: skip
_DEPTHS = (Column("DEPTH", least=8), Column("MEASURED", right=True), Column("LIMITS", right=True))
_CHECKS = (Column("CHECK", least=8), Column("ANSWER"), Column("QUESTION", least=10, spare=1))
_ALARMS = (
    Column("SINCE BEGIN", right=True), Column("ALARM"), Column("BECAME"),
    Column("VALUE", right=True, spare=1), Column("LIMIT", right=True, spare=2),
    Column("BY", least=6, spare=3), Column("WHY", least=8, spare=4),
)  # fmt: skip


def _stage(stage: Facts, display: Display) -> list[str]:
    planned, held, water = (stage.get(n) for n in ("planned_s", "held_s", "water_mean_c"))
    return [
        str(stage.get("name")),
        "" if planned is None else clock(planned),
        clock(stage.get("actual_s")),
        str(stage.get("verdict")),
        clock(held) if held else "",
        "" if water is None else measured(TEMPERATURE, water, display),
        str(stage.get("who") or ""),
    ]


def _inspection(run: RunRecord, data: Facts) -> str:
    points: Facts = data.get("points_um") or {}
    checks: Facts = data.get("checks") or {}
    asked = {name: found for step in _recipe_steps(run) for name, found in _named(step)}
    depths = [
        [name, f"{value:g} µm", _limits(asked.get(name, {}))] for name, value in points.items()
    ]
    answers = [
        [name, "yes" if value else "NO", str(asked.get(name, {}).get("question") or "")]
        for name, value in checks.items()
    ]
    lines = [_table(_DEPTHS, depths)] if depths else []
    lines += [_table(_CHECKS, answers)] if answers else []
    facts = {"judged": data.get("judgement"), "by": data.get("who"), "note": data.get("note")}
    lines.append(pairs([(name, clean(str(text))) for name, text in facts.items() if text]))
    return "\n".join(lines)


def _recipe_steps(run: RunRecord) -> list[dict[str, Any]]:
    recipe = run.start.request.get("recipe")
    steps = recipe.get("step") if isinstance(recipe, dict) else None
    return [step for step in steps if isinstance(step, dict)] if isinstance(steps, list) else []


def _named(step: Facts) -> Iterator[tuple[str, Facts]]:
    for one in (*step.get("point", ()), *step.get("check", ())):
        yield one["name"], one


def _limits(point: Facts) -> str:
    return f"{point['low_um']:g} to {point['high_um']:g} µm" if "low_um" in point else ""


def _alarm(event: RunEvent, begun: datetime) -> list[str]:
    data: Facts = event.data
    unit = str(data.get("unit") or "")
    return [
        _since(event.at_utc, begun),
        str(data.get("alarm")),
        str(data.get("to")),
        quantity(data.get("value"), unit),
        quantity(data.get("limit"), unit),
        str(data.get("who") or ""),
        str(data.get("why") or ""),
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

"""Tables of a plate's story: exposures, bakes, stages, inspection, alarms. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from platelink.cli.alarm import quantity
from platelink.cli.plate_text import clock, measured
from platelink.cli.quantities import Display, clean
from platelink.cli.runs import dose_text, off_pct
from platelink.cli.tables import Column, pairs, table, terminal_width
from platelink.record.reader import kind_of
from platelink.units import TEMPERATURE

if TYPE_CHECKING:
    from platelink.record.reader import RunRecord
    from platelink.runs import RunEvent

Part = tuple[str, str]
Facts = Mapping[str, Any]


def run_tables(parts: Sequence[RunRecord], display: Display) -> Iterator[Part]:
    """(title, table) of the exposures, and of the bakes."""
    for kind, (title, heads, row) in _RUN_TABLES.items():
        rows = [row(part, display) for part in parts if kind_of(part.start) == kind]
        if rows:
            yield title, indented_table(heads, rows)


def stages_table(stages: Sequence[Facts], display: Display) -> str:
    """Planned and actual times."""
    return indented_table(_STAGES, [_stage(stage, display) for stage in stages])


def alarms_table(alarms: Sequence[RunEvent], begun: datetime) -> str:
    """Moves of alarms, by time since the plate was begun."""
    return indented_table(_ALARMS, [_alarm(alarm, begun) for alarm in alarms])


def indented_table(heads: Sequence[Column], rows: Sequence[Sequence[str]]) -> str:
    """A table as part of a page."""
    indented = (heads[0]._replace(head=f"  {heads[0].head}"), *heads[1:])
    cells = [[f"  {clean(row[0])}", *map(clean, row[1:])] for row in rows]
    return table(indented, cells, terminal_width())


def since(at_utc: datetime, begun: datetime) -> str:
    """Time since the plate was begun."""
    return f"+{clock((at_utc - begun).total_seconds())}"


def recipe_steps(run: RunRecord) -> list[dict[str, Any]]:
    """The steps of the recipe as the plate's run holds it."""
    recipe = run.start.request.get("recipe")
    steps = recipe.get("step") if isinstance(recipe, dict) else None
    return [step for step in steps if isinstance(step, dict)] if isinstance(steps, list) else []


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


_RUN_TABLES = {
    "expose": ("EXPOSURES", _EXPOSURES, _exposure),
    "bake": ("BAKES", _BAKES, _bake),
}

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


def inspection(run: RunRecord, data: Facts) -> str:
    """Values against their limits, answers with their questions."""
    points: Facts = data.get("points_um") or {}
    checks: Facts = data.get("checks") or {}
    asked = {name: found for step in recipe_steps(run) for name, found in _named(step)}
    depths = [
        [name, f"{value:g} µm", _limits(asked.get(name, {}))] for name, value in points.items()
    ]
    answers = [
        [name, "yes" if value else "NO", str(asked.get(name, {}).get("question") or "")]
        for name, value in checks.items()
    ]
    lines = [indented_table(_DEPTHS, depths)] if depths else []
    lines += [indented_table(_CHECKS, answers)] if answers else []
    facts = {"judged": data.get("judgement"), "by": data.get("who"), "note": data.get("note")}
    lines.append(pairs([(name, clean(str(text))) for name, text in facts.items() if text]))
    return "\n".join(lines)


def _named(step: Facts) -> Iterator[tuple[str, Facts]]:
    for one in (*step.get("point", ()), *step.get("check", ())):
        yield one["name"], one


def _limits(point: Facts) -> str:
    return f"{point['low_um']:g} to {point['high_um']:g} µm" if "low_um" in point else ""


def _alarm(event: RunEvent, begun: datetime) -> list[str]:
    data: Facts = event.data
    unit = str(data.get("unit") or "")
    return [
        since(event.at_utc, begun),
        str(data.get("alarm")),
        str(data.get("to")),
        quantity(data.get("value"), unit),
        quantity(data.get("limit"), unit),
        str(data.get("who") or ""),
        str(data.get("why") or ""),
    ]

"""Tables of a plate's story: exposures, bakes, stages, inspection, alarms."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from platelink.cli.plate_text import clock, measured
from platelink.cli.quantities import Display, clean, quantity
from platelink.cli.runs import dose_text, given_text, light_text, three_cells
from platelink.cli.tables import Column, pairs, table, terminal_width
from platelink.contract.runs import BakeEnd
from platelink.contract.story import AlarmTold, RunStory, StageTold
from platelink.contract.texts import said
from platelink.events.event import read
from platelink.events.steps import Inspected
from platelink.units import TEMPERATURE

if TYPE_CHECKING:
    from platelink.record.stored import RunRecord
    from platelink.runs import RunEvent

Part = tuple[str, str]
"""Title and text of a part of a page."""


def run_tables(parts: Sequence[RunRecord], display: Display) -> Iterator[Part]:
    """(title, table) of the exposures, and of the bakes."""
    for kind, (title, heads, row) in _RUN_TABLES.items():
        rows = [row(part, display) for part in parts if part.start.run_kind == kind]
        if rows:
            yield title, indented_table(heads, rows)


def stages_table(stages: Sequence[StageTold], display: Display) -> str:
    """Planned and actual times."""
    return indented_table(_STAGES, [_stage(stage, display) for stage in stages])


def alarms_table(alarms: Sequence[AlarmTold], begun: datetime) -> str:
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


_EXPOSURES = (
    Column("STEP", least=8), Column("STATE"), Column("TARGET", right=True, spare=1),
    Column("DOSE", right=True), Column("CONTROL", right=True, spare=2),
    Column("PLATES", right=True, spare=2), Column("METER", right=True, spare=2),
    Column("LIGHT", right=True, spare=3), Column("RUN"),
)  # fmt: skip
_BAKES = (
    Column("STEP", least=8), Column("STATE"), Column("IN BAND", right=True),
    Column("AIR MEAN", right=True), Column("AIR LEAST", right=True, spare=2),
    Column("AIR MOST", right=True, spare=2), Column("PLATE MOST", right=True, spare=2),
    Column("EQUIVALENT: AIR", right=True, spare=3), Column("PLATE", right=True, spare=3),
    Column("IN ALL", right=True, spare=4), Column("DOOR", right=True, spare=3), Column("RUN"),
)  # fmt: skip


def _exposure(record: RunRecord, display: Display) -> list[str]:
    run = record.summary
    return [
        run.step,
        run.state,
        dose_text(run.target_dose_mj_cm2, display),
        given_text(run, display),
        *three_cells(run),
        light_text(run.light_s),
        run.run_id,
    ]


def _bake(record: RunRecord, display: Display) -> list[str]:
    run = record.summary
    bake = BakeEnd.model_validate(record.end.data if record.end else {})
    needed = record.start.request.get("in_band_s")
    needed_s = needed if isinstance(needed, int | float) else None
    return [
        run.step,
        run.state,
        f"{clock(bake.in_band_s)} of {clock(needed_s)}",
        *(
            measured(TEMPERATURE, t_c, display)
            for t_c in (bake.mean_c, bake.min_c, bake.max_c, bake.plate_max_c)
        ),
        clock(bake.equivalent_s),
        clock(bake.plate_equivalent_s),
        clock(bake.elapsed_s),
        f"{bake.door_openings}x open" if bake.door_openings else "",
        run.run_id,
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


def _stage(stage: StageTold, display: Display) -> list[str]:
    water_c = stage.water_mean_c
    return [
        stage.name,
        "" if stage.planned_s is None else clock(stage.planned_s),
        clock(stage.actual_s),
        stage.how,
        clock(stage.held_s) if stage.held_s else "",
        "" if water_c is None else measured(TEMPERATURE, water_c, display),
        stage.by,
    ]


def inspection(told: RunStory, events: Sequence[RunEvent]) -> str:
    """Values against their limits, answers with their questions; of a value that was corrected
    also what was recorded."""
    depths = [
        [
            depth.point,
            f"{depth.um:g} µm" + (f" (recorded: {depth.recorded_um:g})" if depth.corrected else ""),
            "" if depth.low_um is None else f"{depth.low_um:g} to {depth.high_um:g} µm",
        ]
        for depth in told.depths
    ]
    answers = [[one.name, "yes" if one.yes else "NO", said(one.question)] for one in told.checks]
    lines = [indented_table(_DEPTHS, depths)] if depths else []
    lines += [indented_table(_CHECKS, answers)] if answers else []
    for event in events:
        if (found := read(Inspected, event.name, event.data)) is not None:
            facts = {"judged": found.judgement, "by": found.who, "note": found.note}
            lines.append(pairs([(name, clean(text)) for name, text in facts.items() if text]))
    return "\n".join(lines)


def _alarm(alarm: AlarmTold, begun: datetime) -> list[str]:
    return [
        since(datetime.fromisoformat(alarm.at_utc), begun),
        alarm.alarm,
        alarm.became,
        quantity(alarm.value, alarm.unit),
        quantity(alarm.limit, alarm.unit),
        alarm.by,
        alarm.why,
    ]

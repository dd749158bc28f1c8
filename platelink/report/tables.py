"""Tables of the page of a sealed record, and how its texts are written. Pure."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from platelink.contract.runs import BakeEnd, Run
from platelink.contract.story import Mark, RunStory, StageTold, StepTold
from platelink.contract.texts import said
from platelink.contract.uncertainty import LEAST_DOUBT_MJ_CM2
from platelink.record.stored import RunRecord
from platelink.units import DOSE, TEMPERATURE

_LONGEST = 160
"""Characters of a text on the page; the record has the whole."""
_MOST_ROWS = 60


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under a title; ``more`` rows stand in the record only."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    more: int = 0


def text(value: object) -> str:
    """One line that can be printed: no control characters, cut where it is very long."""
    shown = "".join(
        " " if unicodedata.category(c) in ("Cc", "Zl", "Zp") else c
        for c in str(value) if unicodedata.category(c) not in ("Cs", "Cn", "Co")
    ).strip()  # fmt: skip
    return shown if len(shown) <= _LONGEST else shown[: _LONGEST - 1].rstrip() + "…"


def utc(at: str | datetime | None) -> str:
    if at is None:
        return "–"
    return f"{at:%Y-%m-%d %H:%M:%S}" if isinstance(at, datetime) else at[:19].replace("T", " ")


def _time(at: str) -> str:
    return at[11:19]


def duration(seconds: float | None) -> str:
    if seconds is None:
        return "–"
    if seconds < 60.0:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d} min"


def _dose(dose_mj_cm2: float | None) -> str:
    return DOSE.format(dose_mj_cm2, "mJ/cm2", 1)


def _air(t_c: float | None) -> str:
    return TEMPERATURE.format(t_c, "degC", 1)


def cut(table: Table) -> Table:
    more = max(0, len(table.rows) - _MOST_ROWS)
    rows = tuple(tuple(map(text, row)) for row in table.rows[:_MOST_ROWS])
    return Table(table.title, table.heads, rows, more)


def _lines(title: str, lines: Sequence[str]) -> Table:
    return Table(title, ("",), tuple((line,) for line in lines))


_STEPS = ("step", "begun", "took", "target", "actual", "off", "uncertainty (k = 2)", "state", "who")


def _steps(steps: Sequence[StepTold], parts: Sequence[RunRecord]) -> Table:
    """A row for each step, and for each run of it where it had several."""
    if not steps:
        return Table("Result", _STEPS, tuple(
            (part.start.step, _time(part.summary.begun_utc), duration(part.summary.took_s),
             *_figures_of(part), part.summary.state, part.summary.operator or "")
            for part in parts
        ))  # fmt: skip
    rows = []
    for step in steps:
        own = [part for part in parts if _is_of(part, step)]
        state = ", ".join([step.state, *([f"held {step.holds} ×"] if step.holds else ()),
                           *step.causes])  # fmt: skip
        for at, figures in enumerate([_figures_of(part) for part in own] or [("", "", "", "")]):
            rows.append((
                step.name if not at else "",
                _time(step.begun_utc) if step.begun_utc and not at else "",
                "" if at else duration(step.took_s), *figures, state if not at else "",
                step.by if not at else "",
            ))  # fmt: skip
    return Table("Steps", _STEPS, tuple(rows))


def _is_of(part: RunRecord, step: StepTold) -> bool:
    return part.start.run_id in step.runs or (
        part.start.run_kind == step.kind == "bake" and part.start.step == step.name
    )


def _figures_of(part: RunRecord) -> tuple[str, str, str, str]:
    """Target, actual, off, uncertainty."""
    told = part.summary
    if part.start.run_kind == "bake":
        asked = part.start.request
        bake = BakeEnd.model_validate(part.end.data if part.end else {})
        low, high, need = (number(asked.get(key)) for key in ("low_c", "high_c", "in_band_s"))
        band = "" if low is None or high is None else f" in {low:g}–{high:g} °C"
        return (
            f"{duration(need)}{band}",
            f"{duration(bake.in_band_s)}, mean {_air(bake.mean_c)} "
            f"({_air(bake.min_c)} to {_air(bake.max_c)})",
            "", "",
        )  # fmt: skip
    doubt = told.uncertain_mj_cm2 or 0.0
    more = f", up to {_dose(doubt)} more" if doubt >= LEAST_DOUBT_MJ_CM2 else ""
    stated = [
        f"±{pct:.1f} % {of}"
        for pct, of in (
            (told.plate_to_plate_pct, "between plates"), (told.against_meter_pct, "against meter")
        ) if pct is not None
    ]  # fmt: skip
    off = "" if told.difference_pct is None else f"{told.difference_pct:+.2f} %"
    off = off.replace("-0.00 %", "+0.00 %")
    return (
        _dose(told.target_dose_mj_cm2), _dose(told.dose_mj_cm2) + more, off,
        ", ".join(stated) or "not stated",
    )  # fmt: skip


def number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _stages(stages: Sequence[StageTold]) -> Table:
    heads = ("stage", "planned", "actual", "how", "water", "who")
    return Table("By hand", heads, tuple(
        (stage.name, "" if stage.planned_s is None else duration(stage.planned_s),
         duration(stage.actual_s), stage.how,
         "" if stage.water_mean_c is None else _air(stage.water_mean_c), stage.by)
        for stage in stages
    ))  # fmt: skip


def _inspection(story: RunStory) -> Table:
    rows = [
        (depth.point, f"{depth.um:g} µm{' (corrected)' if depth.corrected else ''}",
         "" if depth.low_um is None or depth.high_um is None
         else f"{depth.low_um:g}–{depth.high_um:g} µm",
         {True: "within", False: "OUT", None: ""}[depth.within])
        for depth in story.depths
    ]  # fmt: skip
    rows += [(one.name, "yes" if one.yes else "NO", said(one.question), "") for one in story.checks]
    if story.inspection_note:
        rows.append(("note", story.inspection_note, "", ""))
    return Table("Inspection", ("what", "found", "limits", ""), tuple(rows))


def _alarms(story: RunStory) -> Table:
    rows = tuple(
        (_time(one.at_utc), one.alarm, one.priority, one.became,
         "" if one.value is None else f"{one.value:.4g} {one.unit}",
         "" if one.limit is None else f"{one.limit:.4g} {one.unit}",
         f"{one.by}: {one.why}" if one.why else one.by)
        for one in story.alarms
    )  # fmt: skip
    heads = ("time", "alarm", "priority", "became", "value", "limit", "who")
    return Table("Alarms meanwhile", heads, rows)


def _marks(marks: Sequence[tuple[str, Mark]]) -> Table:
    rows = tuple((number, _time(mark.at_utc), mark.text) for number, mark in marks)
    return Table("Marks on the curves", ("", "time", "what"), rows)


def _after(told: Run) -> Table:
    rows = [(one.at_utc, one.who, f"{one.field}: was {one.was}, is {one.now}: {one.why}")
            for one in told.corrections]  # fmt: skip
    rows += [(note.at_utc, note.who, note.text) for note in told.notes]
    return Table("After its end", ("when", "who", "what"), tuple(
        (utc(at), who, what) for at, who, what in sorted(rows)
    ))  # fmt: skip


def _people(story: RunStory) -> Table:
    rows = tuple(
        (one.name, ", ".join(f"{d.what} {d.times} ×" if d.times > 1 else d.what for d in one.did))
        for one in story.people
    )
    return Table("Who", ("name", "did"), rows)


def _calibrations(runs: Sequence[RunRecord]) -> Table:
    found: dict[tuple[str, ...], None] = {}
    for run in runs:
        told = run.start.conditions.get("calibrations")
        for one in told if isinstance(told, list) else ():
            if isinstance(one, dict):
                u = one.get("u")
                found[
                    (
                        str(one.get("sensor", "")), str(one.get("calibration", "")),
                        " ".join(str(one[k]) for k in ("instrument", "certificate") if one.get(k)),
                        str(one.get("made_on") or ""), str(one.get("due_on") or ""),
                        "" if u is None else f"±{u} {one.get('unit') or ''}",
                    )
                ] = None  # fmt: skip
    heads = ("sensor", "calibration", "against", "made", "due", "U (k = 2)")
    return Table("Calibration", heads, tuple(found))


def tables_of(
    run: RunRecord, parts: Sequence[RunRecord], story: RunStory, marks: Sequence[tuple[str, Mark]]
) -> tuple[Table, ...]:
    """All that have rows, in the order of the page."""
    tables = (
        _steps(story.steps, parts), _stages(story.stages), _inspection(story),
        _lines("Deviations from the recipe", story.deviations), _alarms(story), _marks(marks),
        _after(run.summary), _people(story), _calibrations([run, *parts]),
    )  # fmt: skip
    return tuple(cut(table) for table in tables if table.rows)

"""What happened to a lamp set, and to the scale its light is measured on. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

from platelink.contract.lamps import LampStep, ScaleChange
from platelink.events.unit import LampsCleaned
from platelink.finding.fade import Step, steps_of
from platelink.finding.happened import text_of
from platelink.finding.lamp_set import LampSet, Levels, day_ms, event_of
from platelink.finding.scale import Rescaling
from platelink.ledger.by import from_ms, to_ms


def lamp_steps(
    lamps: LampSet, levels: Levels, labels: Sequence[str], scalings: Sequence[Rescaling]
) -> list[LampStep]:
    """What looks like the lamps' or a sensor's, not what is only another scale."""
    cleaned = _cleaned(lamps, levels)
    breaks = break_rows(lamps, levels)
    by = {
        row: one for one in scalings
        if (row := _row_after(levels, day_ms(one.at_ms))) is not None
    }  # fmt: skip
    return [
        LampStep(
            at_utc=utc_of(levels.at_ms[step.index]),
            changes_pct=[pct_of(change) for change in step.change],
            text=text_of(
                step.change, labels, cleaned.get(step.index),
                # Medians tell the day of a step to one or so.
                next((by[i].after.calibration for i in _near(step.index) if i in by), ""),
            ),
        )
        for step in found_steps(lamps, levels)
        if step.index not in breaks or step.index in cleaned
    ]  # fmt: skip


def _near(row: int) -> tuple[int, int, int]:
    return row, row - 1, row + 1


def found_steps(lamps: LampSet, levels: Levels) -> list[Step]:
    """Steps of the level, with the days of cleanings and of other scales."""
    return steps_of(levels.by_hours, sorted({*_cleaned(lamps, levels), *break_rows(lamps, levels)}))


def _cleaned(lamps: LampSet, levels: Levels) -> dict[int, LampsCleaned]:
    return {
        row: what for e in lamps.events
        if (what := event_of(LampsCleaned, e)) is not None
        and (row := _row_after(levels, to_ms(e.at_utc))) is not None
    }  # fmt: skip


def break_rows(lamps: LampSet, levels: Levels) -> set[int]:
    """Of the first days on another scale, each."""
    rows = (_row_after(levels, at_ms) for at_ms in lamps.breaks_ms)
    return {row for row in rows if row is not None}


def scale_changes(
    lamps: LampSet, levels: Levels | None, labels: Sequence[str], scalings: Sequence[Rescaling]
) -> list[ScaleChange]:
    """The calibrations by which light was read anew."""
    across = {s.index: s.change for s in found_steps(lamps, levels)} if levels is not None else {}
    found = []
    for one in scalings:
        row = None if levels is None else _row_after(levels, one.at_ms)
        change = across.get(row) if one.ratio is None and row is not None else None
        known = change is not None and one.channel < len(change)
        found.append(ScaleChange(
            at_utc=utc_of(one.at_ms),
            sensor=labels[one.channel] if one.channel < len(labels) else f"light {one.channel}",
            calibration=one.after.calibration, made_on=one.after.made_on,
            cause="" if one.cause is None else one.cause.value,
            rescaled_pct=None if one.ratio is None else pct_of(math.log(one.ratio)),
            changed_pct=pct_of(change[one.channel]) if change is not None and known else None,
        ))  # fmt: skip
    return found


def _row_after(levels: Levels, at_ms: int) -> int | None:
    return next((i for i, first in enumerate(levels.at_ms) if first >= at_ms), None)


def pct_of(log: float) -> float:
    """Of a change of the logarithm."""
    return round(100.0 * math.expm1(log), 2)


def utc_of(at_ms: int) -> str:
    """As answers tell it."""
    return from_ms(at_ms).isoformat(timespec="milliseconds")

"""Depths of plates from the facts, and what each plate was made with."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple

from platelink.contract.depths import AskedDepths, DepthMade
from platelink.contract.facts import Asked, Piece
from platelink.facts.ask import Facts
from platelink.facts.derive import Json
from platelink.facts.refused import no_point
from platelink.facts.rows import made_rows, steps_of
from platelink.ledger.by import to_ms


class Found(NamedTuple):
    """Depths of one point, oldest first, and its limits as the newest plate's recipe has them."""

    point: str
    made: list[DepthMade]
    limits_um: tuple[float, float] | None


def depths(facts: Facts, wanted: AskedDepths) -> Found:
    """Depths of the newest such plates. StoreRefused where the point is not named, or is none."""
    given = wanted.model_dump(exclude_none=True, exclude={"point"})
    asked = Asked(**given, kind="plate", state="complete")
    plates = [(piece, _steps(facts, piece)) for piece in facts.pieces(asked).made]
    there = list(dict.fromkeys(p for _, steps in plates for s in steps for p in _points(s)))
    point = there[0] if wanted.point is None and len(there) == 1 else wanted.point
    if point not in there:
        raise no_point(wanted.recipe, ", ".join(there) or "none; no plate of it was inspected")
    found = []
    for piece, steps in reversed(plates):
        um = next((_points(step)[point] for step in steps if point in _points(step)), None)
        if isinstance(um, int | float):
            found.append(DepthMade(
                plate=piece.name, at_utc=piece.began_utc, um=float(um), lot=piece.lot,
                revision=piece.revision, screens=piece.screens, lamp_set=piece.lamp_set,
                calibrations=piece.calibrations, operator=piece.operator,
                doses_mj_cm2=_by_step(steps, "dose_mj_cm2"),
                dithers_pct=_by_step(steps, "dither_pct"),
                targets_mj_cm2=_by_step(steps, "target_mj_cm2"),
            ))  # fmt: skip
    return Found(point, found, _limits(facts, found[-1].plate, point) if found else None)


def _steps(facts: Facts, piece: Piece) -> list[Json]:
    began_ms = to_ms(datetime.fromisoformat(piece.began_utc))
    rows = made_rows(facts.db, "name = ? AND began_ms = ?", (piece.name, began_ms))
    return [step for row in rows for _, step, _ in steps_of(facts.db, row[0])]


def _points(step: Json) -> dict[str, Any]:
    points = step.get("points_um")
    return points if isinstance(points, dict) else {}


def _limits(facts: Facts, plate: str, point: str) -> tuple[float, float] | None:
    run = facts.journal.run(plate)
    recipe: Any = run.start.request.get("recipe") if run is not None else None
    for step in recipe.get("step") or () if isinstance(recipe, dict) else ():
        for one in step.get("point") or ():
            low, high = one.get("low_um"), one.get("high_um")
            if one.get("name") == point and isinstance(low, int | float):
                return (float(low), float(high))
    return None


def _by_step(steps: Sequence[Json], key: str) -> dict[str, float]:
    """Of exposures; the last one of a step counts."""
    return {
        str(step["step"]): float(step[key])
        for step in steps
        if step.get("kind") == "expose" and isinstance(step.get(key), int | float)
    }

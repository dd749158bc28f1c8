"""Two plates side by side: what differs, the greatest differences first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from platelink.contract.facts import Compared, Difference
from platelink.facts.ask import Asking, Facts
from platelink.facts.both import Both
from platelink.facts.derive import Json, spans_of
from platelink.facts.rows import made_rows, steps_of

USUAL_OF = 100
"""Newest others of the same recipe that tell how much a number usually spreads."""
_LEAST_SHARE = 1e-3
"""Of its size that a number is taken to spread at least: the others may all be equal."""
_MAD = 1.4826
"""Standard deviation over median absolute deviation, of a normal distribution (common knowledge of
robust statistics; P. J. Huber, Robust Statistics, 1981, section 5.1; from memory)."""
_TEXTS = ("kind", "state", "verdict", "job", "operator", "lot", "recipe", "revision", "screens",
          "alarms", "lamp_set", "calibrations", "defects", "deviations", "firmware")  # fmt: skip
_NUMBERS = ("target_mj_cm2", "dose_mj_cm2", "off_pct", "light_s", "in_band_s", "pull_down_s",
            "contact_weaker", "gaps")  # fmt: skip
Values = dict[str, Any]


def compare(both: Both, first: str, second: str) -> Compared:
    """Numbers ranked by how many usual spreads they are apart, among this unit's newest of the same
    recipe; then texts."""
    (left_of, a), (right_of, b) = both.find(first), both.find(second)
    left, right = _values(left_of, a), _values(right_of, b)
    usual = _usual(both.own, (a, b))
    found, same = [], []
    for what in dict.fromkeys((*left, *right)):
        one, other = left.get(what), right.get(what)
        if one == other:
            same.append(what)
            continue
        rank = None
        if isinstance(one, float) and isinstance(other, float):
            rank = abs(one - other) / _spread(usual.get(what, []), max(abs(one), abs(other)))
        found.append(Difference(what=what, first=one, second=other, rank=rank))
    found.sort(key=lambda d: (d.rank is None, -(d.rank or 0.0)))
    return Compared(first=left_of.piece(a), second=right_of.piece(b), differences=found, same=same)


def _usual(facts: Facts, rows: Sequence[Sequence[Any]]) -> dict[str, list[float]]:
    recipes = {row[5].get("recipe") for row in rows} - {None}
    marks = ", ".join("?" * len(recipes))
    others = made_rows(
        facts.db,
        f"number IN (SELECT number FROM tags WHERE kind = 'recipe' AND value IN ({marks}) "  # noqa: S608 -- marks only
        "ORDER BY number DESC LIMIT ?)",
        (*sorted(recipes), USUAL_OF),
    )
    found: dict[str, list[float]] = {}
    for row in others:
        for what, value in _values(facts, row).items():
            if isinstance(value, float):
                found.setdefault(what, []).append(value)
    return found


def _spread(values: Sequence[float], size: float) -> float:
    least = max(_LEAST_SHARE * size, 1e-9)
    if len(values) < 3:
        return max(0.05 * size, least)  # nothing is known of its spread
    middle = np.median(values)
    return max(float(_MAD * np.median(np.abs(np.array(values) - middle))), least)


def _values(facts: Asking, row: Sequence[Any]) -> Values:
    """By name; numbers as float, everything else as text."""
    found: Values = {}
    for key in _TEXTS:
        value = row[5].get(key)
        found[key] = ", ".join(value) if isinstance(value, list) else value
    for place, step, _ in steps_of(facts.db, row[0]):
        name = str(step.get("step") or place)
        for what, value in _of_step(step):
            unique = f"{name} {what}"
            while unique in found:  # a step that was made again
                unique += "'"
            found[unique] = value
    return found


def _of_step(step: Json) -> Iterator[tuple[str, Any]]:
    yield "state", step.get("state")
    for key in _NUMBERS:
        if isinstance(step.get(key), int | float):
            yield key, float(step[key])
    for quantity, span in spans_of(step).items():
        for what in ("low", "high", "mean"):
            yield f"{quantity} {what}", float(getattr(span, what))
    for point, depth_um in (step.get("points_um") or {}).items():
        if isinstance(depth_um, int | float):
            yield f"{point} depth_um", float(depth_um)
    for stage in step.get("stages") or ():
        for key in ("actual_s", "water_mean_c"):
            if isinstance(stage.get(key), int | float):
                yield f"{stage.get('name')} {key}", float(stage[key])

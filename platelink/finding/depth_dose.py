"""What the shop's own plates say of depth against dose, and the dose that follows. Pure.

Where doses follow depths, depth against dose shows the hand as well as the plate: the slope is
biased, and no number of plates mends it (closed-loop identification; T. Söderström and P. Stoica,
System Identification, 1989, ch. 10, from memory). A recorded dither is followed by nothing, so what
it alone did to dose and to depth gives the slope: the estimate by instrumental variables, within
lots, ``sum(z y) / sum(z x)`` of dither z, depth y and logarithm of dose x.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from platelink.contract.depths import DepthMade, DoseProposed
from platelink.finding.curve import F64, student_t
from platelink.recipe.model import Recipe

DRAFTED = "Drafted from depths: "
"""How the line begins that the draft's description has of its origin."""
LEAST = 20
"""Plates with a dither, below which no slope is told."""
NEWEST = 8
"""Plates that tell how deep they are now."""
MOST_PCT = 10.0
"""A larger change of dose is proposed in more than one step."""


_PER = 0.01
"""Of a slope, for each percent of dose."""


class CannotTellError(ValueError):
    """The text says why, and what to do."""


@dataclass(frozen=True, slots=True)
class Slope:
    """Depth by the logarithm of dose: µm for a factor of e."""

    um: float
    u: float
    """Its standard uncertainty."""
    dof: int
    plates: int
    lots: int

    @property
    def interval(self) -> tuple[float, float]:
        """95 %."""
        half = student_t(self.dof) * self.u
        return self.um - half, self.um + half


def slope_of(made: Sequence[DepthMade], step: str) -> Slope:
    """By the dither of a step; CannotTellError where there is too little of it."""
    told = [one for one in made if one.dithers_pct.get(step) and one.doses_mj_cm2.get(step)]
    if len(told) < LEAST:
        raise CannotTellError(
            f"{len(told)} plates whose {step} dose was set off on purpose, {LEAST} are needed: "
            "where doses follow depths, depth against dose shows the hand that set them. Give the "
            "recipe's step a dither_pct, and make plates"
        )
    lots = [one.lot or "" for one in told]
    z = _within([one.dithers_pct[step] / 100.0 for one in told], lots)
    x = _within([math.log(one.doses_mj_cm2[step]) for one in told], lots)
    y = _within([one.um for one in told], lots)
    shared, dof = float(z @ x), len(told) - len(set(lots)) - 1
    if dof < LEAST // 2 or shared <= 0.0 or not float(z @ z) > 0.0:
        raise CannotTellError(
            f"{len(told)} plates in {len(set(lots))} lots: too few of a lot were set off to both "
            "sides; make more of them"
        )
    um = float(z @ y) / shared
    left = y - um * x
    u = math.sqrt(float(left @ left) / dof * float(z @ z)) / shared
    return Slope(um, u, dof, len(told), len(set(lots)))


def _within(values: Sequence[float], lots: Sequence[str]) -> F64:
    """Less the mean of each lot: what lots differ by is no part of the slope."""
    found = np.array(values)
    by_lot: dict[str, list[int]] = defaultdict(list)
    for i, lot in enumerate(lots):
        by_lot[lot].append(i)
    for rows in by_lot.values():
        found[rows] -= found[rows].mean()
    return found


def proposed(
    made: Sequence[DepthMade], step: str, *, dose_mj_cm2: float, target_um: float,
    slope: Slope | None = None,
) -> DoseProposed:  # fmt: skip
    """The dose at which the newest plates' mean depth would be the target; ``dose_mj_cm2`` is the
    recipe's now. ``made``: oldest first. CannotTellError says why there is none."""
    slope = slope_of(made, step) if slope is None else slope
    low, high = slope.interval
    if low <= 0.0 <= high:
        raise CannotTellError(
            f"{slope.um * _PER:+.2f} µm for each 1 % of dose ({low * _PER:+.2f} to "
            f"{high * _PER:+.2f}, 95 %) may be none: within the screen's window of dose depth "
            "belongs to the screen; else make more plates with a dither"
        )
    newest = [one for one in made if one.doses_mj_cm2.get(step)][-NEWEST:]
    if len(newest) < NEWEST:
        raise CannotTellError(f"{len(newest)} plates with a {step} dose: {NEWEST} are needed")
    # As deep as they would be at the recipe's dose of now.
    depths = np.array([
        one.um - slope.um * math.log(one.doses_mj_cm2[step] / dose_mj_cm2) for one in newest
    ])  # fmt: skip
    mean, u = float(depths.mean()), float(depths.std(ddof=1)) / math.sqrt(len(depths))
    off = target_um - mean
    half = student_t(len(depths) - 1) * u
    if abs(off) <= half:
        raise CannotTellError(
            f"the newest {len(newest)} plates would be {mean:.2f} µm deep (±{half:.2f}, 95 %), and "
            f"{target_um:g} is wanted: a correction would follow chance"
        )
    ends = _ratio(off, u, slope)
    change = off / slope.um
    most = math.log(1.0 + MOST_PCT / 100.0)
    cut = abs(change) > most
    factor = math.exp(math.copysign(most, change) if cut else change)
    return DoseProposed(
        step=step, dose_mj_cm2=dose_mj_cm2, proposed_mj_cm2=float(f"{dose_mj_cm2 * factor:.4g}"),
        low_mj_cm2=dose_mj_cm2 * math.exp(min(ends)), high_mj_cm2=dose_mj_cm2 * math.exp(max(ends)),
        target_um=target_um, now_um=mean, um_per_pct=slope.um * _PER, low_um_per_pct=low * _PER,
        high_um_per_pct=high * _PER, plates=slope.plates, lots=slope.lots,
        newest=[one.plate for one in newest], cut=cut,
    )  # fmt: skip


def drafted(recipe: Recipe, found: DoseProposed, point: str) -> tuple[Recipe, str]:
    """The recipe with the dose that is proposed, and its evidence, which its description has too.
    ValueError where the recipe has no such step."""
    steps = recipe.content()["step"]
    named = [one for one in steps if one["name"] == found.step and one["kind"] == "expose"]
    if not named:
        raise ValueError(f"recipe {recipe.id} has no exposure {found.step}")
    named[0]["dose_mj_cm2"] = found.proposed_mj_cm2
    why = (
        f"{DRAFTED}{found.step} {found.dose_mj_cm2:g} to {found.proposed_mj_cm2:g} mJ/cm² "
        f"({found.low_mj_cm2:.4g} to {found.high_mj_cm2:.4g}, 95 %): plates {found.newest[0]} to "
        f"{found.newest[-1]} are {found.now_um:.2f} µm deep at {point}, {found.target_um:g} is "
        f"wanted; {found.um_per_pct:+.3f} µm for each percent of dose ({found.low_um_per_pct:+.3f} "
        f"to {found.high_um_per_pct:+.3f}) by the dither of {found.plates} plates, "
        f"lots: {found.lots}{', one step of more' if found.cut else ''}."
    )
    own = [one for one in (recipe.description or "").splitlines() if not one.startswith(DRAFTED)]
    content = recipe.content() | {"step": steps, "description": "\n".join([*own, why])}
    return Recipe.model_validate(content), why


def _ratio(off: float, u: float, slope: Slope) -> tuple[float, float]:
    """Between what off / slope lies (95 %), by Fieller's theorem; the slope's interval is without
    0, so it has two ends."""
    t2 = student_t(slope.dof) ** 2
    a = slope.um**2 - t2 * slope.u**2
    b = -2.0 * off * slope.um
    c = off**2 - t2 * u**2
    root = math.sqrt(max(0.0, b * b - 4.0 * a * c))
    return (-b - root) / (2.0 * a), (-b + root) / (2.0 * a)

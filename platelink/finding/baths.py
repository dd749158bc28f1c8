"""What bath, warmth and brush do to the depth, and when the water is to be renewed. Pure.

The depth of each plate less what its dose and screen make of it is explained by the area washed in
this water and its days, the water's temperature, the brush and the drying. The bath
is to be renewed when its age costs more than the tolerance. What is left of the newest plates is
followed by an exponentially weighted mean (Roberts 1959): where it leaves its limits something else
has changed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from platelink.finding.curve import NoFitError, student_t

COVARIATES = {
    "area_m2": "m² washed in this water",
    "days": "day since it was renewed",
    "water_c": "°C of the water",
    "brush_s": "s of brushing",
    "dry_min": "min of drying",
}
"""Each with what one unit of it is."""
OF_WATER = ("area_m2", "days")
"""Covariates that renewal sets back to nothing."""
WEIGHT, LIMIT_SD = 0.2, 3.0
"""Of the newest plate in the weighted mean, and its limit. ARL 560 where nothing is wrong (Lucas
and Saccucci 1990, from memory)."""
LEAST_OVER = 6
"""Plates beyond the constants that are fitted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WashedPlate:
    """One plate: what its depth was beyond what was expected, and how it was washed."""

    off_um: float
    area_m2: float
    days: float
    water_c: float
    brush_s: float
    dry_min: float
    run: str = ""


@dataclass(frozen=True, slots=True)
class Effect:
    """What one unit of a covariate does to the depth."""

    name: str
    um: float
    low_um: float
    high_um: float

    @property
    def sure(self) -> bool:
        """True where its sign is known."""
        return self.low_um > 0.0 or self.high_um < 0.0


@dataclass(frozen=True, slots=True)
class Bath:
    """What the plates tell of the bath."""

    effects: tuple[Effect, ...]
    not_told: tuple[str, ...]
    """Covariates that did not change enough to tell anything."""
    sd_um: float
    lost_um: float
    """Depth that the present water's age costs, by the effects."""
    weighted_um: float
    limit_um: float
    renew: bool
    text: str
    runs: tuple[str, ...]


def bath(plates: Sequence[WashedPlate], tolerance_um: float = 2.0) -> Bath:
    """What these plates, oldest first, tell; the last is the newest. NoFitError with the reason."""
    if not plates or not tolerance_um > 0.0:
        raise NoFitError("there is no plate, or the tolerance is not above 0 µm")
    values = np.array([[getattr(one, name) for name in COVARIATES] for one in plates], float)
    y = np.array([one.off_um for one in plates], float)
    if not (np.isfinite(values).all() and np.isfinite(y).all()):
        raise NoFitError("a value is no finite number")
    moved = values.std(axis=0) > 1e-6
    names = [name for name, one in zip(COVARIATES, moved, strict=True) if one]
    x = np.column_stack([np.ones(len(y)), (values - values.mean(axis=0))[:, moved]])
    dof = len(y) - x.shape[1]
    if dof < LEAST_OVER:
        raise NoFitError(
            f"{len(y)} plates tell {len(names)} effects apart badly; "
            f"{x.shape[1] + LEAST_OVER} are the least"
        )
    if np.linalg.cond(x / np.linalg.norm(x, axis=0)) > 30.0:
        raise NoFitError(
            "two of the covariates went together, so that nobody can say which it was; wash some "
            "plates in fresh water at other temperatures and with other brushing"
        )
    b, *_ = np.linalg.lstsq(x, y, rcond=None)
    off = y - x @ b
    sd = math.sqrt(float(off @ off) / dof)
    u = sd * np.sqrt(np.diag(np.linalg.inv(x.T @ x)))
    half = student_t(dof) * u
    effects = tuple(
        Effect(name, float(b[i]), float(b[i] - half[i]), float(b[i] + half[i]))
        for i, name in enumerate(names, 1)
    )
    newest = dict(zip(COVARIATES, values[-1], strict=True))
    lost = -sum(e.um * float(newest[e.name]) for e in effects if e.name in OF_WATER and e.sure)
    weighted = 0.0
    for one in off:
        weighted = WEIGHT * float(one) + (1.0 - WEIGHT) * weighted
    limit = LIMIT_SD * sd * math.sqrt(WEIGHT / (2.0 - WEIGHT))
    renew = bool(lost > tolerance_um)
    costs = f"its age costs {max(lost, 0.0):.1f} µm of depth, limit {tolerance_um:g} µm"
    text = f"renew the bath: {costs}" if renew else f"the bath is good: {costs}"
    if abs(weighted) > limit:
        text += (
            f"; besides, the newest plates are {weighted:+.1f} µm off what bath, warmth and brush "
            "explain: look at lamps, sensor, screen and stock"
        )
    missing = tuple(n for n, one in zip(COVARIATES, moved, strict=True) if not one)
    return Bath(
        effects, missing, sd, lost, weighted, limit, renew, text,
        tuple(one.run for one in plates if one.run),
    )  # fmt: skip

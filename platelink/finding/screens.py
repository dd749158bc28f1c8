"""Depth belongs to the screen: the shop's own depths by screen, and the window of its dose. Pure.

Within a window of dose the flanks of the screen's dots decide how deep a recess is, and dose does
little; below it dots come off, above it the gaps close. A window is the widest run of doses over
which the depth has been shown to change by no more than a tolerance (the whole 95 % interval of
the change lies within it, as in a test of equivalence): that no change was *noticed* is no window.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from platelink.finding.curve import NoFitError, student_t

TOLERANCE_UM = 2.0
"""Change of depth over a window that a press does not notice. Common practice, no source."""
LEAST_PATCHES, LEAST_DOSES = 5, 3


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Where:
    """What a depth belongs to."""

    screen: str
    stock: str
    image: str = "fine"
    """Size of the image: wide areas are deeper than fine lines."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenDepth:
    """One patch: its dose and the mean of its points."""

    where: Where
    dose_mj_cm2: float
    depth_um: float
    run: str = ""


@dataclass(frozen=True, slots=True)
class Window:
    """Doses within which the depth of one screen, stock and size of image is its own."""

    where: Where
    low_mj_cm2: float
    high_mj_cm2: float
    depth_um: float
    sd_um: float
    """Of patches about it."""
    change_um: float
    """Most that the depth changes over the window (95 %)."""
    patches: int
    runs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: a window, or why there is none."""

    where: Where
    patches: int
    depths_um: tuple[float, float]
    window: Window | None
    text: str


def table(depths: Sequence[ScreenDepth], tolerance_um: float = TOLERANCE_UM) -> list[Row]:
    """The shop's own depths, one row for each screen, stock and size of image."""
    rows = []
    for where in sorted({one.where for one in depths}):
        own = [one for one in depths if one.where == where]
        reach = (min(d.depth_um for d in own), max(d.depth_um for d in own))
        try:
            found: Window | None = window(own, tolerance_um)
            assert found is not None
            text = (
                f"{found.depth_um:.1f} ± {found.sd_um:.1f} µm from {found.low_mj_cm2:.0f} to "
                f"{found.high_mj_cm2:.0f} mJ/cm²"
            )
        except NoFitError as error:
            found, text = None, str(error)
        rows.append(Row(where, len(own), reach, found, text))
    return rows


def window(own: Sequence[ScreenDepth], tolerance_um: float = TOLERANCE_UM) -> Window:
    """The widest window of one screen. NoFitError says what to expose."""
    if not tolerance_um > 0.0:
        raise NoFitError("the tolerance must be above 0 µm")
    for number, one in enumerate(own, 1):
        if not (one.dose_mj_cm2 > 0.0 and math.isfinite(one.depth_um)):
            raise NoFitError(f"patch {number}: a dose must be above 0 and a depth a number")
    doses = sorted({one.dose_mj_cm2 for one in own})
    if len(own) < LEAST_PATCHES or len(doses) < LEAST_DOSES:
        raise NoFitError(
            f"{len(own)} patches at {len(doses)} doses show no window; expose {LEAST_PATCHES} or "
            f"more at {LEAST_DOSES} doses or more"
        )
    best: Window | None = None
    for i, low in enumerate(doses):
        for high in doses[i + LEAST_DOSES - 1 :]:
            found = _within(own, low, high)
            if found is None or found.change_um > tolerance_um:
                continue
            if best is None or high / low > best.high_mj_cm2 / best.low_mj_cm2:
                best = found
    if best is None:
        raise NoFitError(
            f"no window is shown within {doses[0]:.0f} to {doses[-1]:.0f} mJ/cm²: the depth "
            f"changes by more than {tolerance_um:g} µm, or too few patches say that it does "
            "not; repeat doses between them"
        )
    return best


def _within(own: Sequence[ScreenDepth], low: float, high: float) -> Window | None:
    """The run of doses from low to high, and the most that the depth changes over it."""
    inside = [one for one in own if low <= one.dose_mj_cm2 <= high]
    n = len(inside)
    if n < LEAST_PATCHES:
        return None
    x = np.log([one.dose_mj_cm2 for one in inside])
    y = np.array([one.depth_um for one in inside])
    x = x - x.mean()
    spread = float(x @ x)
    slope = float(x @ y) / spread
    off = y - y.mean() - slope * x
    sd = math.sqrt(float(off @ off) / (n - 2))
    # A gauge that reads whole micrometres may show no scatter; it is there all the same.
    half = student_t(n - 2) * max(sd, 0.3) / math.sqrt(spread)
    change = (abs(slope) + half) * math.log(high / low)
    return Window(
        inside[0].where, low, high, float(y.mean()), float(np.std(y, ddof=1)), change, n,
        tuple(dict.fromkeys(one.run for one in inside if one.run)),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Advice:
    """How a depth is come by: with this screen within its window, or not by dose."""

    by_dose: bool
    text: str
    others: tuple[Where, ...]
    """Screens that gave the depth on the same stock and size of image."""


def advice(
    rows: Sequence[Row], where: Where, depth_um: float, tolerance_um: float = TOLERANCE_UM
) -> Advice:
    """Whether a dose gives the depth with this screen; with the reason where it does not."""
    here = next((row for row in rows if row.where == where), None)
    others = tuple(
        row.where
        for row in rows
        if row.window is not None and row.where != where
        and (row.where.stock, row.where.image) == (where.stock, where.image)
        and abs(row.window.depth_um - depth_um) <= tolerance_um
    )  # fmt: skip
    gave = (
        f"; screens that gave it on {where.stock}: {', '.join(o.screen for o in others)}"
        if others
        else f"; no screen tried on {where.stock} gave it: try one of another ruling or tint"
    )  # fmt: skip
    if here is None:
        return Advice(False, f"screen {where.screen} was not tried on {where.stock}{gave}", others)
    found = here.window
    if found is None:
        return Advice(False, f"cannot tell: {here.text}", others)
    span = f"{found.low_mj_cm2:.0f} to {found.high_mj_cm2:.0f} mJ/cm²"
    if abs(found.depth_um - depth_um) <= tolerance_um:
        middle = math.sqrt(found.low_mj_cm2 * found.high_mj_cm2)
        text = (
            f"screen {where.screen} is {found.depth_um:.1f} µm deep from {span}: expose in the "
            f"middle, {middle:.0f} mJ/cm²"
        )
        return Advice(True, text, others)
    side = "weaker dots, which come off" if depth_um > found.depth_um else "gaps that close"
    text = (
        f"{depth_um:g} µm is not made by dose with screen {where.screen}: from {span} it is "
        f"{found.depth_um:.1f} µm deep whatever the dose, and doses beyond buy depth with {side}"
        f"{gave}"
    )
    return Advice(False, text, others)

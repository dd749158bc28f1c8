"""The dose for a depth, from strips of patches: working curve, its test, and its inversion. Pure.

Depth is a line, parabola or cubic in the logarithm of the dose within the doses exposed (Jacobs'
working curve is the line); replicates say whether it is (lack of fit against pure error). The dose
of a depth is found by inversion: all doses at which the curve may be so deep. That interval need
not be symmetric, and where the curve is too flat for its uncertainty it has no end (Fieller 1954):
then nothing can be told. Points of one patch are averaged: they are no replicates. A plate or lot
that needs more dose shifts the whole curve sideways (`platelink/finding/shifted.py`). Depths are as
the gauge in use reads them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import compress

import numpy as np
from numpy.typing import NDArray

from platelink.finding.curve import F64, SHARE, NoFitError, student_t
from platelink.finding.mixed import Mixed
from platelink.finding.shifted import Shifted, shifted
from platelink.finding.wedge import PLATE_SD

LEAST_LEVELS = 3
DOUBTED = 0.05
"""A lack of fit as likely as this by chance is none."""
NEARER = (0.8, 0.65, 0.5)
"""Shares of the strip's reach that are tried where no curve fits all of it."""
LEAST_NEAR = 6
"""Patches of a curve about the crossing."""
_CELLS = 41
LOTS, PLATES_OF_LOT = 5, 2
"""Earlier lots, and plates of each, after which a new lot may be told by two patches."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """Depths read in one patch of a plate."""

    dose_mj_cm2: float
    points_um: tuple[float, ...]
    plate: str
    lot: str
    run: str = ""

    @property
    def depth_um(self) -> float:
        """The mean of its points."""
        return float(np.mean(self.points_um))


@dataclass(frozen=True, slots=True)
class DoseFound:
    """The dose at which the lot is so deep on average, or what is missing."""

    depth_um: float
    dose_mj_cm2: float | None
    low_mj_cm2: float | None
    high_mj_cm2: float | None
    next_mj_cm2: tuple[float, ...]
    """What to expose next, to know it better."""
    plate_um: tuple[float, float] | None
    """Within which a single patch of another plate would be at this dose, 95 %."""
    text: str
    runs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WorkingCurve:
    """Depth against dose. ``lack_of_fit``: how likely so much is by chance; None: untested."""

    shape: Shifted
    lack_of_fit: float | None
    lots: tuple[str, ...]
    notes: tuple[str, ...]
    runs: tuple[str, ...]
    _lots_compared: bool

    @property
    def model(self) -> Mixed:
        """Its mixed model; standard deviations of plates and lots are of the logarithm of dose."""
        return self.shape.model

    @property
    def degree(self) -> int:
        """1: a line, 2: a parabola, 3: a cubic."""
        return self.shape.degree

    def between_mj_cm2(self, lot: str = "") -> tuple[float, float]:
        """Doses between which the curve is known of this lot."""
        off = self.shape.shift(1, lot) if self._lots_compared else 0.0
        return math.exp(self.shape.low + off), math.exp(self.shape.high + off)

    def at(
        self, dose_mj_cm2: float, lot: str = "", *, one_plate: bool = False
    ) -> tuple[float, float, float]:
        """(depth, standard uncertainty, degrees of freedom) in µm: of a lot's mean, or of a single
        patch on another of its plates. NoFitError beyond the doses exposed."""
        low, high = self.between_mj_cm2(lot)
        if not low * 0.9999 <= dose_mj_cm2 <= high * 1.0001:
            raise NoFitError(
                f"{dose_mj_cm2:.0f} mJ/cm² was not tried: {low:.0f} to {high:.0f} mJ/cm² were; "
                "expose there too"
            )
        value, u, dof = self.shape.at(
            math.log(dose_mj_cm2), {1: lot} if self._lots_compared else {},
            new=[0] if one_plate else [],
        )  # fmt: skip
        if not one_plate:
            return value, u, dof
        patch = self.model.sds[-1] ** 2
        whole = u * u + patch
        patch_dof = 1.0 if self.model.dofs is None else self.model.dofs[-1]
        return value, math.sqrt(whole), whole**2 / (u**4 / dof + patch**2 / patch_dof)

    def new_lot_pct(self) -> float | None:
        """Half-width of the dose (95 %) that two patches on two plates of a new lot would tell;
        None: lots were not compared."""
        if not self._lots_compared or self.model.dofs is None:
            return None
        plate, lot, patch = (sd**2 for sd in self.model.sds)
        one = plate + patch / max(self.shape.slope(0.0) ** 2, 1e-12)
        left = 1.0 / (1.0 / max(lot, 1e-12) + PLATES_OF_LOT / one)
        return 100.0 * math.expm1(student_t(min(self.model.dofs)) * math.sqrt(left))

    def dose_for(self, depth_um: float, lot: str = "") -> DoseFound:
        """The dose of a depth by inversion, for one lot; the mean of all where it was not seen."""
        from_mj_cm2, to_mj_cm2 = self.between_mj_cm2(lot)
        logs = np.linspace(math.log(from_mj_cm2), math.log(to_mj_cm2), _CELLS)
        told = [self.at(math.exp(x), lot) for x in logs]
        value = np.array([v for v, _, _ in told])
        room = np.array([student_t(dof) * u for _, u, dof in told])
        inside = np.flatnonzero(np.abs(value - depth_um) <= room)
        crossings = _zeros(logs, value - depth_um)
        if len(crossings) > 1 or (len(inside) and np.ptp(inside) >= len(inside)):
            return self._none(depth_um, "the curve turns and is so deep at more than one dose; "
                              "expose a narrower strip", ())  # fmt: skip
        if not len(inside):
            best = int(np.argmin(np.abs(value - depth_um)))
            on = math.exp(logs[best]) * (1.25 if best else 0.8)
            reach = f"{value.min():.1f} to {value.max():.1f} µm"
            return self._none(
                depth_um,
                f"these doses gave {reach}; expose on towards {on:.0f} mJ/cm², as far as "
                "the screen's window reaches",
                (on,),
            )
        low = _end(logs, np.abs(value - depth_um) - room, int(inside[0]), -1)
        high = _end(logs, np.abs(value - depth_um) - room, int(inside[-1]), 1)
        if low is None or high is None or not len(crossings):
            ways = [from_mj_cm2 * 0.85] if low is None else []
            ways += [to_mj_cm2 * 1.15] if high is None else []
            way = "downwards" if low is None else "upwards"
            if low is None and high is None:
                way = "on either side"
            return self._none(
                depth_um,
                f"the dose is not bounded {way} within {from_mj_cm2:.0f} to "
                f"{to_mj_cm2:.0f} mJ/cm²; widen the strip, and repeat its middle",
                tuple(ways),
                None if low is None else math.exp(low),
                None if high is None else math.exp(high),
            )
        dose = math.exp(crossings[0])
        v, u, dof = self.at(dose, lot, one_plate=True)
        half = student_t(dof) * u
        lows, highs = math.exp(low), math.exp(high)
        text = (
            f"{dose:.0f} mJ/cm² for {depth_um:g} µm ({lows:.0f} to {highs:.0f} mJ/cm², 95 %); a "
            f"patch of another plate: {v - half:.1f} to {v + half:.1f} µm"
        )
        wide = max(0.06, math.log(highs / lows))
        ways = [dose * math.exp(-wide), dose, dose, dose * math.exp(wide)]
        return DoseFound(
            depth_um, dose, lows, highs, tuple(ways), (v - half, v + half), text, self.runs
        )

    def _none(
        self, depth_um: float, why: str, ways: tuple[float, ...], low: float | None = None,
        high: float | None = None,
    ) -> DoseFound:  # fmt: skip
        return DoseFound(
            depth_um, None, low, high, ways, None, f"cannot tell: {why}", self.runs
        )  # fmt: skip


def strip(dose_mj_cm2: float, patches: int, span: float = 0.25) -> list[float]:
    """Doses of a strip: about half of the patches in the middle, the others on both sides, up to
    ``span`` of the logarithm away. Two ends alone would be sharper for a line, and could not show
    that it is none."""
    if patches < 5 or not (dose_mj_cm2 > 0.0 and 0.0 < span <= 1.5):
        raise NoFitError("a strip needs a dose above 0, five patches or more, a span up to 1.5")
    outer = max(1, patches // 8)
    at = [-1.0, -0.5, 0.5, 1.0] * outer
    at += [0.0] * (patches - len(at))
    return [dose_mj_cm2 * math.exp(span * x) for x in sorted(at)]


def working_curve(patches: Sequence[Patch], about_um: float | None = None) -> WorkingCurve:
    """The curve of these patches; where none fits them all, that of the patches whose dose is
    nearest to the one that gives ``about_um``. NoFitError says what to expose instead."""
    _must_be(patches)
    logs = np.log([p.dose_mj_cm2 for p in patches])
    y = np.array([p.depth_um for p in patches])
    plates = [f"{p.lot}/{p.plate}" for p in patches]
    lots = [p.lot for p in patches]
    spare = len(set(plates)) - len(set(lots))
    notes: list[str] = []
    if spare < LOTS:
        notes.append(
            f"plates: {len(set(plates))}, lots: {len(set(lots))}; how plates differ is mostly "
            f"assumed ({100.0 * PLATE_SD:.0f} % of dose), not measured; two plates of each lot "
            "tell it"
        )
    levels = len(set(np.round(logs, 3)))
    if levels < LEAST_LEVELS:
        raise NoFitError(
            f"{levels} doses cannot show whether depth follows a line; expose a middle, with "
            "replicates, and two ends"
        )
    shape, lack = _shaped(logs, y, plates, lots)
    if lack is not None and lack < DOUBTED:
        shape, lack, used = _near(logs, y, plates, lots, shape, about_um=about_um)
        low, high = math.exp(logs[used].min()), math.exp(logs[used].max())
        notes.append(
            f"no curve fits all doses; this one is of the {used.sum()} patches from {low:.0f} to "
            f"{high:.0f} mJ/cm²"
        )
    if lack is None:
        notes.append("no dose was repeated: whether the line fits is not tested")
    return WorkingCurve(
        shape, lack, tuple(dict.fromkeys(lots)), tuple(notes),
        tuple(dict.fromkeys(p.run for p in patches if p.run)), len(set(lots)) > 1,
    )  # fmt: skip


def _shaped(
    logs: F64, y: F64, plates: list[str], lots: list[str], most: int = 3
) -> tuple[Shifted, float | None]:
    """A line, or where that does not fit a parabola, or a cubic; and the last one's lack of fit."""
    degree = 1
    while True:
        shape = shifted(logs, y, degree, plates, lots)
        lack = _lack_of_fit(shape.model, logs, lots)
        if (
            lack is None or lack >= DOUBTED or degree == most
            or len(set(np.round(logs, 3))) < LEAST_LEVELS + degree
        ):  # fmt: skip
            return shape, lack
        degree += 1


def _near(
    logs: F64, y: F64, plates: list[str], lots: list[str], shape: Shifted, *,
    about_um: float | None,
) -> tuple[Shifted, float | None, NDArray[np.bool_]]:  # fmt: skip
    """A line or parabola of the patches about the crossing, as many as it fits."""
    at = shape.unshifted(logs, lots)
    logs_on = np.linspace(shape.low, shape.high, _CELLS)
    roughly = np.array([shape.at(x, {})[0] for x in logs_on])
    crossings = [] if about_um is None else _zeros(logs_on, roughly - about_um)
    if len(crossings) == 1:
        away = np.abs(at - crossings[0])
        for share in NEARER:
            used = away <= share * away.max()
            doses = set(np.round(logs[used], 3))
            if len(doses) < LEAST_LEVELS or used.sum() < LEAST_NEAR:
                break
            near, lack = _shaped(logs[used], y[used], list(compress(plates, used)),
                                 list(compress(lots, used)), most=2)  # fmt: skip
            if lack is None or lack >= DOUBTED:
                return near, lack, used
    raise NoFitError(
        "the curve does not fit: so much lack of fit seldom comes by chance; expose a narrower "
        "strip about the depth you want, and look for a patch that is odd"
    )


def _lack_of_fit(model: Mixed, logs: F64, lots: list[str]) -> float | None:
    """Probability of so much lack of fit by chance: F of the doses' own means, of each lot, beside
    the curve, weighted by the fitted variances; without groups the classical test."""
    from scipy.special import fdtrc

    levels = list(zip(lots, np.round(logs, 3), strict=True))
    own = np.array([[float(a == b) for b in sorted(set(levels))] for a in levels])
    full = np.hstack([own, model._x[:, 1:]])
    rank, base = int(np.linalg.matrix_rank(full)), model._x.shape[1]
    n = len(logs)
    if rank <= base or n <= rank:
        return None
    lower = np.linalg.cholesky(model._covariance(model._variances() + 1e-12))

    def rest(x: F64) -> float:
        wx, wy = np.linalg.solve(lower, x), np.linalg.solve(lower, model._y)
        off = wy - wx @ np.linalg.lstsq(wx, wy, rcond=None)[0]
        return float(off @ off)

    pure = rest(full) / (n - rank)
    f = (rest(model._x) - rest(full)) / (rank - base) / max(pure, 1e-12)
    return float(fdtrc(rank - base, n - rank, max(f, 0.0)))


def _must_be(patches: Sequence[Patch]) -> None:
    for number, one in enumerate(patches, 1):
        if not (math.isfinite(one.dose_mj_cm2) and one.dose_mj_cm2 > 0.0):
            raise NoFitError(f"patch {number}: a dose must be above 0")
        if not one.points_um or not all(0.0 <= p <= 10_000.0 for p in one.points_um):
            raise NoFitError(f"patch {number}: give its depths in µm, 0 to 10000")
    if len(patches) < 4:
        raise NoFitError(f"{len(patches)} patches make no curve; expose four or more")


def _zeros(at: F64, off: F64) -> list[float]:
    found = []
    for i in np.flatnonzero(np.sign(off[:-1]) != np.sign(off[1:])):
        found.append(float(at[i] - off[i] * (at[i + 1] - at[i]) / (off[i + 1] - off[i])))
    return found


def _end(at: F64, off: F64, i: int, way: int) -> float | None:
    j = i + way
    if not 0 <= j < len(at):
        return None
    return float(at[i] - off[i] * (at[j] - at[i]) / (off[j] - off[i]))


Told = Callable[[float], tuple[float, float, float]]


def inversion(
    curve: Told, y: float, between: tuple[float, float], *, share: float = SHARE, u_y: float = 0.0
) -> tuple[float | None, float | None]:
    """Ends of all x at which a curve with (value, u, dof) may be ``y``, itself unsure by ``u_y``;
    None: no end there."""
    at = np.linspace(*between, 4 * _CELLS)
    told = [curve(float(x)) for x in at]
    off = np.array(
        [abs(v - y) - student_t(dof, share) * math.hypot(u, u_y) for v, u, dof in told]
    )  # fmt: skip
    inside = np.flatnonzero(off <= 0.0)
    if not len(inside):
        return None, None
    return _end(at, off, int(inside[0]), -1), _end(at, off, int(inside[-1]), 1)

"""A curve that plates and lots shift sideways, fitted to their patches. Pure.

Depth is a polynomial of the logarithm of the dose, less what the plate and its lot need more than
usual: stock that needs a tenth more dose is as deep at 1.1 times the dose. The shifts are random
effects within a curve; they are fitted by linear mixed models about the shifts found so far
(Lindstrom and Bates 1990; from memory), until these stay.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from platelink.finding.curve import F64, NoFitError
from platelink.finding.mixed import Mixed, mixed
from platelink.finding.wedge import PLATE_SD
from platelink.sensing.gum import ROUGHLY_DOF

LOT_SD = 0.08
"""Of the logarithm of the dose, lot to lot: invented, on the careful side. As PLATE_SD it counts as
known from ROUGHLY_DOF lots, together with those that were compared."""
STAYS = 1e-4
"""Of shifts: a hundredth of a per cent of dose."""
_ROUNDS, _ESTIMATED = 20, 3
"""Rounds until shifts stay, and of these the first that estimate how much groups differ."""
_FAR = 1.0
"""No stock needs e times the dose of another lot: what came to it is no curve of depth."""


@dataclass(frozen=True, slots=True)
class Shifted:
    """The curve. ``low`` to ``high``: logarithms of dose that patches had, their shifts off."""

    model: Mixed
    degree: int
    low: float
    high: float
    _middle: float
    _shifts: tuple[F64, ...]

    def shift(self, grouping: int, name: str) -> float:
        """Logarithm of what a group needs more; 0 of one that was not seen."""
        names = self.model.groups[grouping]
        return float(self._shifts[grouping][names.index(name)]) if name in names else 0.0

    def unshifted(self, logs: F64, lots: Sequence[str]) -> F64:
        """Logarithms of dose with their lots' shifts off."""
        if len(self._shifts) < 2:
            return logs
        return np.asarray(logs - np.array([self.shift(1, lot) for lot in lots]), float)

    def slope(self, log_dose: float) -> float:
        """µm for each e-fold of dose, so far from the middle of the strip."""
        return float(_slopes(np.array([log_dose]), self.model.coefficients)[0])

    def at(
        self, log_dose: float, of: dict[int, str], *, new: Sequence[int] = ()
    ) -> tuple[float, float, float]:
        """(depth, standard uncertainty, degrees of freedom) for groups ``of`` their grouping's
        number, and with what a ``new`` group of each of these groupings adds."""
        off = sum(self.shift(i, name) for i, name in of.items())
        x = log_dose - self._middle - off
        slope = self.slope(x)
        value, u, dof = self.model.predicted(
            _rows(np.array([x]), self.degree)[0], of, new=new, weight=-slope
        )
        return value + slope * off, u, dof


def shifted(
    logs: F64, y: F64, degree: int, plates: Sequence[str], lots: Sequence[str]
) -> Shifted:  # fmt: skip
    """The curve of depths ``y`` at ``logs`` of dose. What is assumed of plates and lots joins what
    is estimated, by degrees of freedom: few would often come out as all alike. NoFitError where the
    patches do not determine it."""
    spare, many = len(set(plates)) - len(set(lots)), len(set(lots))
    groupings = [plates, lots] if many > 1 else [plates]
    fitted = [spare > 0 and len(set(plates)) < len(y), many > 1][: len(groupings)]
    names = [list(dict.fromkeys(grouping)) for grouping in groupings]
    which = [
        np.array([known.index(one) for one in grouping])
        for grouping, known in zip(groupings, names, strict=True)
    ]
    middle = float(np.mean(logs))
    at = logs - middle
    b = np.asarray(np.linalg.lstsq(_rows(at, degree), y, rcond=None)[0], float)
    shifts = [np.zeros(len(known)) for known in names]
    sds: tuple[float, ...] | None = None
    for number in range(_ROUNDS):
        off = np.sum([s[i] for s, i in zip(shifts, which, strict=True)], axis=0)
        slopes = _slopes(at - off, b)
        model = mixed(
            y - slopes * off, _rows(at - off, degree), groupings, fitted, weights=-slopes, sds=sds
        )
        if number == _ESTIMATED - 1:
            sds = model.sds
        model = _with_assumed(model, spare, many)
        b = model.coefficients
        now = [model.effects(i) for i in range(len(groupings))]
        moved = max(float(np.abs(a - b).max()) for a, b in zip(now, shifts, strict=True))
        shifts = now
        if not math.isfinite(moved) or max(float(np.abs(s).max()) for s in shifts) > _FAR:
            raise NoFitError(
                "these patches follow no curve that plates and lots shift; look for a patch that "
                "is odd, or a dose that is not the patch's own"
            )
        if moved < STAYS:
            break
    ends = at - (shifts[1][which[1]] if many > 1 else 0.0) + middle
    return Shifted(model, degree, float(ends.min()), float(ends.max()), middle, tuple(shifts))


def _with_assumed(model: Mixed, spare: int, lots: int) -> Mixed:
    known = [(PLATE_SD, float(spare)), (LOT_SD, lots - 1.0)]
    sds, dofs = [], []
    for (assumed, dof), sd in zip(known, model.sds[:-1], strict=False):
        both = dof + ROUGHLY_DOF
        sds.append(math.sqrt((dof * sd**2 + ROUGHLY_DOF * assumed**2) / both))
        dofs.append(both)
    left = len(model._y) - len(model.groups[0]) - len(model.coefficients) + 1
    return model.with_sds([*sds, model.sds[-1]], [*dofs, max(float(left), 1.0)])


def _rows(at: F64, degree: int) -> F64:
    return np.stack([at**i for i in range(degree + 1)], axis=1)


def _slopes(at: F64, b: F64) -> F64:
    return np.asarray(sum(i * b[i] * at ** (i - 1) for i in range(1, len(b))), float)

"""Curves with constants that are not linear, by least squares, or the reason why they cannot. Pure.

A fit is believed only when it has converged, when no other start comes to a better one, and when
the points determine every constant. SciPy is imported where it is used: it takes long to load.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
Model = Callable[[F64, F64], F64]
"""Values at x of the curve with these constants."""

SAME = 1e-6
"""Sums of squares that differ by no more, relatively, are of one minimum."""
WORST_CONDITION = 1e11
"""Of the scaled normal equations' root: beyond it the points do not tell two constants apart."""
SHARE = 0.95
"""Of intervals."""
_AWAY = (0.8, 1.35)
"""Shares of its result at which a fit is begun again."""


class NoFitError(ValueError):
    """The points do not determine the curve; the text says why, and what would."""


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted curve. ``from_x`` to ``to_x`` are the points it was fitted to."""

    constants: tuple[float, ...]
    covariance: F64
    sd: float
    """Of the points about the curve."""
    rss: float
    dof: int
    from_x: float
    to_x: float
    model: Model

    def u(self, i: int) -> float:
        """Standard uncertainty of a constant."""
        return math.sqrt(float(self.covariance[i, i]))

    def interval(self, i: int, *, inflated: float = 1.0) -> tuple[float, float]:
        """95 % interval of a constant; ``inflated``: its standard uncertainty is so much larger."""
        half = student_t(self.dof) * self.u(i) * inflated
        return self.constants[i] - half, self.constants[i] + half

    def at(self, x: float) -> float:
        """The curve at x. NoFitError beyond the points: it is not known to go on so."""
        if not self.from_x <= x <= self.to_x:
            raise NoFitError(
                f"{x:g} lies beyond the points of the fit, {self.from_x:g} to {self.to_x:g}: "
                "nothing is known of the curve there; measure there too"
            )
        return float(self.model(np.array([x]), np.array(self.constants))[0])


def student_t(dof: float, share: float = SHARE) -> float:
    """Student's t that this share of values stays within, on both sides."""
    from scipy.special import stdtrit

    return float(stdtrit(dof, 0.5 + share / 2.0))


def fitted(
    model: Model, x: Sequence[float] | F64, y: Sequence[float] | F64, start: Sequence[float]
) -> Curve:
    """The curve through points of equal weight, from a start near it; else NoFitError."""
    from scipy.optimize import least_squares

    xs, ys = np.asarray(x, float), np.asarray(y, float)
    n, k = len(ys), len(start)
    if len(xs) != n or n <= k:
        raise NoFitError(f"{n} points cannot carry {k} constants; take more")
    if not (np.isfinite(xs).all() and np.isfinite(ys).all()):
        raise NoFitError("a point is not a finite number")

    def off(constants: F64) -> F64:
        with np.errstate(all="ignore"):
            off_y: F64 = model(xs, constants) - ys
        return np.nan_to_num(off_y, nan=1e100, posinf=1e100, neginf=-1e100)

    def begun_at(constants: F64) -> tuple[F64, float]:
        try:
            found = least_squares(
                off, constants, method="lm", x_scale="jac", xtol=1e-14, ftol=1e-14, gtol=1e-14,
                max_nfev=4000,
            )  # fmt: skip
        except ValueError as error:
            raise NoFitError(f"the curve cannot be computed at its start: {error}") from None
        if found.status <= 0 or not np.isfinite(found.x).all():
            raise NoFitError("the fit has not converged; the points are not of this curve")
        return found.x, 2.0 * float(found.cost)

    best, rss = begun_at(np.asarray(start, float))
    jacobian = _jacobian(off, best)
    sizes = np.linalg.norm(jacobian, axis=0)
    _must_be_determined(jacobian, sizes)
    for away in _AWAY:
        _, rss_again = begun_at(best * away)
        # A perfect fit leaves nothing but rounding, which is not compared.
        if rss_again < rss * (1.0 - SAME) - 1e-20 * float(ys @ ys):
            raise NoFitError("another start ends in a better curve; begin nearer to it")
    r = np.linalg.qr(jacobian / sizes, mode="r")
    inverse = np.linalg.solve(r, np.eye(k)) / sizes[:, None]
    dof = n - k
    covariance = inverse @ inverse.T * (rss / dof)
    return Curve(
        tuple(map(float, best)), covariance, math.sqrt(rss / dof), rss, dof, float(xs.min()),
        float(xs.max()), model,
    )  # fmt: skip


def _jacobian(off: Callable[[F64], F64], at: F64) -> F64:
    """By central differences: good to ten digits, where those of the search are good to four."""
    columns = []
    for i, value in enumerate(at):
        step = np.zeros_like(at)
        step[i] = 6e-6 * (abs(value) or 1.0)
        columns.append((off(at + step) - off(at - step)) / (2.0 * step[i]))
    return np.stack(columns, axis=1)


def _must_be_determined(jacobian: F64, sizes: F64) -> None:
    if not (np.isfinite(jacobian).all() and (sizes > 0.0).all()):
        raise NoFitError("a constant changes nothing at these points; take some where it does")
    if not np.linalg.cond(jacobian / sizes) < WORST_CONDITION:
        raise NoFitError(
            "these points do not determine the constants; take some over a wider range"
        )

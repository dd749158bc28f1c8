"""Weighted least squares of a polynomial with few terms, and Student's t. Pure.

A QR decomposition on scaled columns, so that neither large abscissae nor small coefficients cost
digits; checked against the certified regressions of NIST (StRD).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

_T_99 = (
    63.66, 9.92, 5.84, 4.60, 4.03, 3.71, 3.50, 3.36, 3.25, 3.17, 3.11, 3.05, 3.01, 2.98, 2.95,
    2.92, 2.90, 2.88, 2.86, 2.85,
)  # fmt: skip
_T_99_LARGE = ((25, 2.79), (30, 2.75), (40, 2.70), (50, 2.68), (100, 2.626))
_WORST_CONDITION = 1e8
"""Of the scaled columns: beyond it half of all digits are gone, and no coefficient is known."""


class FitError(ValueError):
    """The points do not determine the terms; the text says why."""


@dataclass(frozen=True, slots=True)
class Fit:
    """``y = sum of coefficients[i] · x ** powers[i]``."""

    powers: tuple[int, ...]
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    """Of the coefficients. As the points scatter (``scaled``), or as their uncertainties say."""
    residuals: tuple[float, ...]
    """y minus the fit, in y's unit."""
    dof: int
    scatter: float
    """sqrt(sum of (residual / u)² / dof): about 1 where the points scatter as their uncertainties
    say; with u = 1 the residual standard deviation. 0 where dof is 0."""

    def at(self, x: float) -> float:
        """The fit at x."""
        return sum(c * x**p for c, p in zip(self.coefficients, self.powers, strict=True))

    def u_at(self, x: float) -> float:
        """Standard uncertainty of the fit at x (JCGM 100:2008, 5.2.2)."""
        row = np.array([float(x) ** p for p in self.powers])
        return float(np.sqrt(max(0.0, row @ np.array(self.covariance) @ row)))

    def u(self, power: int) -> float:
        """Standard uncertainty of one coefficient."""
        i = self.powers.index(power)
        return float(np.sqrt(self.covariance[i][i]))

    def coefficient(self, power: int) -> float:
        """One coefficient."""
        return self.coefficients[self.powers.index(power)]


def weighted_fit(
    x: Sequence[float], y: Sequence[float], u: Sequence[float] | None = None,
    powers: Sequence[int] = (0, 1), *, scaled: bool = True,
) -> Fit:  # fmt: skip
    """The polynomial with these ``powers`` through points of standard uncertainty ``u`` of y
    (None: alike and unknown). ``scaled`` takes the covariance from how the points scatter; False
    takes it from ``u``, made larger where they scatter more (Birge ratio), never smaller."""
    xs, ys = np.asarray(x, float), np.asarray(y, float)
    us = np.ones_like(ys) if u is None else np.asarray(u, float)
    n, k = len(ys), len(powers)
    if n < k or not (len(xs) == n == len(us)):
        raise FitError(f"{n} points cannot carry {k} terms")
    if not (np.isfinite(xs).all() and np.isfinite(ys).all() and (us > 0.0).all()):
        raise FitError("a point is not a finite number, or its uncertainty is not above 0")
    columns = np.stack([xs**p for p in powers], axis=1) / us[:, None]
    sizes = np.linalg.norm(columns, axis=0)
    if not (sizes > 0.0).all():
        raise FitError("all points are at 0")
    q, r = np.linalg.qr(columns / sizes)
    if not np.linalg.cond(r) < _WORST_CONDITION:
        raise FitError("the points lie too close together to determine the terms")
    coefficients = np.linalg.solve(r, q.T @ (ys / us)) / sizes
    residuals = ys - (columns * us[:, None]) @ coefficients
    dof = n - k
    scatter = float(np.sqrt(np.sum((residuals / us) ** 2) / dof)) if dof else 0.0
    inverse = np.linalg.solve(r, np.eye(k)) / sizes[:, None]
    factor = scatter if scaled else max(1.0, scatter)
    covariance = (inverse @ inverse.T) * factor**2
    return Fit(
        tuple(powers), tuple(map(float, coefficients)),
        tuple(tuple(map(float, row)) for row in covariance), tuple(map(float, residuals)), dof,
        scatter,
    )  # fmt: skip


def t_99(dof: int) -> float:
    """Student's t that 99 % of values stay within, on both sides (JCGM 100:2008, table G.2);
    between its rows the larger value."""
    if dof < 1:
        return float("inf")
    if dof <= len(_T_99):
        return _T_99[dof - 1]
    return min([_T_99[-1], *(t for rows, t in _T_99_LARGE if dof >= rows)])

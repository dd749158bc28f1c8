"""Values of patches in plates in lots: a line through all, and what lots and plates add. Pure.

The linear mixed model ``y = X b + lot + plate + patch`` by restricted maximum likelihood (Patterson
and Thompson 1971). What a lot in hand will do is its best linear unbiased prediction (Henderson
1975); degrees of freedom are Satterthwaite's, with the expected information (Giesbrecht and Burns
1985); the three from memory, and checked against published results. Patches of one plate are no
plates, and plates of one lot are no lots: an interval made as if they were is too narrow.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import compress

import numpy as np

from platelink.finding.curve import F64, NoFitError

MOST_ROWS = 600
"""Values that are fitted together: the work grows with their cube."""
_SMALL = 1e-6
"""Share of the variance below which a group adds nothing."""


@dataclass(frozen=True, slots=True)
class Mixed:
    """A fitted model. ``sds``: of each grouping, in the order given, then of single values."""

    coefficients: F64
    sds: tuple[float, ...]
    groups: tuple[tuple[str, ...], ...]
    """Names of each grouping, in the order of their effects."""
    _x: F64
    _y: F64
    _z: tuple[F64, ...]
    dofs: tuple[float, ...] | None = None
    """Degrees of freedom of each of ``sds``; None: as the fit's own information tells."""
    _known: dict[bytes, tuple[F64, F64, F64, F64]] = field(default_factory=dict, compare=False)

    def with_sds(self, sds: Sequence[float], dofs: Sequence[float]) -> Mixed:
        """The same values under standard deviations known better, each from so many degrees of
        freedom."""
        v_inv = np.linalg.inv(self._covariance(np.array(sds) ** 2))
        xtv = self._x.T @ v_inv
        b = np.asarray(np.linalg.solve(xtv @ self._x, xtv @ self._y), float)
        return replace(self, coefficients=b, sds=tuple(sds), dofs=tuple(dofs))

    def _covariance(self, variances: F64) -> F64:
        v: F64 = variances[-1] * np.eye(len(self._y))
        for variance, z in zip(variances[:-1], self._z, strict=True):
            v = v + variance * (z @ z.T)
        return v

    def _variances(self) -> F64:
        return np.array(self.sds) ** 2

    def predicted(
        self, row: F64, of: dict[int, str] | None = None, *, new: Sequence[int] = (),
        weight: float = 1.0,
    ) -> tuple[float, float, float]:  # fmt: skip
        """(value, standard uncertainty, degrees of freedom) of the line at ``row``, for groups
        ``of`` their grouping's number (their effects included, ``weight`` times), and with what one
        ``new`` group of each of these groupings adds."""
        effects = {} if of is None else of
        value, _ = self._told(row, effects, self._variances(), new, weight)
        variances = self._variances()

        def variance(at: F64) -> float:
            return self._told(row, effects, at, new, weight)[1]

        var = variance(variances)
        return value, math.sqrt(max(var, 0.0)), self._dof(variance, var, variances)

    def effects(self, grouping: int) -> F64:
        """What each group of this grouping adds, in the order of their names."""
        v_inv, _, _, b = self._solved(self._variances())
        rest = v_inv @ (self._y - self._x @ b)
        return np.asarray(self.sds[grouping] ** 2 * (self._z[grouping].T @ rest), float)

    def _told(
        self, row: F64, of: dict[int, str], variances: F64, new: Sequence[int], weight: float
    ) -> tuple[float, float]:
        v_inv, xtv, b_cov, b = self._solved(variances)
        c = np.zeros(len(self._y))
        prior = 0.0
        for i, name in of.items():
            if name in self.groups[i]:
                c = c + weight * variances[i] * self._z[i][:, self.groups[i].index(name)]
            prior += weight**2 * variances[i]
        prior += weight**2 * sum(variances[i] for i in new)
        off = row - xtv @ c
        value = float(row @ b + c @ v_inv @ (self._y - self._x @ b))
        return value, float(prior - c @ v_inv @ c + off @ b_cov @ off)

    def _solved(self, variances: F64) -> tuple[F64, F64, F64, F64]:
        """Inverse of V, X'V⁻¹, covariance of the constants, constants; asked for at many rows."""
        key = variances.tobytes()
        if key not in self._known:
            v_inv = np.asarray(np.linalg.inv(self._covariance(variances)), float)
            xtv = self._x.T @ v_inv
            b_cov = np.asarray(np.linalg.inv(xtv @ self._x), float)
            self._known[key] = v_inv, xtv, b_cov, b_cov @ (xtv @ self._y)
        return self._known[key]

    def _dof(self, variance: Callable[[F64], float], var: float, at: F64) -> float:
        """Satterthwaite's, over the variances that are not nothing."""
        used = [i for i in range(len(at)) if at[i] > _SMALL * at.sum()]
        slope = np.zeros(len(used))
        for k, i in enumerate(used):
            step = np.zeros_like(at)
            step[i] = 1e-4 * at[i]
            slope[k] = (variance(at + step) - variance(at - step)) / (2.0 * step[i])
        spread = float(slope @ self._spread(at, used) @ slope)
        return 2.0 * var * var / spread if spread > 0.0 else float(len(self._y))

    def _spread(self, at: F64, used: Sequence[int]) -> F64:
        """Covariance of the variances."""
        if self.dofs is not None:
            return np.diag([2.0 * at[i] ** 2 / self.dofs[i] for i in used])
        v_inv = np.linalg.inv(self._covariance(at))
        xtv = self._x.T @ v_inv
        p = v_inv - xtv.T @ np.linalg.inv(xtv @ self._x) @ xtv
        parts = [p if i == len(self._z) else p @ self._z[i] @ self._z[i].T for i in used]
        information = 0.5 * np.array([[float(np.sum(a * b.T)) for b in parts] for a in parts])
        return np.asarray(np.linalg.pinv(information), float)


def mixed(
    y: F64, x: F64, groupings: Sequence[Sequence[str]], fitted: Sequence[bool] | None = None,
    *, weights: F64 | None = None, sds: Sequence[float] | None = None,
) -> Mixed:  # fmt: skip
    """The model of values ``y`` with rows ``x`` of the line, each in one group of each grouping,
    whose effect it has ``weights`` times; groupings that are not ``fitted`` are given no variance.
    With ``sds`` nothing of the variances is estimated. NoFitError where the values do not
    determine it."""
    y, x = np.asarray(y, float), np.asarray(x, float)
    n, k = x.shape
    if n > MOST_ROWS:
        raise NoFitError(f"{n} patches are too many at once; take the newest {MOST_ROWS}")
    if n <= k or np.linalg.matrix_rank(x) < k:
        raise NoFitError(
            f"{n} patches at these doses do not carry {k} constants; expose more doses"
        )
    names = tuple(tuple(dict.fromkeys(grouping)) for grouping in groupings)
    times = np.ones(n) if weights is None else np.asarray(weights, float)
    size = float(np.median(np.abs(times))) or 1.0
    z = tuple(
        np.array([[float(one == name) for name in known] for one in grouping]) * times[:, None]
        for grouping, known in zip(groupings, names, strict=True)
    )
    which = [True] * len(z) if fitted is None else list(fitted)
    for known, one in zip(names, which, strict=True):
        if one and len(known) < 2:
            raise NoFitError("a grouping with one group tells nothing of groups")
    model = Mixed(np.zeros(k), (), names, x, y, z)
    if sds is not None:
        return replace(model.with_sds(sds, ()), dofs=None)
    scale = float(np.var(y - x @ np.linalg.lstsq(x, y, rcond=None)[0])) or 1e-12
    alike = tuple(one / size for one in compress(z, which))
    told = _restricted(replace(model, _z=alike, _known={}), scale)
    told[:-1] /= size**2
    variances = np.zeros(len(z) + 1)
    variances[[*which, True]] = told
    found = model.with_sds(np.sqrt(variances).tolist(), ())
    return replace(found, dofs=None)


def _restricted(model: Mixed, scale: float) -> F64:
    """Variances of the greatest restricted likelihood, none below nothing.

    On the values' part beside the line; its covariance, a unit matrix and one column a group, is
    inverted by the groups (Woodbury's identity), which are few where values are many."""
    from scipy.optimize import minimize

    x, y, many = model._x, model._y, len(model._z)
    dof = int(len(y) - x.shape[1])
    if not many:
        return np.array([scale * len(y) / dof])
    beside = np.linalg.qr(x, mode="complete")[0][:, x.shape[1] :].T
    rest_y, z = beside @ y, beside @ np.hstack(model._z)
    inner, along, whole = z.T @ z, z.T @ rest_y, float(rest_y @ rest_y)
    sizes = [one.shape[1] for one in model._z]

    def told(ratios: F64) -> tuple[float, float]:
        """Logarithm of the covariance's determinant; what is left of the values, squared."""
        r = np.repeat(ratios, sizes)
        lower = np.linalg.cholesky(np.eye(len(r)) + r[:, None] * inner * r)
        taken = np.linalg.solve(lower, r * along)
        left = max(whole - float(taken @ taken), 1e-12 * whole, 1e-300)
        return 2.0 * float(np.log(np.diag(lower)).sum()), left

    def off(ratios: F64) -> float:
        """Minus twice the likelihood; the variance of single values profiled out."""
        determinant, left = told(ratios)
        return dof * math.log(left / dof) + determinant

    best = min(
        (
            minimize(off, np.full(many, start), method="Nelder-Mead",
                     options={"xatol": 1e-6, "fatol": 1e-9, "maxiter": 600})
            for start in (0.3, 2.0)
        ),
        key=lambda found: float(found.fun),
    )  # fmt: skip
    ratios = np.asarray(best.x, float)
    return np.asarray(np.append(ratios**2, 1.0) * told(ratios)[1] / dof, float)

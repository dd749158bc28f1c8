"""A mean, or the slope of a line, from values known only to lie between two limits. Pure.

Maximum likelihood of normal values, each within its interval (limits may be infinite), and the
interval of one constant by its profile likelihood. The limit of that is the one which gives
Student's interval exactly where values are known exactly: ``(n + f) log(1 + t²/(n - k + f))``, with
f degrees of freedom of a standard deviation known beforehand (a conjugate prior of the variance).
A likelihood that is flat says nothing within its flat part, and an interval without an end is told
as one: neither has a standard error (Meeker and Escobar, *Statistical Methods for Reliability
Data*, 1998, 8, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from platelink.finding.curve import F64, SHARE, NoFitError, student_t

_CELLS = 41
_SDS, _SDS_OF_MEAN = 21, 81
_HALVINGS = 16
FLAT = 0.01
"""Likelihoods as near to the top, as a share of what the interval allows, are alike; the middle of
theirs is told."""


@dataclass(frozen=True, slots=True)
class Told:
    """One constant. A missing end: the values do not bound it within what was looked at."""

    value: float
    low: float | None
    high: float | None
    sd: float
    """Most likely standard deviation of single values."""
    n: int

    @property
    def bounded(self) -> bool:
        """True where both ends are known."""
        return self.low is not None and self.high is not None


def told(
    low: F64, high: F64, x: F64 | None = None, *, sd: float, sd_dof: float,
    between: tuple[float, float], share: float = SHARE,
) -> Told:  # fmt: skip
    """The mean of values within (low, high), or with ``x`` the slope of a line through them.

    ``sd`` is known beforehand with ``sd_dof`` degrees of freedom (0: not at all). The constant is
    looked for ``between`` two values only. NoFitError where nothing can be told."""
    low, high = np.asarray(low, float), np.asarray(high, float)
    n, k = len(low), 1 if x is None else 2
    if n != len(high) or np.isnan(low).any() or np.isnan(high).any() or (low >= high).any():
        raise NoFitError("each value needs a lower limit below its upper one")
    dof = n - k + sd_dof
    if not (np.isfinite(low) | np.isfinite(high)).any() or dof <= 0.0:
        raise NoFitError(f"{n} values tell nothing; take more")
    limit = 0.5 * (n + sd_dof) * math.log1p(student_t(dof, share) ** 2 / dof)
    place = _Profile(low, high, x, sd, sd_dof)
    cells = np.linspace(*between, _CELLS)
    level, _ = place.at(cells)
    within = np.flatnonzero(level >= level.max() - 3.0 * limit)
    first, last = max(within[0] - 1, 0), min(within[-1] + 1, _CELLS - 1)
    fine = np.linspace(cells[first], cells[last], _CELLS)
    level, sds = place.at(fine)
    top = int(np.argmax(level))
    low_end, high_end = _ends(fine, level, limit)
    flat = _ends(fine, level, FLAT * limit)
    value = float(fine[top]) if None in flat else 0.5 * sum(e for e in flat if e is not None)
    return Told(value, low_end, high_end, float(sds[top]), n)


def _ends(at: F64, level: F64, limit: float) -> tuple[float | None, float | None]:
    """Where the likelihood falls below its top by so much; None: it does not."""
    least = level.max() - limit
    inside = np.flatnonzero(level >= least)
    return (
        _crossing(at, level, int(inside[0]), -1, least),
        _crossing(at, level, int(inside[-1]), 1, least),
    )


def _crossing(at: F64, level: F64, i: int, way: int, limit: float) -> float | None:
    j = i + way
    if not 0 <= j < len(at):
        return None
    part = (level[i] - limit) / (level[i] - level[j])
    return float(at[i] + part * (at[j] - at[i]))


class _Profile:
    """The likelihood at each value of the constant, with all else at its best."""

    def __init__(self, low: F64, high: F64, x: F64 | None, sd: float, sd_dof: float) -> None:
        ends = np.concatenate([low, high])
        ends = ends[np.isfinite(ends)]
        rows = np.stack([low, high, np.zeros_like(low) if x is None else x])
        (self.low, self.high, self.x), self.times = np.unique(rows, axis=1, return_counts=True)
        self.sd, self.sd_dof = sd, sd_dof
        spread = max(float(np.ptp(ends)), sd)
        self.sds = np.geomspace(0.05 * sd, 3.0 * spread, _SDS if self.x.any() else _SDS_OF_MEAN)
        self.range = float(ends.min()) - spread, float(ends.max()) + spread

    def at(self, constants: F64) -> tuple[F64, F64]:
        """Log-likelihood, and the standard deviation at which it is that."""
        grid, sds = constants[:, None], self.sds[None, :]
        if not self.x.any():
            return self._at_best_sd(self._level(grid, grid, sds)[0])
        # The likelihood is concave in the line's height: where it rises, its best is higher.
        lean = float(np.abs(self.x).max()) * float(np.abs(constants).max())
        a = np.full((len(constants), _SDS), self.range[0] - lean)
        b = np.full((len(constants), _SDS), self.range[1] + lean)
        for _ in range(_HALVINGS):
            middle = 0.5 * (a + b)
            rising = self._level(middle, grid, sds)[1] > 0.0
            a, b = np.where(rising, middle, a), np.where(rising, b, middle)
        return self._at_best_sd(self._level(0.5 * (a + b), grid, sds)[0])

    def _at_best_sd(self, level: F64) -> tuple[F64, F64]:
        """Of each row the top, by a parabola in the logarithm of the standard deviation."""
        row, best = np.arange(len(level)), np.argmax(level, axis=1)
        i = np.clip(best, 1, len(self.sds) - 2)
        before, here, after = level[row, i - 1], level[row, i], level[row, i + 1]
        bend = before - 2.0 * here + after
        inner = (bend < 0.0) & (best == i)
        off = np.where(inner, 0.5 * (before - after) / np.where(inner, bend, 1.0), 0.0)
        top = np.where(inner, here - 0.25 * (before - after) * off, level[row, best])
        ratio = self.sds[1] / self.sds[0]
        return top, self.sds[best] * ratio**off

    def _level(self, height: F64, slope: F64, sds: F64) -> tuple[F64, F64]:
        """Log-likelihood, and how it changes with the line's height."""
        from scipy.special import log_ndtr

        prior = -self.sd_dof * (np.log(sds) + 0.5 * (self.sd / sds) ** 2)
        level = np.broadcast_to(prior, np.broadcast_shapes(height.shape, sds.shape)).copy()
        rise = np.zeros_like(level)
        for low, high, x, times in zip(self.low, self.high, self.x, self.times, strict=True):
            mean = height + slope * x
            a, b = (low - mean) / sds, (high - mean) / sds
            # Of both tails the small one keeps its digits.
            flip = a > 0.0
            upper, lower = log_ndtr(np.where(flip, -a, b)), log_ndtr(np.where(flip, -b, a))
            with np.errstate(all="ignore"):
                part = upper + np.log1p(-np.exp(np.minimum(lower - upper, 0.0)))
                lean = (np.exp(-0.5 * a * a - part) - np.exp(-0.5 * b * b - part)) / sds
            level += times * np.nan_to_num(part, nan=-1e6, neginf=-1e6)
            # So far away that nothing is left of either: the nearer limit pulls.
            far = np.where(flip, a, np.where(b < 0.0, b, 0.0))
            rise += times * np.where(np.isfinite(lean), lean, far)
        return level, rise

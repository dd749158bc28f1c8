"""Uncertainty of a result from those of its inputs: JCGM 100:2008 (the GUM). Pure.

``u² = sum(c_i c_j u_i u_j r_ij)`` (GUM 5.2.2); degrees of freedom by Welch–Satterthwaite (GUM
G.4.1), in which inputs that are correlated with one another count as one (R. Willink, *Metrologia*
44 (2007) 340, from memory): four channels calibrated by one meter have one error, not four.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

K = 2.0
"""Coverage factor of every U told: 95.45 % of a normal distribution (GUM 6.3.3)."""
ROUGHLY_DOF = 8.0
"""Of an uncertainty that is itself known to a quarter: GUM G.4.2, ½ · 0.25⁻²."""
_STEPS = 2000


class Shape(StrEnum):
    """What a stated value says of its distribution, and so how it is made a standard one."""

    NORMAL = "normal"  # a standard uncertainty, k = 1
    UNIFORM = "uniform"  # a half-width, all in it equally likely (GUM 4.3.7)
    TRIANGULAR = "triangular"  # a half-width, the middle likeliest (GUM 4.3.9)
    ARCSINE = "arcsine"  # the half-width of a swing (GUM H.1.3.4)


_DIVISORS = {
    Shape.NORMAL: 1.0,
    Shape.UNIFORM: math.sqrt(3.0),
    Shape.TRIANGULAR: math.sqrt(6.0),
    Shape.ARCSINE: math.sqrt(2.0),
}


@dataclass(frozen=True, slots=True)
class Input:
    """One input: its stated value in its own unit, and what one unit of it does to the result."""

    value: float
    shape: Shape = Shape.NORMAL
    sensitivity: float = 1.0
    dof: float = math.inf

    @property
    def standard(self) -> float:
        """Standard uncertainty, in its own unit."""
        return self.value / _DIVISORS[self.shape]

    @property
    def part(self) -> float:
        """What it brings to the result, signed, in the result's unit."""
        return self.sensitivity * self.standard


@dataclass(frozen=True, slots=True)
class Combined:
    """The result's uncertainty."""

    u: float
    """Standard."""
    dof: float

    @property
    def expanded(self) -> float:
        """U = k · u with k = 2."""
        return K * self.u

    @property
    def coverage(self) -> float:
        """Share of results within ±U, by Student's distribution with these degrees of freedom."""
        return within(K, self.dof)


def combined(
    inputs: Sequence[Input], correlation: Callable[[int, int], float] = lambda i, j: 0.0
) -> Combined:
    """The uncertainty of the result. ``correlation`` gives r of two different inputs, symmetric,
    -1 to 1. ValueError where the correlations cannot all be."""
    parts = [one.part for one in inputs]
    group = list(range(len(parts)))
    together = [part * part for part in parts]
    for i, first in enumerate(parts):
        for j in range(i):
            r = correlation(i, j)
            if not -1.0 <= r <= 1.0:
                raise ValueError(f"correlation of {r:g}: must be from -1 to 1")
            if r:
                together[i] += 2.0 * r * first * parts[j]
                old, new = group[i], group[j]
                group = [new if g == old else g for g in group]
    square = sum(together)
    if square < -1e-12 * sum(part * part for part in parts):
        raise ValueError("these correlations cannot all be: the variance comes out below 0")
    spent = 0.0
    for g in set(group):
        members = [i for i, of in enumerate(group) if of == g]
        dof = min(inputs[i].dof for i in members)
        spent += max(0.0, sum(together[i] for i in members)) ** 2 / dof
    return Combined(math.sqrt(max(0.0, square)), square * square / spent if spent else math.inf)


def within(k: float, dof: float) -> float:
    """Share of Student's distribution within ±k; of the normal one where ``dof`` is infinite."""
    if math.isinf(dof):
        return math.erf(k / math.sqrt(2.0))
    # The substitution t = sqrt(dof) tan(a) leaves a smooth integrand; Simpson's rule.
    end = math.atan(k / math.sqrt(dof))
    scale = math.exp(math.lgamma((dof + 1.0) / 2.0) - math.lgamma(dof / 2.0)) / math.sqrt(math.pi)
    step = end / _STEPS
    total = math.fsum(
        (1.0 if i in (0, _STEPS) else 4.0 if i % 2 else 2.0)
        * math.pow(math.cos(i * step), dof - 1.0)
        for i in range(_STEPS + 1)
    )
    return 2.0 * scale * total * step / 3.0

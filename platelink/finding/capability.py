"""Limits against spread: capability indices with their intervals. Pure.

NIST/SEMATECH e-Handbook of Statistical Methods 6.1.6: cp = (upper - lower) / 6 sd, cpk = the nearer
limit's distance from the mean / 3 sd; the interval of cp is that of the standard deviation (chi
squared), that of cpk the normal one, sqrt(1 / 9n + cpk² / 2 dof).
"""

from __future__ import annotations

import math
from typing import NamedTuple

LEVEL = 0.95
_Z = 1.959963984540054
"""Of the normal distribution, both tails together."""
RANGE_DOF = 0.62
"""Degrees of freedom of a spread from moving ranges of two, each: what chi squared of the same
variance has (from memory: Wheeler; the tests simulate it)."""


class Interval(NamedTuple):
    """An index, and between what it lies (95 %)."""

    value: float
    low: float
    high: float


def cp(low: float, high: float, sd: float, dof: float) -> Interval:
    """Width of the limits over six spreads. ValueError where there is no spread or no width."""
    _must_be(low, high, sd, dof)
    from scipy.special import chdtri

    value = (high - low) / (6.0 * sd)
    tail = (1.0 - LEVEL) / 2.0
    ends = [math.sqrt(float(chdtri(dof, q)) / dof) for q in (1.0 - tail, tail)]
    return Interval(value, value * ends[0], value * ends[1])


def cpk(low: float, high: float, mean: float, sd: float, *, n: int, dof: float) -> Interval:
    """Distance of the mean from the nearer limit over three spreads; below 0 beyond a limit."""
    _must_be(low, high, sd, dof)
    value = min(high - mean, mean - low) / (3.0 * sd)
    half = _Z * math.sqrt(1.0 / (9.0 * n) + value**2 / (2.0 * dof))
    return Interval(value, value - half, value + half)


def _must_be(low: float, high: float, sd: float, dof: float) -> None:
    if not (high > low and sd > 0.0 and dof >= 1.0):
        raise ValueError(f"limits {low:g} to {high:g}, spread {sd:g}, {dof:g} degrees of freedom: "
                         "no index")  # fmt: skip

"""A straight line through gauge values, and how well its slope is known. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

SURE = 3.0
"""Standard errors to either side of a slope: it lies within in 99.7 of 100 fits."""
LEAST_VALUES = 8
LEAST_KNOWN = 3
STRONGEST_MEMORY = 0.98
"""Of a correlation of neighbours, as far as it is believed: beyond, the line tells nothing."""


@dataclass(frozen=True, slots=True)
class Line:
    """Least squares. Times in seconds, values in kPa."""

    mean_kpa: float
    slope_kpa_per_s: float
    unsure_kpa_per_s: float
    """Half of the slope's interval."""
    sd_kpa: float
    """Of the values around the line."""
    middle_s: float
    """Time of ``mean_kpa``."""
    mean_unsure_kpa: float
    """Half of the mean's interval."""

    def at(self, t: float) -> tuple[float, float]:
        """Value of the line at a time, and half of its interval there: mean and slope of least
        squares are independent, so their errors add in squares."""
        ahead_s = t - self.middle_s
        unsure = math.hypot(self.mean_unsure_kpa, self.unsure_kpa_per_s * ahead_s)
        return self.mean_kpa + self.slope_kpa_per_s * ahead_s, unsure


def fit(points: Sequence[tuple[float, float]], known_sd_kpa: float = 0.0) -> Line | None:
    """The line through (seconds, kPa); None through too few. The values are known to lie at least
    so far from it: then fewer of them are enough.

    Values that follow their neighbours say less than as many independent ones: with the correlation
    r of neighbouring residuals, n of them count as n (1 - r) / (1 + r). Source: Santer et al., J.
    Geophys. Res. 105 (2000) 7337, equation 6 (from memory)."""
    n = len(points)
    if n < (LEAST_KNOWN if known_sd_kpa else LEAST_VALUES):
        return None
    middle = math.fsum(t for t, _ in points) / n
    mean = math.fsum(p for _, p in points) / n
    spread = math.fsum((t - middle) ** 2 for t, _ in points)
    if spread <= 0.0:
        return None
    slope = math.fsum((t - middle) * (p - mean) for t, p in points) / spread
    residuals = [p - mean - slope * (t - middle) for t, p in points]
    squares = math.fsum(r * r for r in residuals)
    memory = math.fsum(a * b for a, b in pairwise(residuals)) / squares if squares else 0.0
    memory = min(max(memory, 0.0), STRONGEST_MEMORY)
    sd = max(known_sd_kpa, math.sqrt(squares / (n - 2)))
    sd_mean = SURE * sd * math.sqrt((1.0 + memory) / (1.0 - memory))
    return Line(
        mean, slope, sd_mean / math.sqrt(spread), sd, middle, sd_mean / math.sqrt(n)
    )  # fmt: skip

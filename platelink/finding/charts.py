"""Control charts of single values: limits, and rules that say something changed. Pure.

Individuals and moving ranges as in NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2: the
spread is the mean moving range over d2 = 1.128, limits are three of it; a moving range has D4 =
3.267. Rules: the four of the Western Electric handbook (1956), and trend and alternation, which the
e-Handbook 6.3.2 gives beside them; too little spread is of L. S. Nelson, J. Quality Technology 16
(1984) 237.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

D2 = 1.128
"""Mean range of two, in standard deviations (2/sqrt(pi), tabled to three places)."""
D4 = 3.267
"""Upper limit of a range of two, in mean ranges."""
LEAST = 10
"""Plates that a chart needs. Common practice, no source; limits of so few are rough."""
MOST_OUT = 0.2
"""Share of the values that may be left out of the limits. Common practice, no source."""


class TooFewError(ValueError):
    """There are not enough values; the text says how many are needed."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What the values themselves say of their spread."""

    mean: float
    sd: float
    """From one value to the next."""
    range_mean: float

    @property
    def low(self) -> float:
        """Lower control limit."""
        return self.mean - 3.0 * self.sd

    @property
    def high(self) -> float:
        """Upper control limit."""
        return self.mean + 3.0 * self.sd

    @property
    def range_high(self) -> float:
        """Upper control limit of moving ranges."""
        return D4 * self.range_mean


class Broken(NamedTuple):
    """A rule that is broken at a value, and the first value that it rests on."""

    at: int
    since: int
    text: str


def limits_of(values: Sequence[float]) -> Limits:
    """Of values in the order they were made; TooFewError below ``LEAST``."""
    if len(values) < LEAST:
        raise TooFewError(f"{len(values)} plates: a chart needs {LEAST}")
    if not all(map(math.isfinite, values)):
        raise ValueError("a value is not finite")
    ranges = [abs(b - a) for a, b in pairwise(values)]
    mean_range = sum(ranges) / len(ranges)
    return Limits(sum(values) / len(values), mean_range / D2, mean_range)


def settled(values: Sequence[float]) -> tuple[Limits, tuple[int, ...]]:
    """Limits of the values that lie within them, and the places of those left out: what lies beyond
    is asked about, and is no part of what is usual. All count where more than a fifth would go."""
    first = limits = limits_of(values)
    out: set[int] = set()
    while True:
        beyond = {
            i for i, v in enumerate(values)
            if i not in out and not limits.low <= v <= limits.high and limits.sd > 0.0
        }  # fmt: skip
        out |= beyond
        if len(out) > len(values) * MOST_OUT or len(values) - len(out) < LEAST:
            return first, ()
        if not beyond:
            return limits, tuple(sorted(out))
        kept = [v for i, v in enumerate(values) if i not in out]
        ranges = [abs(b - a) for i, (a, b) in enumerate(pairwise(values)) if not out & {i, i + 1}]
        if not ranges:
            return first, ()
        mean_range = sum(ranges) / len(ranges)
        limits = Limits(sum(kept) / len(kept), mean_range / D2, mean_range)


class _Share(NamedTuple):
    """So many of so many in a row lie beyond so many spreads, on one side."""

    of: int
    least: int
    beyond: float
    text: str


_SHARES = (
    _Share(1, 1, 3.0, "beyond three spreads"),
    _Share(3, 2, 2.0, "two of three beyond two spreads on one side"),
    _Share(5, 4, 1.0, "four of five beyond one spread on one side"),
    _Share(8, 8, 0.0, "eight in a row on one side of the mean"),
)
_TREND, _TURNS, _CALM = 6, 14, 15


def broken(values: Sequence[float], limits: Limits) -> Iterator[Broken]:
    """Each rule that is broken at each value, oldest first. A chart without any spread breaks
    none."""
    if not limits.sd > 0.0:
        return
    z = [(value - limits.mean) / limits.sd for value in values]
    for at in range(len(z)):
        for rule in _SHARES:
            since = at - rule.of + 1
            if since >= 0 and _on_one_side(z[since : at + 1], rule):
                yield Broken(at, since, rule.text)
        last = values[max(0, at - _TREND + 1) : at + 1]
        steps = [b - a for a, b in pairwise(last)]
        if len(last) == _TREND and (all(s > 0 for s in steps) or all(s < 0 for s in steps)):
            yield Broken(at, at - _TREND + 1, "six in a row rise, or fall")
        if _alternate(values[max(0, at - _TURNS + 1) : at + 1]):
            yield Broken(at, at - _TURNS + 1, "fourteen in a row go up and down by turns")
        near = z[max(0, at - _CALM + 1) : at + 1]
        if len(near) == _CALM and all(abs(one) < 1.0 for one in near):
            yield Broken(at, at - _CALM + 1, "fifteen in a row within one spread: it became less")


def _on_one_side(z: Sequence[float], rule: _Share) -> bool:
    """The newest one is among those that lie beyond."""
    side = math.copysign(1.0, z[-1])
    beyond = [one * side > rule.beyond for one in z]
    return beyond[-1] and sum(beyond) >= rule.least


def _alternate(values: Sequence[float]) -> bool:
    steps = [b - a for a, b in pairwise(values)]
    turns = [a * b < 0.0 for a, b in pairwise(steps)]
    return len(values) == _TURNS and all(turns)

"""A bank of CUSUMs on what a noise model does not tell ahead. Pure.

Tabular CUSUMs, ``S = max(0, S + fall - k)`` with a signal at S > h (NIST/SEMATECH e-Handbook of
Statistical Methods, 6.3.2.3), for falls from fast to creeping, and one of squares for
unsteadiness. The level is the mean of all that was so far, so that no error of one hold test stays
in it (self-starting CUSUM: Hawkins, The Statistician 36 (1987) 299; from memory). A value far from
what was told counts as ``clip`` sigma in a sum and in what is told next: one odd value is
forgotten, a fall that stays adds up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from platelink.control.contact.noise import SQUARES_CLIP, NoiseModel

LEVEL_S = 120.0
"""The level follows what stays for longer."""
TOLD_CLIP = 3.0
"""So many sigma does one value move down what is told next, at most: a step is not told at once. Up
it is: else a pump that resumes would end in a fall."""
LEVEL_CLIP = 2.0
"""So many sigma does one value pull at it, at most."""
SHARE = 2.8
"""One value adds no more than this part of h: fewer than three odd ones in a row signal nothing."""
OVER = 1.5
"""A sum grows to so many times its h and no further: it must be able to end."""
MOST_MISSING = 20
"""Values told ahead in the place of missing ones; later ones are as the last of them."""
LEAST_REST = 1e-3
"""Of a disturbance that the weights do not tell ahead, at least: the level must stay in reach."""
ONE_WAY = 0.7
"""Squares of which so much lies to one side are a fall or a rise."""


def cusum(total: float, fall: float, k: float, most: float = math.inf) -> float:
    """The sum after one value more, which adds ``most`` at most."""
    more = total + min(fall - k, most)
    return more if more > 0.0 else 0.0


def _level(weights: Sequence[float], values: Sequence[float]) -> tuple[float, float]:
    """Mean, and of how many values it is: of what the weights do not tell ahead, without the tenth
    at either end, so that no tone and no odd value is in it."""
    order = len(weights)
    if len(values) < 2 * order + 10:
        return math.fsum(values) / len(values), float(len(values))
    rest = max(LEAST_REST, 1.0 - math.fsum(weights))
    left = sorted(
        value - math.fsum(w * values[i - lag] for lag, w in enumerate(weights, 1))
        for i, value in enumerate(values) if i >= order
    )  # fmt: skip
    off = len(left) // 10
    middle = left[off : len(left) - off]
    return math.fsum(middle) / len(middle) / rest, float(len(middle))


class Bank:
    """One a watch. A value costs some microseconds."""

    def __init__(self, model: NoiseModel, before_kpa: Sequence[float]) -> None:
        """``before_kpa``: the values of the hold test, at least one, oldest first."""
        self.model = model
        self.level_kpa, self._values = _level(model.weights, before_kpa)
        self.signals = self.unsteady = False
        """A fall is signalled until no sum is above its h any more; the same of unsteadiness."""
        self.falls_for = 0
        """Values since the fastest of the CUSUMs that signal was last at 0."""
        self.sums = [0.0] * len(model.cusums)
        order = len(model.weights)
        newest = list(before_kpa[: -order - 1 : -1]) if order else []
        self._told = newest + [self.level_kpa] * (order - len(newest))
        """Newest first."""
        self._most = LEVEL_S / model.frame_s
        self._rest = max(LEAST_REST, 1.0 - math.fsum(model.weights))
        self._runs = [0] * len(model.cusums)
        self._cusums = [(i, k, h, h / SHARE) for i, (k, h) in enumerate(model.cusums)]
        self._squares = self._leaning = 0.0

    def add(self, vacuum_kpa: float, missing: int = 0) -> None:
        """Take one value, before which so many did not come."""
        model, told = self.model, self._ahead()
        for _ in range(min(missing, MOST_MISSING) if model.weights else 0):
            self._take(told)
            told = self._ahead()
        sigma = model.sigma_kpa * math.sqrt(1.0 + 1.0 / self._values)
        off = max(-model.clip, min(model.clip, (vacuum_kpa - told) / sigma))
        self._take(told + max(-TOLD_CLIP, off) * sigma)
        self._values = values = min(self._values + 1.0, self._most)
        pull = max(-LEVEL_CLIP, min(LEVEL_CLIP, off))
        self.level_kpa += pull * model.sigma_kpa / (self._rest * values)
        self._square(off)
        self._fall(-off)

    def _ahead(self) -> float:
        level = told = self.level_kpa
        for weight, value in zip(self.model.weights, self._told, strict=True):
            told += weight * (value - level)
        return told

    def _take(self, value_kpa: float) -> None:
        if self._told:
            self._told.pop()
            self._told.insert(0, value_kpa)

    def _fall(self, fall: float) -> None:
        sums, runs, fastest = self.sums, self._runs, 0
        for i, k, h, most in self._cusums:
            total = cusum(sums[i], fall, k, most)
            if not total:
                sums[i], runs[i] = 0.0, 0
                continue
            sums[i] = min(total, OVER * h)
            runs[i] += 1
            if total > h:
                fastest = runs[i]
        self.signals, self.falls_for = fastest > 0, fastest

    def _square(self, off: float) -> None:
        k, h = self.model.squares
        square = min(abs(off), SQUARES_CLIP) ** 2
        total = cusum(self._squares, square, k)
        if not total:
            self._squares = self._leaning = 0.0
            self.unsteady = False
            return
        self._squares = min(total, OVER * h)
        leaning = self._leaning + math.copysign(square, off)
        self._leaning = max(-total, min(total, leaning))
        self.unsteady = total > h and abs(self._leaning) < ONE_WAY * total

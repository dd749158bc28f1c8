"""The curve of a pull-down: what it will reach, and how fast. Pure.

A frame of constant volume on a pump of constant speed comes to its plateau P with one time constant
T, leaks or not: dp/dt = (P - p) / T (any handbook of vacuum technology). So a straight line through
rates against pressures has its zero at P.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

PIECE_S = 0.5
"""One rate each."""
LEAST_PIECES = 6
NEAR = 0.85
"""Of its plateau: nearer, not much is told ahead any more."""
ONE_TIME_CONSTANT = 1.0 - math.exp(-1.0)
BEGUN = 0.05
SURE = 3.0
LEAST_HELD = 3
"""Pull-downs that say what is usual."""
LESS_KPA = 2.0
LONGER = 1.5
"""So much less, or longer, than usual is told."""


@dataclass(frozen=True, slots=True)
class Usual:
    """What this unit's pull-downs come to while nothing is wrong; NaN: not known."""

    vacuum_kpa: float = math.nan
    settles_s: float = math.nan
    """Time constant."""

    def of(self, vacuum_kpa: float, settles_s: float) -> str:
        """How far this one is from it, to be said; empty where it is as usual or nothing is
        known."""
        if vacuum_kpa < self.vacuum_kpa - LESS_KPA:
            usual = f"usually {self.vacuum_kpa:.1f} kPa"
        elif settles_s > LONGER * self.settles_s:
            usual = f"by {settles_s:.1f} s as time constant, usually {self.settles_s:.1f} s"
        else:
            return ""
        return f", {usual}: look for a leak and at the pump before the next exposure"


NOT_KNOWN = Usual()


def usual(held: list[tuple[float, float]]) -> Usual:
    """The middle of (vacuum, time constant) of the unit's last pull-downs."""
    if len(held) < LEAST_HELD:
        return NOT_KNOWN
    times = [settles_s for _, settles_s in held if math.isfinite(settles_s)]
    long_enough = len(times) >= LEAST_HELD
    middle_kpa = median(kpa for kpa, _ in held)
    return Usual(middle_kpa, median(times) if long_enough else math.nan)


class PullDown:
    """One a gate; takes every value from the beginning."""

    def __init__(self) -> None:
        self._pieces: list[tuple[float, float]] = []
        """The first value with its time, then means of each piece."""
        self._piece: list[tuple[float, float]] = []

    def add(self, vacuum_kpa: float, *, now: float) -> bool:
        """Take one value; True when a piece is whole."""
        piece = self._piece
        if not self._pieces:
            self._pieces.append((now, vacuum_kpa))
        if not piece or now - piece[0][0] < PIECE_S:
            piece.append((now, vacuum_kpa))
            return False
        n = len(piece)
        self._pieces.append((sum(t for t, _ in piece) / n, sum(p for _, p in piece) / n))
        self._piece = [(now, vacuum_kpa)]
        return True

    def plateau(self) -> tuple[float, float] | None:
        """What it will reach, and half of its interval; None while that cannot be told."""
        pieces = self._pieces[-2 * LEAST_PIECES :]
        if len(pieces) < LEAST_PIECES:
            return None
        rates = [
            ((p1 + p0) / 2.0, (p1 - p0) / (t1 - t0)) for (t0, p0), (t1, p1) in pairwise(pieces)
        ]
        n = len(rates)
        middle, rate = sum(p for p, _ in rates) / n, sum(r for _, r in rates) / n
        spread = sum((p - middle) ** 2 for p, _ in rates)
        if spread <= 0.0:
            return None
        falls = -sum((p - middle) * (r - rate) for p, r in rates) / spread
        rest = sum((r - rate + falls * (p - middle)) ** 2 for p, r in rates) / (n - 2)
        if falls <= SURE * math.sqrt(rest / spread):
            return None  # it does not settle yet
        plateau = middle + rate / falls
        unsure = SURE * math.sqrt(rest * (1.0 / n + (plateau - middle) ** 2 / spread)) / falls
        return plateau, unsure

    def settles_s(self, plateau_kpa: float) -> float:
        """Time constant to this plateau; NaN where it was not seen from its beginning."""
        begun_kpa = max([BEGUN * plateau_kpa, *(p for _, p in self._pieces[:1])])
        over_kpa = ONE_TIME_CONSTANT * plateau_kpa
        begun, over = self._reached(begun_kpa), self._reached(over_kpa)
        if not (begun < over and begun_kpa < over_kpa):
            return math.nan
        return (over - begun) / (1.0 + math.log1p(-begun_kpa / plateau_kpa))

    def _reached(self, kpa: float) -> float:
        """When, between two pieces."""
        for (t0, p0), (t1, p1) in pairwise(self._pieces):
            if p0 <= kpa < p1:
                return t0 + (t1 - t0) * (kpa - p0) / (p1 - p0)
        return math.nan

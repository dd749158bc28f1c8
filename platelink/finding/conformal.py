"""Intervals that hold as often as they say, whatever the model behind them is wrong about. Pure.

Split conformal scores (how far off, in the model's own spread) of what was measured; the share that
the interval leaves out follows what came true: adaptive conformal inference (Gibbs and Candès 2021,
from memory; checked against the library MAPIE). Plates are not measured alike often: where one in
n is, it counts n times, so that the share is that of all plates and not of those measured.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

SHARE = 0.95
STEP = 0.01
"""By which the share left out follows a plate."""
NEWEST = 150
"""Scores that are used."""
LEAST, MOST = 0.002, 0.25
"""Of the share left out: an interval without end tells nothing, a short one is no caution."""
PRIOR = tuple(float(s) for s in np.linspace(0.05, 2.6, 30))
"""Scores that stand in until some are measured; about those of Student's t with 8 degrees."""


@dataclass(frozen=True, slots=True)
class Conformal:
    """What was learned of the scores; ``updated`` returns the next one."""

    left_out: float = 1.0 - SHARE
    scores: tuple[tuple[float, float], ...] = tuple((s, 1.0) for s in PRIOR)
    """(score, how many plates it stands for), oldest first."""
    step: float = STEP

    @property
    def quantile(self) -> float:
        """Times the model's spread that the interval reaches to each side."""
        scores = np.array([s for s, _ in self.scores])
        weights = np.array([w for _, w in self.scores])
        return weighted_quantile(scores, weights, 1.0 - self.left_out)

    def updated(self, score: float, stands_for: float = 1.0) -> Conformal:
        """After a measured plate that was ``score`` spreads off and stands for so many."""
        missed = float(score > self.quantile)
        moved = self.left_out + self.step * stands_for * (1.0 - SHARE - missed)
        return replace(
            self, left_out=min(max(moved, LEAST), MOST),
            scores=(*self.scores, (score, stands_for))[-NEWEST:],
        )  # fmt: skip


def weighted_quantile(values: np.ndarray, weights: np.ndarray, share: float) -> float:
    """Least value that ``share`` of the weights lies at or below, one more value than the
    greatest counted beyond it, as split conformal asks; the greatest where all are needed."""
    order = np.argsort(values)
    upto = np.cumsum(weights[order])
    whole = upto[-1] + weights.mean()
    place = int(np.searchsorted(upto, share * whole - 1e-12 * whole))
    return float(values[order[min(place, len(order) - 1)]])

"""Counts of one input as they come: mean, scatter, and whether they have settled. Pure.

The device sends sums of a frame, not single conversions. The scatter of a single one follows from
that of the frames' means, times the root of their number; where the device tells lowest and highest
of a frame, those go with it.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from platelink.sensing.calibration import Counts, Quantity

if TYPE_CHECKING:
    import numpy as np

LEAST_FRAMES = 20
NEWEST = 3
DRIFT_COUNTS = 0.5
"""Over the window: half a step of the converter is below what a calibration asks for."""
DRIFT_ON_BUS = 0.2
"""The same of an instrument on the bus, in kPa or °C: it tells some values a second, not thousands,
and a calibration asks for a reference of 1.5."""
WINDOW_S = {
    Quantity.LIGHT: 15.0, Quantity.VACUUM: 6.0, Quantity.OVEN: 60.0, Quantity.HEAD: 60.0,
}  # fmt: skip
"""How long counts must stand still."""
DRIFT_SHARE = {
    Quantity.LIGHT: 0.015, Quantity.VACUUM: 0.003, Quantity.OVEN: 0.003, Quantity.HEAD: 0.003,
}  # fmt: skip
"""Of the mean, where that is more. Lamps themselves waver by some tenths of a percent."""


class Frame(NamedTuple):
    """One input in one frame."""

    t: float
    total: float
    n: int
    low: int | None
    high: int | None
    head_c: float | None
    supply_v: float | None


@dataclass(frozen=True, slots=True)
class Settled:
    """What is known of the counts now."""

    counts: Counts | None
    """None before the first frames."""
    drift: float
    """Change over the window, counts."""
    limit: float
    """Largest that is settled."""
    waits_s: float
    """To the end of the shortest window; 0 once it is full."""
    settled: bool
    text: str


class Settling:
    """Keeps the last window of an input."""

    def __init__(self, quantity: Quantity, per_count: float | None = None) -> None:
        """``per_count``: kPa or °C of one count of an instrument on the bus."""
        self._window_s, self._share = WINDOW_S[quantity], DRIFT_SHARE[quantity]
        self._least = DRIFT_COUNTS if per_count is None else DRIFT_ON_BUS / per_count
        self._frames: deque[Frame] = deque()

    def restart(self) -> None:
        """Forget everything: the device began anew, or frames are missing."""
        self._frames.clear()

    def add(self, frame: Frame) -> None:
        """One frame more; an empty one says nothing."""
        if frame.n <= 0:
            return
        frames = self._frames
        if frames and not 0.0 < frame.t - frames[-1].t < self._window_s / 2.0:
            frames.clear()
        frames.append(frame)
        while frame.t - frames[0].t > self._window_s and len(frames) > LEAST_FRAMES:
            frames.popleft()

    def now(self) -> Settled:
        """What is known now."""
        frames = self._frames
        if len(frames) < 3:
            return Settled(None, 0.0, self._least, self._window_s, False, "no counts yet")
        counts, drift, u_drift = _account(frames)
        limit = max(self._least, self._share * abs(counts.mean))
        waits_s = max(0.0, 0.95 * self._window_s - (frames[-1].t - frames[0].t))
        if waits_s > 0.0 or len(frames) < LEAST_FRAMES:
            text = f"reading; at least {waits_s:.0f} s more"
            return Settled(counts, drift, limit, waits_s, False, text)
        # two-sided: with this spread it must be sure that it stands, not unsure that it moves
        settled = abs(drift) + 2.0 * u_drift <= limit
        text = "settled" if settled else (
            f"not settled: {drift:+.2f} ± {2.0 * u_drift:.2f} counts in {self._window_s:.0f} s, "
            f"at most {limit:.2f}; wait"
        )  # fmt: skip
        jump = _newest(frames) - counts.mean
        if settled and abs(jump) > limit + 3.0 * counts.rms / math.sqrt(frames[-1].n):
            text = f"not settled: it has just changed by {jump:+.1f} counts; wait"
            settled = False
        return Settled(counts, drift, limit, 0.0, settled, text)


def _newest(frames: deque[Frame]) -> float:
    """Mean of the last few frames: a level that was just changed shows there first."""
    last = list(frames)[-NEWEST:]
    return sum(f.total for f in last) / sum(f.n for f in last)


def _account(frames: deque[Frame]) -> tuple[Counts, float, float]:
    """Counts of the window, their drift over it and its standard uncertainty."""
    import numpy as np  # noqa: PLC0415 -- whoever reads a configuration comes by here

    t = np.array([f.t for f in frames])
    n = np.array([f.n for f in frames], float)
    means = np.array([f.total for f in frames], float) / n
    mean = float(np.sum(means * n) / np.sum(n))
    away = means - mean
    middle = t - np.mean(t)
    slope = float(np.sum(middle * means) / np.sum(middle**2))
    rest = away - slope * middle
    dof = len(frames) - 2
    sd = float(np.sqrt(np.sum(rest**2) / dof))
    follows = _follows(rest)
    span = float(t[-1] - t[0])
    u_slope = sd * follows / math.sqrt(float(np.sum(middle**2)))
    sure = max(0.0, abs(slope) - 2.0 * u_slope) * span
    rms = float(np.sqrt(np.sum(n * rest**2) / dof))
    lows = [f.low for f in frames if f.low is not None]
    highs = [f.high for f in frames if f.high is not None]
    heads = [f.head_c for f in frames if f.head_c is not None]
    supplies = [f.supply_v for f in frames if f.supply_v is not None]
    counts = Counts(
        mean=mean, rms=rms, n=int(np.sum(n)),
        # the reference is read somewhere on the way that the counts still go
        u_mean=math.hypot(sd * follows / math.sqrt(len(frames)), sure / math.sqrt(12.0)),
        low=min(lows) if lows else None, high=max(highs) if highs else None,
        head_c=sum(heads) / len(heads) if heads else None,
        supply_v=sum(supplies) / len(supplies) if supplies else None,
    )  # fmt: skip
    return counts, slope * span, u_slope * span


def _follows(rest: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
    """By how much the uncertainty of a mean grows because each frame follows on the one before:
    sqrt((1 + r) / (1 - r)) for a first-order autoregression with correlation r."""
    total = float((rest**2).sum())
    if total <= 0.0:
        return 1.0
    r = min(max(float((rest[1:] * rest[:-1]).sum()) / total, 0.0), 0.95)
    return math.sqrt((1.0 + r) / (1.0 - r))

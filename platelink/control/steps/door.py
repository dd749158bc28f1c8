"""Whether the oven's door is open: it loses heat faster than with its door closed. Pure.

How fast an oven falls behind its closed door, between two times that it heats, is a matter of
its mass: a light one falls faster than a heavy one with its door open. So each oven teaches its own
rate, over all of its bakes.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from statistics import median
from typing import NamedTuple

from platelink.events.event import read
from platelink.events.steps import BakeEnded
from platelink.runs import RunEvent

_MEAN_OF_S = 1.0
WINDOW_S = 20.0
"""The slope is that of the last seconds, at most."""
LEAST_MEANS = 4
"""Of a second each, since the oven began to fall: fewer have no slope."""
KEPT = 9
"""Newest falls behind a closed door; half of them may be of an open one that nobody saw."""
LEARNED_FROM = 3
"""Falls; before, the oven's rate is not known."""
TIMES = 2.5
"""As fast as behind the closed door is an open one. Common practice, no source."""
LEAST_MORE_C_PER_MIN = 0.3
"""Or faster by this, where the closed oven hardly falls."""
SURE = 5.0
"""Standard errors of the slope beyond that: noise is no door."""
TURN_C = 0.3
"""An oven that comes back by so much has turned."""
TURN_SD = 6.0
"""Or by so many standard deviations of a second's mean, where that is more."""


class Fall(NamedTuple):
    """One fall of the closed oven, from its turn to its turn."""

    until_t: float
    c_per_min: float


class ClosedFalls:
    """How fast the oven falls behind its closed door; one a unit, taught by every bake."""

    def __init__(self, told: Iterable[RunEvent] = ()) -> None:
        """``told``: events of the record, oldest first."""
        self._rates: deque[float] = deque(maxlen=KEPT)
        self._until_t = -math.inf
        for event in told:
            ended = read(BakeEnded, event.name, event.data)
            for rate in (ended.closed_falls_c_per_min or ()) if ended is not None else ():
                self._rates.append(rate)

    def add(self, fall: Fall) -> None:
        """Take a fall; of two bakes in one oven the second tells the same again."""
        if fall.until_t > self._until_t + _MEAN_OF_S:
            self._until_t = fall.until_t
            self._rates.append(fall.c_per_min)

    @property
    def c_per_min(self) -> float | None:
        """Positive; None while it is not known."""
        return median(self._rates) if len(self._rates) >= LEARNED_FROM else None


class DoorWatch:
    """Straight line through the last seconds of a fall, against what the closed oven does.

    While that is not known, a fall of ``unlearned_c_per_min`` is an open door only below
    ``low_c``: a light oven may fall as fast behind its closed door, and turns above it."""

    def __init__(self, falls: ClosedFalls, *, low_c: float, unlearned_c_per_min: float) -> None:
        self._falls = falls
        self._low_c = low_c
        self._unlearned = unlearned_c_per_min
        self.seen: list[Fall] = []
        """Falls behind the closed door, of this bake."""
        self._seconds: deque[float] = deque(maxlen=300)
        """Second differences of the means of a second: noise, whatever the oven does."""
        self._sd_c = 0.0
        """Of a second's mean, by their median; 0 before there are any."""
        self.clear()

    def clear(self) -> None:
        """Forget the readings, and what was seen in them."""
        self._means: deque[tuple[float, float]] = deque()
        self._bin: list[tuple[float, float]] = []
        self._turn: tuple[float, float] | None = None
        """Highest while it rises, lowest while it falls."""
        self._top: tuple[float, float] | None = None
        """Where the present fall began; None while it rises."""
        self._was_open = False
        """In the present fall."""
        self.slope_c_per_min = 0.0
        """Of the present fall; 0 until it is known, and while the oven does not fall."""
        self.open = False

    @property
    def limit_c_per_min(self) -> float:
        """A fall as fast as this is an open door, positive."""
        closed = self._falls.c_per_min
        if closed is None:
            return self._unlearned
        return max(TIMES * closed, closed + LEAST_MORE_C_PER_MIN)

    def add(self, t: float, oven_c: float) -> None:
        """Take one reading."""
        if self._bin and t - self._bin[0][0] >= _MEAN_OF_S:
            n = len(self._bin)
            mean = sum(x for x, _ in self._bin) / n, sum(y for _, y in self._bin) / n
            self._bin.clear()
            self._take(mean)
        self._bin.append((t, oven_c))

    def _take(self, mean: tuple[float, float]) -> None:
        means = self._means
        means.append(mean)
        while mean[0] - means[0][0] > WINDOW_S:
            means.popleft()
        if len(means) > 2:
            self._seconds.append(abs(means[-1][1] - 2.0 * means[-2][1] + means[-3][1]))
            self._sd_c = median(self._seconds) / (0.6745 * math.sqrt(6.0))
        self._turned(mean)
        self._judge()

    def _turned(self, mean: tuple[float, float]) -> None:
        """Follow the oven from turn to turn; a whole fall behind the closed door teaches."""
        turn = self._turn
        if turn is None:
            self._turn = mean
            return
        back = max(TURN_C, TURN_SD * self._sd_c)
        if self._top is None:
            if mean[1] > turn[1]:
                self._turn = mean
            elif turn[1] - mean[1] >= back:
                self._top, self._turn = turn, mean
        elif mean[1] < turn[1]:
            self._turn = mean
        elif mean[1] - turn[1] >= back:
            self._fell(self._top, turn)
            self._top, self._turn, self._was_open = None, mean, False

    def _fell(self, top: tuple[float, float], low: tuple[float, float]) -> None:
        seconds = low[0] - top[0]
        if self._was_open or seconds < LEAST_MEANS * _MEAN_OF_S:
            return
        fall = Fall(low[0], 60.0 * (top[1] - low[1]) / seconds)
        self.seen.append(fall)
        self._falls.add(fall)

    def _judge(self) -> None:
        since = self._top[0] if self._top is not None else math.inf
        points = [point for point in self._means if point[0] > since]
        n = len(points)
        if n < LEAST_MEANS:
            self.slope_c_per_min = 0.0
            if self.open and self._top is None:
                self.open = False
            return
        self.slope_c_per_min, stt = _slope(points)
        unsure = 60.0 * self._sd_c / math.sqrt(stt)
        below = self._falls.c_per_min is not None or points[-1][1] < self._low_c
        if below and self.slope_c_per_min <= -self.limit_c_per_min - SURE * unsure:
            self.open = self._was_open = True


def _slope(points: list[tuple[float, float]]) -> tuple[float, float]:
    """°C/min, and the sum of squares of the times."""
    n = len(points)
    mean_t = sum(t for t, _ in points) / n
    mean = sum(c for _, c in points) / n
    stt = sum((t - mean_t) ** 2 for t, _ in points)
    return 60.0 * sum((t - mean_t) * (c - mean) for t, c in points) / stt, stt

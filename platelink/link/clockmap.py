"""Device ticks to host monotonic seconds, robust to frames that arrive late. Pure.

A frame never arrives early: ``arrival = t(tick) + delay`` with delays that are only positive and
may be large (USB polling, a stalled computer, batches). So the line sought runs *below* all
points, and the best one is the edge of the lower convex hull above the middle of the points: of
all lines below them it is the one closest to them on average (the linear-programme estimate of
clock skew of Moon, Skelly and Towsley, INFOCOM 1999; from memory).

Points are kept as lower hulls of one-second blocks; old blocks are merged pairwise into longer
ones. A fit walks from the newest block to the oldest and keeps the longest stretch whose rate
agrees with that of every shorter one, so a drifting resonator shortens the stretch by itself.
"""

from __future__ import annotations

from itertools import pairwise
from math import sqrt

RATE_PRIOR = 0.005
"""Ceramic resonators of microcontroller boards: 0.5 % (datasheet figure, from memory)."""
POLL_S = 0.001
"""A full-speed USB bus is polled once a millisecond: arrival times are no better than that, and
the error need not average out (it beats with the frame rate)."""
BLOCK_S = 1.0
BLOCKS_PER_LEVEL = 4
WINDOW_S = 600.0
MIN_BLOCKS = 5
REFIT_S = 8.0
"""Longest time between fits: keeps the cost of ``add`` low once the rate is known."""
DRIFT_S = 20.0
"""The rates of shorter stretches are too uncertain to show a drift."""
AGREE = 1.2
"""Half widths within which the rates of two stretches count as the same."""
FLOOR_FACTOR = 3.0
"""Width of the reported interval; chosen so that the true error lies within it in 95 % of
simulated runs of every kind of delay tried (tests)."""

Point = tuple[float, float]
Hull = list[Point]
Line = tuple[Point, float]
"""A point of it and its slope."""


def unwrap(tick32: int, near: int) -> int:
    """The value nearest to ``near`` whose low 32 bits are ``tick32``; not below 0."""
    value = near + (((tick32 - near) + 0x8000_0000) & 0xFFFF_FFFF) - 0x8000_0000
    return value if value >= 0 else tick32


def push(hull: Hull, x: float, y: float) -> None:
    """Add a point to the left of a lower hull that is kept from right to left."""
    while len(hull) > 1:
        (x1, y1), (x2, y2) = hull[-2], hull[-1]
        if (y2 - y1) * (x - x1) > (y - y1) * (x2 - x1):
            break
        hull.pop()
    hull.append((x, y))


class Block:
    """The lower hull, newest point first, of the points within a stretch of ticks."""

    __slots__ = ("hull", "level")

    def __init__(self, hull: Hull, level: int) -> None:
        self.hull, self.level = hull, level


def middle_edge(hull: Hull) -> Line:
    """(a point, slope) of the hull edge above the middle of its points' range."""
    middle = (hull[0][0] + hull[-1][0]) / 2
    for (x1, y1), (x2, y2) in pairwise(hull):
        if x2 <= middle:
            return (x2, y2), (y1 - y2) / (x1 - x2)
    raise ValueError("a hull of fewer than two points has no edge")


def height(hull: Hull, line: Line) -> float:
    """How far the lowest point of a hull lies above a line."""
    (x0, y0), slope = line
    base = y0 - slope * x0
    lowest = float("inf")
    for x, y in hull:
        above = y - slope * x
        if above >= lowest:  # convex: from here on it only rises
            break
        lowest = above
    return lowest - base


def half_width(blocks: list[Block], line: Line, span: float) -> float:
    """Uncertainty of the slope of ``line`` below ``blocks``, in seconds per tick.

    The lowest point of each block lies some way above the line; the line touches two of them.
    Their mean over the root of the number in a third of the stretch says how well the floor of
    the delays is known at either end (exact for delays that thin out towards the floor like a
    line, cautious for others)."""
    above = sum([height(block.hull, line) for block in blocks])
    floor = above / (len(blocks) - 2) / sqrt(len(blocks) / 3)
    return (POLL_S + FLOOR_FACTOR * floor) / span


class ClockMap:
    """Line from ticks to host seconds. ``add`` costs a few microseconds at most, amortised."""

    def __init__(self, nominal_hz: float) -> None:
        self.nominal_hz = nominal_hz
        self.reset()

    def reset(self) -> None:
        """Forget everything: the device started anew, or the host's clock did not run."""
        self.tick_s = 1.0 / self.nominal_hz
        self.rel_uncertainty = 1.0
        self._blocks: list[Block] = []  # oldest first
        self._open: list[Point] = []
        self._block_end = 0.0
        self._refit_at = 0.0
        self._ticks0, self._now0 = 0, 0.0
        self._first_x = self._last_x = 0.0
        self._x, self._y = 0.0, 0.0  # a point of the line
        self._empty = True

    @property
    def span_s(self) -> float:
        """Seconds of device time seen since the last reset."""
        return (self._last_x - self._first_x) * self.tick_s

    def add(self, ticks: int, now: float) -> None:
        """A frame stamped ``ticks`` (unwrapped) was read at ``now``. Ticks that do not grow are
        ignored: a duplicate says nothing new."""
        if self._empty:
            self._begin(ticks, now)
            return
        x, y = float(ticks - self._ticks0), now - self._now0
        if x <= self._last_x:
            return
        self._last_x = x
        if x >= self._block_end:
            self._close_block(x)
        self._open.append((x, y))
        below = self._y + (x - self._x) * self.tick_s - y
        if below > 0.0:
            self._y -= below

    def t_of(self, ticks: int) -> float:
        """Host monotonic seconds at which that tick happened (plus the least delay a frame ever
        has). Only after the first ``add``."""
        return self._now0 + self._y + (ticks - self._ticks0 - self._x) * self.tick_s

    def _begin(self, ticks: int, now: float) -> None:
        self._empty = False
        self._ticks0, self._now0 = ticks, now
        self._open.append((0.0, 0.0))
        self._block_end = BLOCK_S * self.nominal_hz
        self.rel_uncertainty = RATE_PRIOR

    def _close_block(self, x: float) -> None:
        hull: Hull = []
        for point in reversed(self._open):
            push(hull, *point)
        self._blocks.append(Block(hull, 0))
        self._open = []
        self._block_end = x + BLOCK_S * self.nominal_hz
        self._merge()
        if x >= self._refit_at and len(self._blocks) >= MIN_BLOCKS:
            self._fit()
            self._refit_at = x + min(REFIT_S * self.nominal_hz, x / 16)

    def _merge(self) -> None:
        """Join the two oldest blocks of a level that has too many; drop what is too old."""
        level = 0
        while True:
            same = [i for i, block in enumerate(self._blocks) if block.level == level]
            if len(same) <= BLOCKS_PER_LEVEL:
                break
            older, newer = self._blocks[same[0]], self._blocks[same[1]]
            hull = newer.hull
            for point in older.hull:
                push(hull, *point)
            self._blocks[same[0] : same[1] + 1] = [Block(hull, level + 1)]
            level += 1
        oldest_allowed = self._last_x - WINDOW_S * self.nominal_hz
        while self._blocks[0].hull[0][0] < oldest_allowed and len(self._blocks) > MIN_BLOCKS:
            del self._blocks[0]

    def _fit(self) -> None:
        """Grow the stretch backwards while its rate agrees with every shorter stretch."""
        hull: Hull = []
        stretch: list[Block] = []
        fits: list[tuple[float, Line, float]] = []  # span, line, half width
        low, high = 0.0, float("inf")
        for block in reversed(self._blocks):
            stretch.append(block)
            for point in block.hull:
                push(hull, *point)
            if len(stretch) < MIN_BLOCKS:
                continue
            span, line = hull[0][0] - hull[-1][0], middle_edge(hull)
            width = half_width(stretch, line, span)
            low = max(low, line[1] - AGREE * width)
            high = min(high, line[1] + AGREE * width)
            if low > high:
                break
            fits.append((span, line, width))
        span, line, width = fits[-1]
        # A steady drift puts the newer half's rate half way between the stretch's and today's.
        newer = next((fit for fit in reversed(fits) if fit[0] <= span / 2), None)
        if newer is not None and newer[0] < DRIFT_S * self.nominal_hz:
            newer = None
        lag = 2.5 * abs(newer[1][1] - line[1]) if newer else 0.0
        self._adopt(line, width + lag)

    def _adopt(self, line: Line, width: float) -> None:
        """Take over a fitted line, once it is better known than the nominal rate."""
        (x, y), slope = line
        if slope <= 0.0 or width / slope >= RATE_PRIOR:
            return
        self._x, self._y = x, y
        self.tick_s = slope
        self.rel_uncertainty = width / slope

"""How lamps fade: a robust line through the days, its steps, and the days to come. Pure.

Each day is the median of its exposures, so that one odd exposure is nothing. Lines are fitted to
the logarithm (a constant share fades in each hour), with weights after Huber (1964), so that an odd
day is little. An interval is wider where days are alike (first-order correlation) and where the
level has wandered over weeks; days are foretold no farther than they were observed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from platelink.finding.curve import F64, NoFitError, student_t

HUBER = 1.345
"""Standard deviations; 95 % efficient where the noise is normal (Huber 1964)."""
MAD_SD = 1.4826
"""Standard deviations in a median absolute deviation, of normal noise."""
LEAST_DAYS = 10
"""Days with light, since the last step: fewer have no trend."""
WINDOW_DAYS = 60
"""Newest days with light that the trend is taken from: new lamps fade faster than old ones."""
NEAR_DAYS = 5
"""On either side of a step."""
STEP_SD = 6.0
"""A step is so many standard errors of the difference of both sides."""
LEAST_STEP = 0.03
"""And at least this share."""
WANDER_DAYS = 15
LEAST_DOF = 4.0
CLOSED = 4.0 / 52.0
"""Of all weeks a shop is closed, and nobody tells when. Common practice, no source."""
LIKELY = 0.9
"""Of the intervals of what is foretold."""


@dataclass(frozen=True, slots=True)
class Days:
    """One row a day with light, oldest first."""

    day: F64
    """Days since any one of them; noon or midnight, all alike."""
    used: F64
    """Burn hours, or starts, until then."""
    level: F64
    """Logarithm of the irradiance, one column a channel."""


@dataclass(frozen=True, slots=True)
class Step:
    """The level changed between two days with light."""

    index: int
    """Of the first day after it."""
    change: tuple[float, ...]
    """Of the logarithm, each channel."""


@dataclass(frozen=True, slots=True)
class Fade:
    """The newest piece of a fading level, after its last step."""

    level: float
    """Logarithm at ``used``."""
    per_used: float
    """Change of the logarithm for each hour, or start; negative where it fades."""
    u_per_used: float
    covariance: F64
    """Of both."""
    used: float
    day: float
    sd: float
    """Of a day about the line."""
    wander_per_day: float
    """Variance that the level gains each day beside the line."""
    dof: float
    """Days that tell something of their own."""
    days: float
    """Observed: nothing is foretold for longer."""
    use_per_day: float
    u_use_per_day: float
    use_sd_week: float

    def at(self, days_on: float) -> tuple[float, float]:
        """Mean and standard deviation of the logarithm so many days after the newest. NoFitError
        farther than was observed."""
        if not 0.0 <= days_on <= self.days:
            raise NoFitError(
                f"{days_on:.0f} days on are not forecast: only {self.days:.0f} have been "
                "observed since the last sudden change"
            )
        used_on = self.use_per_day * days_on
        row = np.array([1.0, used_on])
        mean = self.level + self.per_used * used_on
        var_used = (self.u_use_per_day * days_on) ** 2 + self.use_sd_week**2 * days_on / 7.0
        var = float(row @ self.covariance @ row) + self.per_used**2 * var_used
        return mean, math.sqrt(var + self.sd**2 + self.wander_per_day * days_on)

    def within(self, days_on: float, share: float = LIKELY) -> tuple[float, float]:
        """Interval of the logarithm on one day."""
        mean, sd = self.at(days_on)
        half = student_t(self.dof, share) * sd
        return mean - half, mean + half

    def below(self, level: float, share: float = LIKELY) -> tuple[float | None, ...]:
        """Days until it is below a level: early, likely, late; None: not within what can be
        foretold."""
        t = student_t(self.dof, share)
        return tuple(self._below(level, half) for half in (t, 0.0, -t))

    def _below(self, level: float, half: float) -> float | None:
        for days_on in range(int(self.days) + 1):
            mean, sd = self.at(float(days_on))
            if mean - half * sd < level:
                return float(days_on)
        return None


def steps_of(days: Days, known: Sequence[int] = ()) -> list[Step]:
    """Steps of the level, oldest first; ``known``: rows before which a person did something."""
    n = len(days.day)
    edges = sorted({0, n, *(i for i in known if 0 < i < n)})
    found = edges[1:-1]
    pieces = list(pairwise(edges))
    while pieces:
        first, end = pieces.pop()
        at = _largest(days, first, end)
        if at is not None:
            found.append(at)
            pieces += [(first, at), (at, end)]
    bounds = [0, *sorted(found), n]
    return [
        Step(i, tuple(float(c) for c in _change(days, bounds[k], i, bounds[k + 2])))
        for k, i in enumerate(bounds[1:-1])
    ]


def _noise(level: F64) -> F64:
    """Standard deviation of a day, of each channel, from differences of days that follow."""
    off = np.abs(np.diff(level, axis=0))
    return np.maximum(MAD_SD * np.median(off, axis=0) / math.sqrt(2.0), 1e-4)


def _change(days: Days, first: int, at: int, end: int) -> F64:
    """Of the medians on both sides, without what the trend makes of it."""
    early = slice(max(first, at - NEAR_DAYS), at)
    late = slice(at, min(end, at + NEAR_DAYS))
    change: F64 = np.median(days.level[late], axis=0) - np.median(days.level[early], axis=0)
    span = float(np.mean(days.used[late]) - np.mean(days.used[early]))
    return change - _slope(days, first, end) * span


def _slope(days: Days, first: int, end: int) -> F64:
    """Median change with use within some days: few of those have a step between them."""
    used, level = days.used[first:end], days.level[first:end]
    if len(used) <= 2 * NEAR_DAYS:
        return np.zeros(level.shape[1])
    span, rise = used[NEAR_DAYS:] - used[:-NEAR_DAYS], level[NEAR_DAYS:] - level[:-NEAR_DAYS]
    good = span > 0.0
    slope: F64 = np.median(rise[good] / span[good, None], axis=0) if good.any() else rise[0] * 0.0
    return slope


def _largest(days: Days, first: int, end: int) -> int | None:
    """The clearest step within a piece; None: none is clear."""
    n = end - first
    if n < 2 * NEAR_DAYS:
        return None
    used, level = days.used[first:end], days.level[first:end]
    noise = _noise(level)
    # A median of n has pi/2 the variance of a mean.
    error = noise * math.sqrt(math.pi / 2.0 * 2.0 / NEAR_DAYS)
    middle = np.median(np.lib.stride_tricks.sliding_window_view(level, NEAR_DAYS, axis=0), axis=-1)
    mean_used = np.convolve(used, np.ones(NEAR_DAYS) / NEAR_DAYS, mode="valid")
    rows = np.arange(NEAR_DAYS, n - NEAR_DAYS + 1)
    span = mean_used[rows] - mean_used[rows - NEAR_DAYS]
    change = np.abs(
        middle[rows] - middle[rows - NEAR_DAYS] - span[:, None] * _slope(days, first, end)
    )
    clear = np.where(change >= LEAST_STEP, change / error, 0.0).max(axis=1)
    at = int(np.argmax(clear))
    if clear[at] >= STEP_SD:
        return _sharpest(days, first + int(rows[at]), first + NEAR_DAYS, end - NEAR_DAYS, noise)
    return _just_now(days, first, end, noise) if end == len(days.day) else None


def _just_now(days: Days, first: int, end: int, noise: F64) -> int | None:
    """A step of the newest days, fewer than are wanted elsewhere: what is foretold must not go on
    from before it."""
    best, at = STEP_SD, None
    for k in range(NEAR_DAYS - 1, 0, -1):
        change = np.abs(_change(days, first, end - k, end))
        error = noise * math.sqrt(math.pi / 2.0 * (1.0 / k + 1.0 / NEAR_DAYS))
        clear = float(np.where(change >= LEAST_STEP, change / error, 0.0).max())
        if clear >= best:
            best, at = clear, end - k
    return at if at is None else _sharpest(days, at, first + NEAR_DAYS, end - 1, noise)


def _sharpest(days: Days, at: int, least: int, most: int, noise: F64) -> int:
    """The day of those near it to which the level changed most: medians cannot tell to the day."""
    near = range(max(least, at - NEAR_DAYS + 1), min(most, at + NEAR_DAYS - 1) + 1)
    level = days.level
    return max(near, key=lambda i: float((np.abs(level[i] - level[i - 1]) / noise).sum()))


def fade_of(days: Days, since: int, channel: int | None = None) -> Fade:
    """The trend after the row ``since``; ``channel`` None: of the mean of all. NoFitError says why
    there is none."""
    first = max(since, len(days.day) - WINDOW_DAYS)
    day, used = days.day[first:], days.used[first:]
    level = days.level[first:].mean(axis=1) if channel is None else days.level[first:, channel]
    n = len(day)
    if n < LEAST_DAYS:
        raise NoFitError(
            f"{n} days with light since the last sudden change; a trend needs {LEAST_DAYS}"
        )
    if not (np.isfinite(level).all() and np.isfinite(used).all()):
        raise NoFitError("a level is not a finite number")
    if used[-1] - used[0] <= 0.0:
        raise NoFitError("the lamps were not used between the days")
    columns = np.stack([np.ones(n), used - used[-1]], axis=1)
    (at, per_used), weights, sd = _robust(columns, level)
    off = level - columns @ np.array([at, per_used])
    inverse = np.asarray(np.linalg.inv(columns.T @ (columns * weights[:, None])), np.float64)
    alike = _alike(off)
    covariance: F64 = inverse * sd**2 * (1.0 + alike) / (1.0 - alike)
    use, u_use, sd_week = _use(days.day, days.used)
    return Fade(
        float(at), float(per_used), math.sqrt(float(covariance[1, 1])), covariance,
        float(used[-1]), float(day[-1]), sd, _wander(day, off, sd),
        max(LEAST_DOF, (n - 2) * (1.0 - alike) / (1.0 + alike)),
        float(days.day[-1] - days.day[since]), use, u_use, sd_week,
    )  # fmt: skip


def _robust(columns: F64, level: F64) -> tuple[F64, F64, float]:
    """Constants, weights and standard deviation, by weights after Huber, until they stand still."""
    weights: F64 = np.ones(len(level))
    constants: F64 = np.zeros(columns.shape[1])
    for _ in range(100):
        root = np.sqrt(weights)
        found = np.linalg.lstsq(columns * root[:, None], level * root, rcond=None)[0]
        new = np.asarray(found, np.float64)
        off = level - columns @ new
        sd = max(MAD_SD * float(np.median(np.abs(off))), 1e-6)
        sd *= math.sqrt(len(level) / (len(level) - columns.shape[1]))
        weights = np.minimum(1.0, HUBER * sd / np.maximum(np.abs(off), 1e-12))
        if np.allclose(new, constants, rtol=1e-9, atol=1e-12):
            return new, weights, sd
        constants = new
    raise NoFitError("the trend does not settle: the days are not of one lamp set")


def _alike(off: F64) -> float:
    """Correlation of days that follow, 0 to 0.9."""
    spread = float(off @ off)
    return min(max(float(off[1:] @ off[:-1]) / spread, 0.0), 0.9) if spread > 0.0 else 0.0


def _wander(day: F64, off: F64, sd: float) -> float:
    """Variance that the level gains each day, from how far it is off after some weeks."""
    if len(off) <= WANDER_DAYS + 2:
        return sd**2 / WANDER_DAYS
    apart, spans = off[WANDER_DAYS:] - off[:-WANDER_DAYS], day[WANDER_DAYS:] - day[:-WANDER_DAYS]
    var = (MAD_SD * float(np.median(np.abs(apart)))) ** 2
    near = (MAD_SD * float(np.median(np.abs(np.diff(off))))) ** 2
    return max(0.0, var - near) / float(np.median(spans)) + 0.4 * sd**2 / WANDER_DAYS


def _use(day: F64, used: F64) -> tuple[float, float, float]:
    """Use a day, its standard uncertainty, and the standard deviation of a week, of the newest
    twelve weeks."""
    last = float(day[-1])
    weeks = min(12, int((last - float(day[0])) // 7.0))
    if weeks < 2:
        span = max(1.0, last - float(day[0]))
        use = (float(used[-1]) - float(used[0])) / span
        return use, 0.5 * use, 7.0 * 0.5 * use
    edges = np.interp(last - 7.0 * np.arange(weeks, -1, -1), day, used)
    each = np.diff(edges)
    use, sd = float(each.mean()) / 7.0, float(each.std(ddof=1))
    sd = math.hypot(sd, 7.0 * use * math.sqrt(CLOSED * (1.0 - CLOSED)))
    return use, sd / math.sqrt(weeks) / 7.0, sd

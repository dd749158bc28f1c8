"""The noise of a unit's vacuum gauge while nothing is wrong, and what is no noise any more. Pure.

It is learned from the values of the unit's last exposures, all taken together: one hold test tells
a noise that remembers itself for seconds a hundredfold wrong. Each value is told ahead from those
before it (autoregression: slow noise, a pump's tone and its cycles); what is left over is nearly
independent. For falls of it there is a bank of CUSUMs, each with a reference value k and a decision
interval h, in units of ``sigma_kpa``. h follows from a stated rate of false calls: a CUSUM of
independent values exceeds h with exp(-t h), where the mean of exp(t (fall - k)) is 1; heavy tails
and what is left of slow noise are in t (Siegmund, Sequential Analysis, 1985, 2.6 with the
overshoot's correction; from memory). Rates are a minute: nothing hangs on how often values come.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

CLIP = 6.0
"""A value counts for no more sigma: it may be an odd one."""
KS = (0.1, 0.18, 0.33, 0.6, 1.1, 2.0)
"""Each is best for a shift of twice as many sigma; between neighbours little is lost."""
TOGETHER = 4.5
"""So many independent CUSUMs would call as often as the bank and the one of squares, which all hear
the same noise. By simulation."""
ORDERS = (0, 1, 2, 3, 4, 6, 8, 12)
LEAST_SIGMA_KPA = 0.02
"""Below it a gauge's steps hide what it does between them. Invented."""
LEAST_INTERVAL = 2.0
LEAST_VALUES = 100
"""Of one exposure."""
LEAST_EXPOSURES = 3
LEAST_MINUTES = 5.0
"""With less the prior holds."""
ODD = 4.0
ALIKE = 3.0
"""An exposure with so many times the usual noise is left out: something was wrong in it."""
OVERSHOOT = 1.166
"""Siegmund's, of both bounds, in sigma."""
SQUARES_CLIP = 3.0
_LENGTHS = (4, 16, 64, 256)
_FALSE_IN = 18.0
"""Log of how many values lie between two false calls: so much does doubt of the noise count."""


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """See the file's first lines."""

    frame_s: float
    """Between two values."""
    sigma_kpa: float
    """Of what is left over, by its middle half."""
    weights: tuple[float, ...]
    """Of the values before, newest first, about their level."""
    cusums: tuple[tuple[float, float], ...]
    """k and h of each, in sigma."""
    squares: tuple[float, float]
    """The same for squares of what is left over: unsteadiness."""
    clip: float = CLIP
    beat_kpa: float = 0.0
    """Between a value and the next, rms: a pump that stops takes its beat with it. 0: not known."""
    minutes: float = 0.0
    """Learned from so many; 0: it is the prior."""


@dataclass(frozen=True, slots=True)
class Shown:
    """Values of one exposure at equal intervals, and their sums for least squares."""

    about: F64
    """About their mean."""
    gram: F64
    cross: F64
    power: float
    fast_kpa: float
    slow_kpa: float


def shown(values_kpa: F64) -> Shown | None:
    """What an exposure has shown; None where it was too short."""
    if values_kpa.size < LEAST_VALUES:
        return None
    calm, most = _without_odd(values_kpa), ORDERS[-1]
    calm = calm - calm.mean()
    windows = np.lib.stride_tricks.sliding_window_view(calm, most + 1)[:, ::-1]
    ahead, before = windows[:, 0], windows[:, 1:]
    return Shown(
        values_kpa - np.median(values_kpa),
        before.T @ before,
        before.T @ ahead,
        float(ahead @ ahead),
        float(np.median(np.abs(np.diff(calm)))),
        float(calm.std()),
    )


def _without_odd(x: F64) -> F64:
    """A value much further from the median of the five around it than nine in ten is taken for
    that."""
    around = np.lib.stride_tricks.sliding_window_view(np.pad(x, 2, mode="edge"), 5)
    middle = np.partition(around, 2, axis=1)[:, 2]
    off = np.abs(x - middle)
    return np.where(off > ODD * float(np.percentile(off, 90.0)) + 1e-9, middle, x)


def prior(frame_s: float, false_per_min: float) -> NoiseModel:
    """Of a unit that has shown nothing yet: 0.3 kPa that remember themselves for 2 s, and a pump
    that cycles by 1 kPa, are no fall. Invented, on the safe side."""
    sigma, memory_s, slack = 0.3, 2.0, 0.75
    slow = max(1.0, 2.0 * memory_s / frame_s)
    rate = false_per_min * frame_s / 60.0 / TOGETHER
    ks = [slack * times / sigma for times in (1.0, 2.0, 4.0, 8.0)]
    cusums = tuple((k, interval(k, 2.0 * k / slow, rate)) for k in ks)
    squares = 7.0
    return NoiseModel(
        frame_s, sigma, (), cusums, (squares, interval(squares, 0.5 / slow, rate)), math.inf
    )  # fmt: skip


def learn(exposures: Sequence[Shown], frame_s: float, false_per_min: float) -> NoiseModel | None:
    """The noise that exposures with values every ``frame_s`` have shown, for so many false calls a
    minute; None where they are too few."""
    alike = _alike(exposures)
    minutes = sum(one.about.size for one in alike) * frame_s / 60.0
    if len(alike) < LEAST_EXPOSURES or minutes < LEAST_MINUTES:
        return None
    weights, doubt = _weights(alike)
    left = [left_over(one.about, weights) for one in alike]
    low, high = np.percentile(np.concatenate(left), (25.0, 75.0))
    sigma = max(float(high - low) / 1.349, LEAST_SIGMA_KPA)
    falls = [np.clip(-part / sigma, -CLIP, CLIP) for part in left]
    rate = false_per_min * frame_s / 60.0 / TOGETHER
    bank = _Falls(falls, doubt, rate)
    cusums = tuple((k, bank.interval(k)) for k in KS)
    beats = [float(np.mean(np.diff(one.about) ** 2)) for one in alike]
    return NoiseModel(
        frame_s, sigma, tuple(float(w) for w in weights), cusums, _for_squares(falls, rate),
        beat_kpa=math.sqrt(float(np.median(beats))), minutes=minutes,
    )  # fmt: skip


def _alike(exposures: Sequence[Shown]) -> list[Shown]:
    """Those whose noise, fast and slow, is that of most of them."""
    fast = np.median([one.fast_kpa for one in exposures] or [0.0]) + LEAST_SIGMA_KPA
    slow = np.median([one.slow_kpa for one in exposures] or [0.0]) + LEAST_SIGMA_KPA
    return [x for x in exposures if x.fast_kpa < ALIKE * fast and x.slow_kpa < ALIKE * slow]


def _weights(exposures: list[Shown]) -> tuple[F64, float]:
    """Least squares over all exposures, of the order that Schwarz's criterion prefers; and by how
    much slow noise may be more than it seems."""
    gram = np.sum([one.gram for one in exposures], axis=0)
    cross = np.sum([one.cross for one in exposures], axis=0)
    power = math.fsum(one.power for one in exposures)
    n = sum(one.about.size - ORDERS[-1] for one in exposures)
    gram += np.eye(len(gram)) * (1e-9 * float(gram[0, 0]) + 1e-12)
    best, found, rest = math.inf, np.zeros(0), 0.0
    for order in ORDERS:
        weights = np.linalg.solve(gram[:order, :order], cross[:order]) if order else np.zeros(0)
        left = max((power - float(weights @ cross[:order])) / n, 1e-12)
        told = n * math.log(left) + order * math.log(n)
        if told < best and _dies_away(weights):
            best, found, rest = told, weights, left
    if not found.size:
        return found, 1.0
    ones, slowest = np.ones(found.size), max(1.0 - float(found.sum()), 1e-3)
    spread = float(ones @ np.linalg.solve(gram[: found.size, : found.size], ones))
    error = math.sqrt(rest * spread) / slowest
    # an exposure's mean takes slow noise with it (Kendall, Biometrika 41 (1954) 403; from memory)
    bias = max(0.0, 1.0 + 3.0 * float(found.sum())) * len(exposures) / n / slowest
    return found, (1.0 + bias) ** 2 * (1.0 + _FALSE_IN * 2.0 * error * error)


def _dies_away(weights: F64) -> bool:
    """What they tell of a disturbance."""
    roots = np.roots(np.concatenate([[1.0], -weights])) if weights.size else np.zeros(1)
    return bool(np.all(np.abs(roots) < 0.9999))


def left_over(x: F64, weights: F64) -> F64:
    """What the weights do not tell ahead."""
    n = weights.size
    return x[n:] - np.convolve(x, weights)[n - 1 : x.size - 1] if n else x


def _slowness(parts: list[F64], length: int) -> float:
    """Variance of sums of so many values over that of independent ones; 1 where it is not known to
    be more."""
    sums, within = [], 0.0
    for part in parts:
        whole = part.size // length
        if whole > 1:
            about = part[: whole * length] - part.mean()
            sums.append(about.reshape(whole, length).sum(axis=1))
            within += length * whole * float(part.var()) * (1.0 - length / part.size)
    every = np.concatenate(sums) if sums else np.zeros(0)
    if every.size < 20:
        return 1.0
    found = float(every @ every) / max(within, 1e-12)
    return found if found > 1.0 + 2.0 * math.sqrt(2.0 / every.size) else 1.0


class Tail:
    """How values are spread, for the exponent of their false calls."""

    def __init__(self, values: F64) -> None:
        counts, edges = np.histogram(values, bins=240)
        self._share = counts / values.size
        at = 0.5 * (edges[1:] + edges[:-1])
        self.mean = float(self._share @ at)
        self._at = at - self.mean
        self._variance = float(self._share @ (self._at * self._at))

    def exponent(self, k: float, slow: float) -> float:
        """t > 0 where log mean exp(t x) + (slow - 1) var t² / 2 = t k, x about the mean."""
        more, top = (slow - 1.0) * self._variance / 2.0, float(self._at[-1])

        def over(t: float) -> bool:
            mean = float(self._share @ np.exp(t * (self._at - top)))
            return math.log(mean) + t * top + more * t * t > t * k

        low, high = 1e-4, 1e-3
        while not over(high) and high < 50.0:
            low, high = high, 2.0 * high
        for _ in range(24):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if over(middle) else (middle, high)
        return low


class _Falls:
    """What is left over of all exposures, as falls, for the intervals of the bank."""

    def __init__(self, parts: list[F64], doubt: float, rate: float) -> None:
        self._parts, self._doubt, self._rate = parts, doubt, rate
        self._tail = Tail(np.concatenate(parts))
        self._slow = {n: _slowness(parts, n) for n in _LENGTHS}

    def interval(self, k: float) -> float:
        """h of one CUSUM. A false call builds up in about 9 / k² values."""
        build_up = 9.0 / (k * k)
        slow = max(times for n, times in self._slow.items() if n <= max(4.0, build_up))
        slow *= self._doubt if build_up > 30.0 else 1.0
        exponent = self._tail.exponent(k, slow)
        seen = _as_seen(self._parts, k, exponent, self._rate)
        return max(interval(k, exponent, self._rate), seen)


def _as_seen(parts: list[F64], k: float, exponent: float, rate: float) -> float:
    """h by how high the CUSUM came in the exposures themselves, a quarter of them higher: what
    comes again and again, as the turn of a pump that cycles, is no chance of single values."""
    highest = []
    for part in parts:
        total = np.cumsum(part - k)
        highest.append(float(np.max(total - np.minimum(np.minimum.accumulate(total), 0.0))))
    often = max(1, len(highest) // 4)
    seen = often / sum(part.size for part in parts)
    return sorted(highest)[-often] + math.log(max(seen / rate, 1.0)) / exponent


def _for_squares(falls: list[F64], rate: float) -> tuple[float, float]:
    """k between noise and twice as much of it, and its h."""
    parts = [np.minimum(np.abs(fall), SQUARES_CLIP) ** 2 for fall in falls]
    tail, slow = Tail(np.concatenate(parts)), max(_slowness(parts, n) for n in _LENGTHS[:3])
    k = 1.85 * tail.mean
    exponent = tail.exponent(k - tail.mean, slow)
    return k, max(interval(k, exponent, rate), _as_seen(parts, k, exponent, rate))


def interval(k: float, exponent: float, rate: float) -> float:
    """h for a rate of false calls a value."""
    return max(LEAST_INTERVAL, math.log(max(exponent * k / rate, 2.0)) / exponent - OVERSHOOT)

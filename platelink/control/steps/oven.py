"""What a bake is to be, and what the oven did: minutes in band, mean, equivalent, falls. Pure.

Between two readings the temperature is taken as a straight line; where they are too far apart,
nothing is counted.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

GAS_CONSTANT_J_MOL_K = 8.31446261815324
"""SI 2019, exact."""
ZERO_C_K = 273.15
_MEAN_OF_S = 1.0
# Gauss-Legendre on [0, 1]: good to 1e-9 of an interval of 25 K at 100 kJ/mol
_NODES = [
    (float((x + 1.0) / 2.0), float(w / 2.0))
    for x, w in zip(*np.polynomial.legendre.leggauss(7), strict=True)
]


_POSITIVE = (
    "in_band_s", "band_limit_s", "gap_limit_s", "sensor_limit_s", "door_fall_c_per_min",
    "door_window_s",
)  # fmt: skip


def acceleration(temperature_c: float, *, reference_c: float, activation_kj_mol: float) -> float:
    """How much faster the step goes than at ``reference_c``, by Arrhenius:
    exp(Ea/R · (1/T_ref - 1/T)). At absolute zero and below: 0."""
    kelvin = temperature_c + ZERO_C_K
    if kelvin <= 0.0:
        return 0.0
    inverse = 1.0 / (reference_c + ZERO_C_K) - 1.0 / kelvin
    return math.exp(1000.0 * activation_kj_mol / GAS_CONSTANT_J_MOL_K * inverse)


def share_in_band(from_c: float, to_c: float, low_c: float, high_c: float) -> float:
    """Share of a straight line from one temperature to another that lies in the band, 0 to 1."""
    if from_c == to_c:
        return 1.0 if low_c <= from_c <= high_c else 0.0
    a, b = sorted(((low_c - from_c) / (to_c - from_c), (high_c - from_c) / (to_c - from_c)))
    return max(0.0, min(1.0, b) - max(0.0, a))


@dataclass(slots=True)
class OvenTotals:
    """Sums of one bake so far. Times in seconds."""

    in_band_s: float = 0.0
    measured_s: float = 0.0
    """All time that was measured, in band or not."""
    equivalent_s: float = 0.0
    """Of all measured time; an index. 0 without an activation energy."""
    gap_s: float = 0.0
    """Time without readings; counts nowhere else."""
    reached: bool = False
    """The band was reached."""
    soak_s: float = 0.0
    """Measured time since then."""
    soak_c_s: float = 0.0
    """Integral of the temperature over it."""
    min_c: float | None = None
    """Lowest since then."""
    max_c: float | None = None
    """Highest since the beginning."""

    @property
    def mean_c(self) -> float | None:
        """Mean over time since the band was reached."""
        return self.soak_c_s / self.soak_s if self.soak_s > 0.0 else None


class OvenMeter:
    """Adds readings up into ``totals``."""

    def __init__(
        self, *, low_c: float, high_c: float, gap_limit_s: float,
        activation_kj_mol: float | None = None, reference_c: float = 0.0,
    ) -> None:  # fmt: skip
        """Without an activation energy there are no equivalent minutes."""
        self.totals = OvenTotals()
        self._low_c, self._high_c = low_c, high_c
        self._gap_limit_s = gap_limit_s
        self._activation_kj_mol = activation_kj_mol
        self._reference_c = reference_c
        self._last: tuple[float, float] | None = None

    def pause(self) -> None:
        """The next reading begins anew: what lies before it is not counted."""
        self._last = None

    def add(self, t: float, temperature_c: float) -> float:
        """Take one reading, later than the one before; the seconds that were a gap."""
        totals = self.totals
        last, self._last = self._last, (t, temperature_c)
        gap_s = 0.0
        if last is not None:
            seconds = t - last[0]
            if seconds > self._gap_limit_s:
                totals.gap_s += seconds
                gap_s = seconds
            else:
                self._count(seconds, last[1], temperature_c)
        totals.reached = totals.reached or self._low_c <= temperature_c <= self._high_c
        if totals.reached:
            low = totals.min_c
            totals.min_c = temperature_c if low is None else min(low, temperature_c)
        high = totals.max_c
        totals.max_c = temperature_c if high is None else max(high, temperature_c)
        return gap_s

    def _count(self, seconds: float, from_c: float, to_c: float) -> None:
        totals = self.totals
        totals.measured_s += seconds
        totals.in_band_s += seconds * share_in_band(from_c, to_c, self._low_c, self._high_c)
        if totals.reached:
            totals.soak_s += seconds
            totals.soak_c_s += seconds * (from_c + to_c) / 2.0
        if self._activation_kj_mol is not None:
            totals.equivalent_s += seconds * sum(
                weight
                * acceleration(
                    from_c + share * (to_c - from_c),
                    reference_c=self._reference_c,
                    activation_kj_mol=self._activation_kj_mol,
                )
                for share, weight in _NODES
            )


class FallWatch:
    """Straight line through the last seconds: is the oven losing its heat? ``open`` from a fall
    of the limit until it rises again by a quarter of it."""

    def __init__(self, *, fall_c_per_min: float, window_s: float) -> None:
        self._limit = fall_c_per_min
        self._window_s = window_s
        self._means: deque[tuple[float, float]] = deque()
        self._bin: list[tuple[float, float]] = []
        self.slope_c_per_min = 0.0
        """Over the window; 0 until it is three quarters full."""
        self.open = False

    def clear(self) -> None:
        """Forget the readings, and what was seen in them."""
        self._means.clear()
        self._bin.clear()
        self.slope_c_per_min = 0.0
        self.open = False

    def add(self, t: float, temperature_c: float) -> None:
        """Take one reading. The line goes through means of a second, which keeps it cheap."""
        if self._bin and t - self._bin[0][0] >= _MEAN_OF_S:
            n = len(self._bin)
            self._means.append((sum(x for x, _ in self._bin) / n, sum(y for _, y in self._bin) / n))
            self._bin.clear()
            while self._means[-1][0] - self._means[0][0] > self._window_s:
                self._means.popleft()
            self._judge()
        self._bin.append((t, temperature_c))

    def _judge(self) -> None:
        n = len(self._means)
        if self._means[-1][0] - self._means[0][0] < 0.75 * self._window_s:
            self.slope_c_per_min = 0.0
            return
        mean_t = sum(t for t, _ in self._means) / n
        mean = sum(c for _, c in self._means) / n
        stt = sum((t - mean_t) ** 2 for t, _ in self._means)
        stc = sum((t - mean_t) * (c - mean) for t, c in self._means)
        self.slope_c_per_min = 60.0 * stc / stt
        if self.slope_c_per_min <= -self._limit:
            self.open = True
        elif self.slope_c_per_min >= self._limit / 4.0:
            self.open = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BakeRequest:
    """What one bake is to be. Temperatures in °C, times in seconds."""

    low_c: float
    high_c: float
    in_band_s: float
    """Time in the band that makes it complete."""
    over_c: float
    """Over-temperature limit, at or above the band."""
    over_s: float = 5.0
    """Over it this long, the bake is held."""
    band_limit_s: float = 1800.0
    """Longest time out of the band, from the start on."""
    gap_limit_s: float = 5.0
    """Two readings further apart count for nothing."""
    sensor_limit_s: float = 10.0
    """Without a reading this long, the sensor is lost."""
    door_fall_c_per_min: float = 6.0
    door_window_s: float = 20.0
    activation_kj_mol: float | None = None
    """For equivalent minutes, an index; None: none are stated."""
    reference_c: float | None = None
    """Temperature of the equivalent minutes; None: the middle of the band."""

    def __post_init__(self) -> None:
        for name in _POSITIVE:
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"{name} = {value}: must be a number greater than 0")
        if not (math.isfinite(self.over_s) and self.over_s >= 0.0):
            raise ValueError(f"over_s = {self.over_s}: must be 0 or more")
        if not -273.15 < self.low_c < self.high_c <= self.over_c < math.inf:
            raise ValueError(
                f"low_c {self.low_c}, high_c {self.high_c}, over_c {self.over_c}: "
                "must rise in this order"
            )
        for name in ("activation_kj_mol", "reference_c"):
            value = getattr(self, name)
            if value is not None and not math.isfinite(value):
                raise ValueError(f"{name} = {value}: must be a number")

    def meter(self) -> OvenMeter:
        """A meter for it."""
        middle_c = (self.low_c + self.high_c) / 2.0
        return OvenMeter(
            low_c=self.low_c,
            high_c=self.high_c,
            gap_limit_s=self.gap_limit_s,
            activation_kj_mol=self.activation_kj_mol,
            reference_c=middle_c if self.reference_c is None else self.reference_c,
        )

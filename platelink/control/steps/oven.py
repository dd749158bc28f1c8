"""What a bake is to be, and what the oven did: minutes in band, mean, equivalent. Pure.

Between two readings the temperature is taken as a straight line; where they are too far apart,
nothing is counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

GAS_CONSTANT_J_MOL_K = 8.31446261815324
"""SI 2019, exact."""
ZERO_C_K = 273.15
NODES = [
    (float((x + 1.0) / 2.0), float(w / 2.0))
    for x, w in zip(*np.polynomial.legendre.leggauss(7), strict=True)
]
"""Gauss-Legendre on [0, 1]: good to 1e-9 of an interval of 25 K at 100 kJ/mol."""


_POSITIVE = (
    "in_band_s", "band_limit_s", "gap_limit_s", "sensor_limit_s", "door_fall_c_per_min",
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
                for share, weight in NODES
            )


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
    """An open door while the oven's own rate is not known. Common practice, no source."""
    activation_kj_mol: float | None = None
    """For equivalent minutes, an index; None: none are stated."""
    plate_lag_s: float | None = None
    """So long does the plate lag behind the air; None: only the air is told."""
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
        for name in ("activation_kj_mol", "reference_c", "plate_lag_s"):
            value = getattr(self, name)
            if value is not None and not math.isfinite(value):
                raise ValueError(f"{name} = {value}: must be a number")
        if self.plate_lag_s is not None and self.plate_lag_s <= 0.0:
            raise ValueError(f"plate_lag_s = {self.plate_lag_s}: must be greater than 0")

    @property
    def equivalent_at_c(self) -> float:
        """Temperature of the equivalent minutes."""
        middle_c = (self.low_c + self.high_c) / 2.0
        return middle_c if self.reference_c is None else self.reference_c

    def meter(self) -> OvenMeter:
        """A meter for it."""
        return OvenMeter(
            low_c=self.low_c,
            high_c=self.high_c,
            gap_limit_s=self.gap_limit_s,
            activation_kj_mol=self.activation_kj_mol,
            reference_c=self.equivalent_at_c,
        )

"""Thermocouples type K and T, and Pt100: published reference functions and their inverses. Pure.

Temperatures in °C (ITS-90), electromotive force in mV against a junction at 0 °C, resistance in
ohm. The inverses solve the reference function itself (Newton's method inside a closing bracket), so
they agree with it to rounding, not to the few hundredths of a degree of an approximate inverse.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

Polynomial = tuple[float, ...]
"""Coefficients, the constant first."""

_LAST_STEP_C = 1e-4
"""Newton's error is about the square of its last step: far below rounding of the result."""
_MAX_STEPS = 60


def _value_and_slope(coefficients: Polynomial, x: float) -> tuple[float, float]:
    """Horner's scheme; coefficients here with the highest power first."""
    value = slope = 0.0
    for c in coefficients:
        slope = slope * x + value
        value = value * x + c
    return value, slope


@dataclass(frozen=True, slots=True)
class Thermocouple:
    """Reference function of one type: a polynomial on each side of 0 °C, and for type K above 0 °C
    the term ``a0 · exp(a1 · (t - a2)²)`` as well."""

    letter: str
    low_c: float
    high_c: float
    below: Polynomial
    above: Polynomial
    bump: tuple[float, float, float] | None = None
    low_mv: float = field(init=False)
    high_mv: float = field(init=False)
    _horner: tuple[Polynomial, Polynomial] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_horner", (self.below[::-1], self.above[::-1]))
        object.__setattr__(self, "low_mv", self.emf_mv(self.low_c))
        object.__setattr__(self, "high_mv", self.emf_mv(self.high_c))

    def emf_mv(self, t_c: float) -> float:
        """Electromotive force of a junction at ``t_c`` (within low_c .. high_c) against 0 °C."""
        return self.emf_and_slope(t_c)[0]

    def emf_and_slope(self, t_c: float) -> tuple[float, float]:
        """Electromotive force, mV, and the Seebeck coefficient, mV/°C."""
        if t_c < 0.0:
            return _value_and_slope(self._horner[0], t_c)
        emf, slope = _value_and_slope(self._horner[1], t_c)
        if self.bump is not None:
            a0, a1, a2 = self.bump
            away = t_c - a2
            extra = a0 * math.exp(a1 * away * away)
            emf += extra
            slope += 2.0 * a1 * away * extra
        return emf, slope

    def temperature_c(self, emf_mv: float, cold_junction_c: float = 0.0) -> float | None:
        """Temperature of the hot junction from the force measured against a cold junction; None
        outside the reference function.

        The cold junction's own force is added first. Adding its temperature afterwards would be
        wrong, by 0.8 °C at 65 °C for type K, because the function is not a straight line."""
        if not self.low_c <= cold_junction_c <= self.high_c:
            return None
        return self.temperature_at_emf_c(emf_mv + self.emf_mv(cold_junction_c))

    def temperature_at_emf_c(self, emf_mv: float) -> float | None:
        """Inverse of ``emf_mv``; None outside the reference function."""
        if not self.low_mv <= emf_mv <= self.high_mv:
            return None
        guess = emf_mv * _GUESS_C_PER_MV
        return _solve(self.emf_and_slope, emf_mv, self.low_c, self.high_c, guess)


_GUESS_C_PER_MV = 24.5
"""Both types near room and oven temperatures; only where the search starts."""


# NIST Monograph 175 (1993), reference functions on the ITS-90, also NIST Standard Reference
# Database 60. The ranges start where the functions are still safely monotonic.
TYPE_K = Thermocouple(
    "K",
    -200.0,
    1372.0,
    below=(
        0.0, 0.394501280250e-01, 0.236223735980e-04, -0.328589067840e-06, -0.499048287770e-08,
        -0.675090591730e-10, -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16,
        -0.198892668780e-19, -0.163226974860e-22,
    ),
    above=(
        -0.176004136860e-01, 0.389212049750e-01, 0.185587700320e-04, -0.994575928740e-07,
        0.318409457190e-09, -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18,
        0.971511471520e-22, -0.121047212750e-25,
    ),
    bump=(0.118597600000, -0.118343200000e-03, 126.968600000),
)  # fmt: skip
TYPE_T = Thermocouple(
    "T",
    -200.0,
    400.0,
    below=(
        0.0, 0.387481063640e-01, 0.441944343470e-04, 0.118443231050e-06, 0.200329735540e-07,
        0.901380195590e-09, 0.226511565930e-10, 0.360711542050e-12, 0.384939398830e-14,
        0.282135219250e-16, 0.142515947790e-18, 0.487686622860e-21, 0.107955392700e-23,
        0.139450270620e-26, 0.797951539270e-30,
    ),
    above=(
        0.0, 0.387481063640e-01, 0.332922278800e-04, 0.206182434040e-06, -0.218822568460e-08,
        0.109968809280e-10, -0.308157587720e-13, 0.454791352900e-16, -0.275129016730e-19,
    ),
)  # fmt: skip
THERMOCOUPLES = {"K": TYPE_K, "T": TYPE_T}

# IEC 60751, Callendar-Van Dusen: R = R0 · (1 + A·t + B·t² [+ C·(t - 100)·t³ below 0 °C])
PT100_OHM_AT_0C = 100.0
PT100_LOW_C, PT100_HIGH_C = -200.0, 850.0
_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12


def pt100_ohm(t_c: float) -> float:
    """Resistance of a Pt100 at -200 .. 850 °C."""
    ratio = 1.0 + t_c * (_A + _B * t_c)
    if t_c < 0.0:
        ratio += _C * (t_c - 100.0) * t_c**3
    return PT100_OHM_AT_0C * ratio


def pt100_c(resistance_ohm: float) -> float | None:
    """Temperature of a Pt100; None outside -200 .. 850 °C."""
    if not _LOW_OHM <= resistance_ohm <= _HIGH_OHM:
        return None
    if resistance_ohm >= PT100_OHM_AT_0C:
        missing = 1.0 - resistance_ohm / PT100_OHM_AT_0C
        # the quadratic's root, in the form that does not cancel near 0 °C
        return -2.0 * missing / (_A + math.sqrt(_A * _A - 4.0 * _B * missing))
    guess = (resistance_ohm - PT100_OHM_AT_0C) / (_A * PT100_OHM_AT_0C)
    return _solve(_pt100_below, resistance_ohm, PT100_LOW_C, 0.0, guess)


def _pt100_below(t_c: float) -> tuple[float, float]:
    slope = _A + 2.0 * _B * t_c + _C * (4.0 * t_c - 300.0) * t_c * t_c
    return pt100_ohm(t_c), PT100_OHM_AT_0C * slope


_LOW_OHM, _HIGH_OHM = pt100_ohm(PT100_LOW_C), pt100_ohm(PT100_HIGH_C)


def _solve(
    function: Callable[[float], tuple[float, float]],
    target: float,
    low: float,
    high: float,
    guess: float,
) -> float:
    """The x in low..high at which ``function``'s value is ``target``, for a rising function that
    gives value and slope.

    Newton steps; one that leaves the bracket is replaced by halving it, so it always ends."""
    x = min(high, max(low, guess))
    for _ in range(_MAX_STEPS):
        value, slope = function(x)
        if value > target:
            high = x
        else:
            low = x
        step = (target - value) / slope
        if abs(step) <= _LAST_STEP_C:
            return min(high, max(low, x + step))
        x = x + step if low <= x + step <= high else 0.5 * (low + high)
    return x

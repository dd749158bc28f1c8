"""Kinds of gauge noise for the bench of the watch: drawn units, and any number of exposures of one,
side by side. All figures are invented."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
Rng = np.random.Generator

FRAME_S = 0.05
_BURN_IN = 200


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit's noise. kPa and seconds; what is 0 it does not have."""

    white_kpa: float
    heavy_dof: float = 0.0
    """Of the white part: Student's t instead of normal."""
    slow_kpa: float = 0.0
    slow_s: float = 1.0
    swing_kpa: float = 0.0
    swing_s: float = 1.0
    swing_hz: float = 0.5
    tone_kpa: float = 0.0
    """Amplitude, as it is seen in values every ``FRAME_S``."""
    tone_hz: float = 3.0
    saw_kpa: float = 0.0
    """From top to bottom: a pump that cycles."""
    saw_s: float = 8.0
    saw_rise_s: float = 0.4

    def values(self, n: int, exposures: int, rng: Rng) -> F64:
        """Noise of so many exposures: a column each, n values at ``FRAME_S``."""
        shape = n, exposures
        if self.heavy_dof:
            out = self.white_kpa * rng.standard_t(self.heavy_dof, shape)
        else:
            out = self.white_kpa * rng.standard_normal(shape)
        if self.slow_kpa:
            out += self._slow(n, exposures, rng)
        if self.swing_kpa:
            out += self._swing(n, exposures, rng)
        if self.tone_kpa:
            t = FRAME_S * np.arange(n)[:, None]
            phase = rng.uniform(0.0, 2.0 * math.pi, exposures)
            out += self.tone_kpa * np.sin(2.0 * math.pi * self.tone_hz * t + phase)
        if self.saw_kpa:
            out += self._saw(n, exposures, rng)
        return out

    def _slow(self, n: int, exposures: int, rng: Rng) -> F64:
        """AR(1), stationary from its begin."""
        keeps = math.exp(-FRAME_S / self.slow_s)
        out = rng.standard_normal((n, exposures))
        out *= self.slow_kpa * math.sqrt(1.0 - keeps * keeps)
        now = self.slow_kpa * rng.standard_normal(exposures)
        for row in out:
            now = keeps * now + row
            row[:] = now
        return out

    def _swing(self, n: int, exposures: int, rng: Rng) -> F64:
        """AR(2) with a pair of conjugate poles."""
        keeps = math.exp(-FRAME_S / self.swing_s)
        one = 2.0 * keeps * math.cos(2.0 * math.pi * self.swing_hz * FRAME_S)
        two = -keeps * keeps
        share = (1.0 + two) * ((1.0 - two) ** 2 - one * one) / (1.0 - two)
        out = rng.standard_normal((n + _BURN_IN, exposures))
        out *= self.swing_kpa * math.sqrt(share)
        now, before = np.zeros(exposures), np.zeros(exposures)
        for row in out:
            now, before = one * now + two * before + row, now
            row[:] = now
        return out[_BURN_IN:]

    def _saw(self, n: int, exposures: int, rng: Rng) -> F64:
        """Each cycle a little longer or shorter than the one before."""
        out = np.empty((n, exposures))
        at = rng.uniform(0.0, 1.0, exposures)
        seconds = self.saw_s * (1.0 + 0.05 * rng.standard_normal(exposures))
        rises = self.saw_rise_s / self.saw_s
        for row in out:
            at += FRAME_S / seconds
            over = at >= 1.0
            if over.any():
                at[over] -= 1.0
                drawn = rng.standard_normal(int(over.sum()))
                seconds[over] = self.saw_s * (1.0 + 0.05 * drawn)
            row[:] = np.where(at < rises, at / rises, (1.0 - at) / (1.0 - rises)) - 0.5
        return self.saw_kpa * out


FAMILIES: dict[str, Callable[[Rng], Unit]] = {
    "white": lambda r: Unit(r.uniform(0.02, 0.3)),
    "AR(1)": lambda r: Unit(
        r.uniform(0.01, 0.05), slow_kpa=r.uniform(0.05, 0.25), slow_s=r.uniform(0.2, 2.0)
    ),
    "AR(2)": lambda r: Unit(
        r.uniform(0.01, 0.05), swing_kpa=r.uniform(0.05, 0.25), swing_s=r.uniform(0.3, 2.0),
        swing_hz=1.0 / r.uniform(1.0, 4.0),
    ),
    "heavy-tailed": lambda r: Unit(r.uniform(0.02, 0.2), heavy_dof=r.uniform(3.0, 6.0)),
    "pump tone": lambda r: Unit(
        r.uniform(0.02, 0.1), tone_kpa=r.uniform(0.05, 0.5), tone_hz=r.uniform(1.0, 9.0)
    ),
    "sawtooth": lambda r: Unit(
        r.uniform(0.02, 0.1), saw_kpa=r.uniform(0.3, 1.0), saw_s=r.uniform(4.0, 15.0),
        saw_rise_s=r.uniform(0.3, 0.6),
    ),
}  # fmt: skip
"""Each draws a unit."""

"""What the plate really got: the dose from the plant's own light, not from the device's sums.

For p = 1 the dose is the integral of the irradiance with all its ripple. For p below 1 it is the
integral of E_ref (E / E_ref)^p, where E is the *cycle mean* of the light (the envelope without
ripple): under reciprocity failure the dose of a rippling lamp is that of its cycle mean.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]


class Stretch(NamedTuple):
    """One time the lamps were switched on."""

    on_s: float
    off_s: float | None
    """None: still on."""


class Truth:
    """Light on the bed since the last mark. Keeps 8 bytes a lit tick: 30 MB an hour."""

    __slots__ = ("_envelopes", "_lit_ticks", "_plain", "_tick_s", "marked_s", "stretches")

    def __init__(self, tick_s: float) -> None:
        self._tick_s = tick_s
        self.stretches: list[Stretch] = []
        self.mark(0.0, lit=False)

    def mark(self, t_s: float, *, lit: bool) -> None:
        """Begin again at ``t_s``."""
        self.marked_s = t_s
        self._envelopes: list[F64] = []
        self._plain = 0.0
        self._lit_ticks = 0
        self.stretches.clear()
        if lit:
            self.stretches.append(Stretch(t_s, None))

    def switched(self, on: bool, t_s: float) -> None:
        """The lamps were switched."""
        if on:
            self.stretches.append(Stretch(t_s, None))
        elif self.stretches:
            self.stretches[-1] = self.stretches[-1]._replace(off_s=t_s)

    def add(self, envelope: F64, bed: F64) -> None:
        """Light of the next ticks, mean of each tick over its sub-samples, mW/cm²."""
        self._envelopes.append(envelope)
        self._plain += float(bed.sum())

    def add_lit(self, ticks: int) -> None:
        """The lamps were switched on during so many ticks."""
        self._lit_ticks += ticks

    @property
    def light_on_s(self) -> float:
        """Seconds switched on (strike delay included, after-glow not)."""
        return self._lit_ticks * self._tick_s

    def dose_mj_cm2(self, p: float, reference_mw_cm2: float) -> float:
        """Effective dose; see the head of this file."""
        if p == 1.0:
            return self._plain * self._tick_s
        total = sum(float(((e / reference_mw_cm2) ** p).sum()) for e in self._envelopes)
        return total * reference_mw_cm2 * self._tick_s

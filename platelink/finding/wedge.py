"""The dose that holds a plate, from a step wedge: what each exposure says, and all together. Pure.

A wedge is read in steps, so a reading is an interval: the dose that holds is no more than what fell
under the last step held, and more than what fell under the first one washed away (densities by
ISO 5-2: a step of density D lets 10^-D through). Middles of steps taken for values would be wrong
by up to half a step, 19 %, and look sure of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from platelink.finding.censored import Told, told
from platelink.finding.curve import F64, NoFitError
from platelink.sensing.gum import ROUGHLY_DOF, K

STEP_DENSITY = 0.15
NOMINAL = tuple(round(0.05 + STEP_DENSITY * i, 2) for i in range(21))
"""Of 21 steps of 0.15, the first of 0.05: common practice, no source."""
PLATE_SD = 0.04
"""Of the logarithm (base e) of the dose that holds, plate to plate: invented, on the careful side.
It counts as known from ROUGHLY_DOF plates, and gives way to the shop's own."""
NOMINAL_U, MEASURED_U = 0.01, 0.004
"""Standard uncertainty of all densities together, as marked and as measured. Common practice, no
source."""
LEAK_SHARE = 0.02
"""Of the dose that holds: what may pass a film's black. Invented, on the careful side."""
_LN10 = math.log(10.0)
_FAR = 0.6
"""Decades beyond the readings that are looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgeReading:
    """One wedge, washed out and read. Steps count from 1."""

    dose_mj_cm2: float
    """Over the wedge, in the open."""
    held: int
    """Last step held whole; 0: none."""
    washed: int
    """First step washed away whole; one past the last: none."""
    run: str = ""


@dataclass(frozen=True, slots=True)
class HoldDose:
    """The dose that holds in the open, with the interval of its mean; no end: not known."""

    dose_mj_cm2: float
    low_mj_cm2: float | None
    high_mj_cm2: float | None
    plate_pct: float
    """Standard deviation, plate to plate."""
    exposures: int
    runs: tuple[str, ...]

    @property
    def text(self) -> str:
        """What is known, in a sentence."""
        n = "1 exposure" if self.exposures == 1 else f"{self.exposures} exposures"
        if self.low_mj_cm2 is None and self.high_mj_cm2 is None:
            return f"cannot tell: {n} bound the dose on neither side"
        if self.low_mj_cm2 is None:
            return (
                f"at most {self.high_mj_cm2:.0f} mJ/cm² ({n}); how much less is not known: no "
                "step was washed away; expose less, or use a longer wedge"
            )
        if self.high_mj_cm2 is None:
            return (
                f"more than {self.low_mj_cm2:.0f} mJ/cm² ({n}); how much more is not known: no "
                "step held; expose more"
            )
        return (
            f"{self.dose_mj_cm2:.0f} mJ/cm² holds ({self.low_mj_cm2:.0f} to "
            f"{self.high_mj_cm2:.0f} mJ/cm², 95 %, {n})"
        )


def limits(readings: Sequence[WedgeReading], densities: Sequence[float]) -> tuple[F64, F64]:
    """Logarithms (base 10) of the doses between which each plate holds. NoFitError for a reading
    that cannot be."""
    must_rise(densities)
    n = len(densities)
    low, high = [], []
    for number, one in enumerate(readings, 1):
        if not (math.isfinite(one.dose_mj_cm2) and one.dose_mj_cm2 > 0.0):
            raise NoFitError(f"reading {number}: a dose of {one.dose_mj_cm2:g} mJ/cm² cannot be")
        if not (0 <= one.held <= n and 1 <= one.washed <= n + 1):
            raise NoFitError(f"reading {number}: the wedge has {n} steps; 0 is none held, {n + 1} "
                             "none washed away")  # fmt: skip
        if one.held >= one.washed:
            raise NoFitError(
                f"reading {number}: step {one.held} held and step {one.washed} washed away: the "
                "lighter step must be the one that holds; look again at which end is which"
            )
        dose = math.log10(one.dose_mj_cm2)
        low.append(dose - densities[one.washed - 1] if one.washed <= n else -math.inf)
        high.append(dose - densities[one.held - 1] if one.held else math.inf)
    return np.array(low), np.array(high)


def must_rise(densities: Sequence[float]) -> None:
    """NoFitError for densities that are of no wedge."""
    if len(densities) < 2 or not all(math.isfinite(d) and 0.0 <= d <= 6.0 for d in densities):
        raise NoFitError("a wedge has at least two steps, of densities from 0 to 6")
    if any(b <= a for a, b in pairwise(densities)):
        raise NoFitError("densities of a wedge rise from step to step; enter them in that order")


def hold_dose(
    readings: Sequence[WedgeReading],
    densities: Sequence[float] = NOMINAL,
    *,
    density_u: float = NOMINAL_U,
    plate_sd: float = PLATE_SD,
    plate_dof: float = ROUGHLY_DOF,
) -> HoldDose:
    """The dose that holds, by all readings together."""
    if not readings:
        raise NoFitError("there is no reading; expose a wedge")
    low, high = limits(readings, densities)
    ends = np.concatenate([low, high])
    ends = ends[np.isfinite(ends)]
    if not len(ends):
        raise NoFitError("no reading has a step that held or one that washed away; expose again")
    found = told(
        low, high, sd=plate_sd / _LN10, sd_dof=plate_dof,
        between=(float(ends.min()) - _FAR, float(ends.max()) + _FAR),
    )  # fmt: skip
    return HoldDose(
        10.0**found.value, _widened(found, found.low, density_u),
        _widened(found, found.high, density_u), 100.0 * found.sd * _LN10, found.n,
        tuple(one.run for one in readings if one.run),
    )  # fmt: skip


def _widened(found: Told, end: float | None, density_u: float) -> float | None:
    """An end as a dose, with what all densities together may be off: more plates do not help."""
    if end is None:
        return None
    return float(10.0 ** (found.value + math.copysign(
        math.hypot(end - found.value, K * density_u), end - found.value
    )))  # fmt: skip


def dose_to_hold(hold: HoldDose, step: int, densities: Sequence[float] = NOMINAL) -> HoldDose:
    """The dose over the wedge that just holds this step."""
    must_rise(densities)
    if not 1 <= step <= len(densities):
        raise NoFitError(f"the wedge has {len(densities)} steps; step {step} is none of them")
    by = 10.0 ** densities[step - 1]

    def times(dose: float | None) -> float | None:
        return None if dose is None else dose * by

    return HoldDose(
        hold.dose_mj_cm2 * by, times(hold.low_mj_cm2), times(hold.high_mj_cm2), hold.plate_pct,
        hold.exposures, hold.runs,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class FilmLeak:
    """What passes the black of a film in an exposure."""

    share: float
    """Of the dose that holds, at most."""
    least_density: float
    """Of a black that lets no more than LEAK_SHARE through."""
    good: bool

    @property
    def text(self) -> str:
        """The gate, in a sentence."""
        verdict = (
            "the film is dense enough" if self.good
            else f"the film is too thin: its black needs {self.least_density:.2f}; make another"
        )  # fmt: skip
        return (
            f"up to {100.0 * self.share:.1f} % of the dose that holds passes the black; {verdict}"
        )


def film_leak(hold: HoldDose, dose_mj_cm2: float, density: float) -> FilmLeak:
    """The gate for a film of this density in its black, exposed to this dose."""
    if hold.low_mj_cm2 is None:
        raise NoFitError("cannot tell: the dose that holds has no lower limit yet")
    if not (dose_mj_cm2 > 0.0 and 0.0 <= density <= 8.0):
        raise NoFitError("a dose is above 0, a density from 0 to 8")
    over = dose_mj_cm2 / hold.low_mj_cm2
    share = over * 10.0**-density
    return FilmLeak(share, max(0.0, math.log10(over / LEAK_SHARE)), share <= LEAK_SHARE)

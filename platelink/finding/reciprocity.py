"""How much a stock asks of reciprocity: its p, from wedges at two irradiances. Pure.

Light of irradiance E counts as ``E_ref (E / E_ref)^p`` (Schwarzschild's law), so the recorded dose
that holds at E is that at E_ref times ``(E / E_ref)^(1 - p)``. With four to one of irradiance and
p = 0.86 that is half a step of a wedge: exposed with the same dose at both levels the wedge shows
the same step, plate after plate, and p comes out as 1 with no scatter at all. Doses that are
staggered within a step show the half step, by how many of them cross it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from platelink.finding.censored import told
from platelink.finding.curve import NoFitError
from platelink.finding.wedge import NOMINAL, PLATE_SD, STEP_DENSITY, WedgeReading, limits
from platelink.sensing.gum import ROUGHLY_DOF

LEAST_RATIO = 3.0
"""Of the irradiances: nearer levels differ by less than wedges show."""
LEAST_EXPOSURES = 10
STAGGERED = 0.6
"""Share of a step that the doses of one level must cover."""
P_LEAST, P_MOST = 0.3, 1.7
_LN10 = math.log(10.0)


@dataclass(frozen=True, slots=True)
class AtLevel:
    """One wedge at one irradiance."""

    irradiance_mw_cm2: float
    reading: WedgeReading


@dataclass(frozen=True, slots=True)
class Reciprocity:
    """What the data say of p."""

    p: float
    low: float | None
    high: float | None
    from_mw_cm2: float
    to_mw_cm2: float
    exposures: int
    runs: tuple[str, ...]
    faults: tuple[str, ...]
    """What is wrong with the design: the interval stands, but it could be much narrower."""

    @property
    def text(self) -> str:
        """What is excluded, and what is not."""
        over = f"between {self.from_mw_cm2:.1f} and {self.to_mw_cm2:.1f} mW/cm²"
        if self.low is None or self.high is None:
            side = "on either side"
            if self.low is not None:
                side = f"upwards; p below {self.low:.2f} is excluded"
            elif self.high is not None:
                side = f"downwards; p above {self.high:.2f} is excluded"
            return f"cannot tell: these exposures do not bound p {side}"
        plain = "; p = 1 is not excluded" if self.low <= 1.0 <= self.high else "; p = 1 is excluded"
        return (
            f"p = {self.p:.2f} {over}; p below {self.low:.2f} and above {self.high:.2f} is "
            f"excluded (95 %, {self.exposures} exposures){plain}"
        )

    @property
    def proposal(self) -> str:
        """A section for a recipe, to be entered and approved by a person; empty: none."""
        if self.low is None or self.high is None or self.faults:
            return ""
        if self.low <= 1.0 <= self.high:
            return ""
        reference = math.sqrt(self.from_mw_cm2 * self.to_mw_cm2)
        u = (self.high - self.low) / 4.0
        return (
            f"[reciprocity]\np = {self.p:.2f}\np_uncertainty = {u:.2f}\n"
            f"reference_mw_cm2 = {reference:.1f}\n"
        )


def staggered(dose_mj_cm2: float, exposures: int, step: float = STEP_DENSITY) -> list[float]:
    """Doses of one level, spread evenly over one step of the wedge about a dose."""
    if exposures < 1 or not dose_mj_cm2 > 0.0:
        raise NoFitError("a design needs a dose above 0 and at least one exposure")
    return [
        dose_mj_cm2 * 10.0 ** (step * ((i + 0.5) / exposures - 0.5)) for i in range(exposures)
    ]  # fmt: skip


def reciprocity(
    readings: Sequence[AtLevel],
    densities: Sequence[float] = NOMINAL,
    *,
    plate_sd: float = PLATE_SD,
    plate_dof: float = ROUGHLY_DOF,
) -> Reciprocity:
    """p of these wedges. The wedge's own densities cancel: one wedge must have made all."""
    for number, one in enumerate(readings, 1):
        if not (math.isfinite(one.irradiance_mw_cm2) and one.irradiance_mw_cm2 > 0.0):
            raise NoFitError(f"reading {number}: an irradiance must be above 0")
    levels = sorted(one.irradiance_mw_cm2 for one in readings)
    if len(readings) < 4 or levels[-1] / levels[0] < 1.2:
        raise NoFitError(
            "p needs at least four exposures at two irradiances; take the second one through a "
            "neutral mesh, four to one"
        )
    low, high = limits([one.reading for one in readings], densities)
    x = np.log10([one.irradiance_mw_cm2 for one in readings])
    middle = 0.5 * (math.log10(levels[0]) + math.log10(levels[-1]))
    found = told(
        low, high, x - middle, sd=plate_sd / _LN10, sd_dof=plate_dof,
        between=(1.0 - P_MOST, 1.0 - P_LEAST),
    )  # fmt: skip
    return Reciprocity(
        1.0 - found.value,
        None if found.high is None else 1.0 - found.high,
        None if found.low is None else 1.0 - found.low,
        levels[0], levels[-1], len(readings),
        tuple(one.reading.run for one in readings if one.reading.run),
        tuple(_faults(readings, densities)),
    )  # fmt: skip


def _faults(readings: Sequence[AtLevel], densities: Sequence[float]) -> list[str]:
    """What a better design would do."""
    found = []
    levels = [one.irradiance_mw_cm2 for one in readings]
    ratio = max(levels) / min(levels)
    if ratio < LEAST_RATIO:
        found.append(
            f"the levels differ by {ratio:.1f} to 1: take four to one by a neutral mesh, which "
            "changes neither colour nor direction of the light"
        )
    if len(readings) < LEAST_EXPOSURES:
        found.append(f"{len(readings)} exposures: {LEAST_EXPOSURES} or more tell p")
    step = (densities[-1] - densities[0]) / (len(densities) - 1)
    middle = math.sqrt(max(levels) * min(levels))
    for name, side in (("low", False), ("high", True)):
        doses = [o.reading.dose_mj_cm2 for o in readings if (o.irradiance_mw_cm2 > middle) is side]
        if _covered([math.log10(dose) / step for dose in doses]) < STAGGERED:
            found.append(
                f"the doses at the {name} irradiance fall on the same place within a step: the "
                "wedge shows the same step for many values of p; stagger them over one step"
            )
    return found


def _covered(places: Sequence[float]) -> float:
    """Share of a step that places cover, taken round: 1 less the largest gap."""
    if not places:
        return 0.0
    within = sorted(place % 1.0 for place in places)
    gaps = [b - a for a, b in zip(within, [*within[1:], within[0] + 1.0], strict=True)]
    return 1.0 - max(gaps)

"""How even the light is over the bed, where a plate may lie, and what its place costs. Pure.

A meter, or the unit's own sensor, reads the light at places of a grid, and comes back to the first
place now and then: what changed there meanwhile is the lamps', and is taken off. Between places
the light is interpolated; beyond the grid nothing is known, so nothing is placed there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from platelink.finding.curve import F64, NoFitError

LEAST_SIDE = 3
READING_PCT = 1.0
"""Standard deviation of a hand meter read again at a place: invented, on the careful side."""
STEADY_PCT = 5.0
"""Lamps that change by more while the bed is measured are not warm."""
_FINE = 9
"""Cells between two places of the grid."""


class BedReading(NamedTuple):
    """One reading: place in cm from the bed's corner, and what was read there, in order of time."""

    x_cm: float
    y_cm: float
    irradiance_mw_cm2: float


@dataclass(frozen=True, slots=True)
class Evenness:
    """The light over the bed, relative to its mean."""

    xs_cm: F64
    ys_cm: F64
    relative: F64
    """[y, x]."""
    mean_mw_cm2: float
    lamps_pct: float
    """Change of the lamps meanwhile."""

    @property
    def ratio(self) -> float:
        """Least over greatest."""
        return float(self.relative.min() / self.relative.max())

    @property
    def cv_pct(self) -> float:
        """Coefficient of variation over the places."""
        return 100.0 * float(self.relative.std(ddof=1))

    @property
    def text(self) -> str:
        """The bed in a sentence."""
        return (
            f"least over greatest {self.ratio:.3f}, CV {self.cv_pct:.1f} % over "
            f"{self.relative.size} places; mean {self.mean_mw_cm2:.2f} mW/cm²"
        )

    def map_text(self) -> str:
        """Percent from the mean, the bed seen from above, the first row at the foot."""
        rows = [
            f"{y:6.1f}  " + " ".join(f"{100.0 * (v - 1.0):+5.1f}" for v in row)
            for y, row in zip(self.ys_cm[::-1], self.relative[::-1], strict=True)
        ]
        foot = "    cm  " + " ".join(f"{x:5.1f}" for x in self.xs_cm)
        return "\n".join([*rows, foot])

    def at(self, x_cm: float, y_cm: float) -> float:
        """Relative light at a place. NoFitError beyond the grid."""
        inside_x = self.xs_cm[0] - 1e-9 <= x_cm <= self.xs_cm[-1] + 1e-9
        if not (inside_x and self.ys_cm[0] - 1e-9 <= y_cm <= self.ys_cm[-1] + 1e-9):
            raise NoFitError(f"({x_cm:g}, {y_cm:g}) cm lies beyond the places that were measured")
        column = np.array([np.interp(x_cm, self.xs_cm, row) for row in self.relative])
        return float(np.interp(y_cm, self.ys_cm, column))

    def place(
        self, width_cm: float, height_cm: float, sensor: tuple[float, float] | None = None
    ) -> Place:
        """The evenest place for a plate of this size, and what it costs. ``sensor``: where the
        unit's sensor sees the light; without it, the mean of the bed."""
        span = self.xs_cm[-1] - self.xs_cm[0], self.ys_cm[-1] - self.ys_cm[0]
        if not (0.0 < width_cm <= span[0] + 1e-9 and 0.0 < height_cm <= span[1] + 1e-9):
            raise NoFitError(
                f"a plate of {width_cm:g} × {height_cm:g} cm does not lie within the measured "
                f"{span[0]:g} × {span[1]:g} cm; measure nearer to the bed's edges"
            )
        reference = 1.0 if sensor is None else self.at(*sensor)
        places = [
            _place(self, float(x), float(y), (width_cm, height_cm), reference)
            for x in np.linspace(self.xs_cm[0], self.xs_cm[-1] - width_cm, _FINE)
            for y in np.linspace(self.ys_cm[0], self.ys_cm[-1] - height_cm, _FINE)
        ]
        return min(places, key=lambda place: place.position_pct)

    def lying(
        self, place_cm: tuple[float, float, float, float] | None, sensor: tuple[float, float]
    ) -> Lying:
        """What the light on a plate is, against that at the sensor. ``place_cm``: its corner, width
        and height; None: anywhere on the measured bed. NoFitError beyond what was measured."""
        if place_cm is None:
            x, y = float(self.xs_cm[0]), float(self.ys_cm[0])
            width, height = float(self.xs_cm[-1]) - x, float(self.ys_cm[-1]) - y
        else:
            x, y, width, height = place_cm
            if not (width > 0.0 and height > 0.0):
                raise NoFitError("width and height of a plate are above 0 cm")
        light = _light(self, (x, y), (width, height)) / self.at(*sensor)
        mean = _mean(light, _cuts(self.xs_cm, x, x + width), _cuts(self.ys_cm, y, y + height))
        low, high = float(light.min()), float(light.max())
        off = 100.0 * max(abs(low - 1.0), abs(high - 1.0))
        return Lying(
            100.0 * (low - 1.0), 100.0 * (mean - 1.0), 100.0 * (high - 1.0),
            math.hypot(off, math.sqrt(3.0) * READING_PCT),
        )  # fmt: skip


class Lying(NamedTuple):
    """Light on a plate over that at the sensor, less 1, in percent; and the half-width of the line
    ``position`` of the budget of a dose."""

    low_pct: float
    mean_pct: float
    high_pct: float
    position_pct: float


@dataclass(frozen=True, slots=True)
class Place:
    """A plate's place, by its corner."""

    x_cm: float
    y_cm: float
    width_cm: float
    height_cm: float
    ratio: float
    """Least over greatest light on the plate."""
    position_pct: float
    """Most that the light anywhere on the plate is off that at the sensor, with what reading the
    meter is unsure of: the half-width ``position_pct`` of the budget of a dose."""

    @property
    def text(self) -> str:
        """Where to lay it."""
        return (
            f"a plate of {self.width_cm:g} × {self.height_cm:g} cm lies best with its corner at "
            f"({self.x_cm:.1f}, {self.y_cm:.1f}) cm: least over greatest {self.ratio:.3f}, at most "
            f"{self.position_pct:.1f} % off the sensor's light"
        )

    @property
    def proposal(self) -> str:
        """For the configuration's section [light.uncertainty], to be entered by a person."""
        return f"position_pct = {self.position_pct:.1f}"


def _place(
    bed: Evenness, x: float, y: float, size: tuple[float, float], reference: float
) -> Place:  # fmt: skip
    width, height = size
    light = _light(bed, (x, y), size)
    off = 100.0 * float(np.abs(light / reference - 1.0).max())
    return Place(
        x, y, width, height, float(light.min() / light.max()),
        math.hypot(off, math.sqrt(3.0) * READING_PCT),
    )  # fmt: skip


def _light(bed: Evenness, corner: tuple[float, float], size: tuple[float, float]) -> F64:
    """Relative light at corners, edges and places within a plate, [y, x]: it is linear between
    places, so its extremes are among these. NoFitError beyond what was measured."""
    xs = _cuts(bed.xs_cm, corner[0], corner[0] + size[0])
    ys = _cuts(bed.ys_cm, corner[1], corner[1] + size[1])
    return np.array([[bed.at(float(a), float(b)) for a in xs] for b in ys])


def _mean(light: F64, xs: F64, ys: F64) -> float:
    """Over the plate: exact, as the light is linear along both edges of each cell."""
    whole = np.trapezoid(np.trapezoid(light, xs, axis=1), ys)
    return float(whole / ((xs[-1] - xs[0]) * (ys[-1] - ys[0])))


def _cuts(places: F64, low: float, high: float) -> F64:
    inside = places[(places > low) & (places < high)]
    return np.concatenate([[low], inside, [high]])


def evenness(readings: Sequence[BedReading]) -> Evenness:
    """The bed of these readings. NoFitError says what is missing."""
    for number, one in enumerate(readings, 1):
        if not (all(map(math.isfinite, one)) and one.irradiance_mw_cm2 > 0.0):
            raise NoFitError(f"reading {number}: two places in cm and an irradiance above 0")
    xs = sorted({one.x_cm for one in readings})
    ys = sorted({one.y_cm for one in readings})
    if len(xs) < LEAST_SIDE or len(ys) < LEAST_SIDE:
        raise NoFitError(f"a grid of {len(xs)} × {len(ys)} places is too coarse; {LEAST_SIDE} × "
                         f"{LEAST_SIDE} are the least")  # fmt: skip
    there = {(one.x_cm, one.y_cm) for one in readings}
    missing = [(x, y) for y in ys for x in xs if (x, y) not in there]
    if missing:
        more = f" and {len(missing) - 1} places more" if len(missing) > 1 else ""
        raise NoFitError(f"no reading at ({missing[0][0]:g}, {missing[0][1]:g}) cm{more}")
    lamps = _lamps(readings)
    if 100.0 * float(np.ptp(lamps)) > STEADY_PCT:
        raise NoFitError(
            f"the lamps changed by {100.0 * float(np.ptp(lamps)):.1f} % meanwhile; let them warm "
            "up, and measure again"
        )
    sums = {place: [0.0, 0.0] for place in there}
    for one, lamp in zip(readings, lamps, strict=True):
        sums[one.x_cm, one.y_cm][0] += one.irradiance_mw_cm2 / math.exp(lamp)
        sums[one.x_cm, one.y_cm][1] += 1.0
    light = np.array([[sums[x, y][0] / sums[x, y][1] for x in xs] for y in ys])
    mean = float(light.mean())
    return Evenness(np.array(xs), np.array(ys), light / mean, mean, 100.0 * float(np.ptp(lamps)))


def _lamps(readings: Sequence[BedReading]) -> F64:
    """Logarithm of the lamps' level at each reading, from the returns to the first place."""
    first = (readings[0].x_cm, readings[0].y_cm)
    back = [i for i, one in enumerate(readings) if (one.x_cm, one.y_cm) == first]
    level = [math.log(readings[i].irradiance_mw_cm2) for i in back]
    if len(back) < 2:
        return np.zeros(len(readings))
    found = np.interp(np.arange(len(readings)), back, level)
    return np.asarray(found - found.mean(), float)

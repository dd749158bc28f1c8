"""The uncertainty of a dose, line by line: a budget after the GUM (JCGM 100:2008, 8). Pure.

The dose is ``D = ∫ E_ref (E / E_ref)^p dt`` with ``E = sum(w_c · slope_c · (counts_c - dark_c))``.
Each line says how far one thing may be off and what that does to the dose, twice: against the
reference meter, and between plates of one unit, place, month and calibration, where most of what
lasts cancels. What nobody stated is assumed, and says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import NamedTuple

from platelink.sensing.gum import ROUGHLY_DOF, Combined, Input, Shape, combined
from platelink.sensing.light import LightChannel, LightSensors

YEAR_DAYS = 365.25
MONTH_YEARS = 1.0 / 12.0 / math.sqrt(12.0)
"""Standard deviation of the days of a month."""
HEAD_SPREAD_C = 5.0
"""Standard deviation of the head's temperature within a month: invented, of a unit that is used
cold and warm."""
HEAD_UNKNOWN_C = 15.0
"""The same from the temperature of the calibration, where no sensor tells it."""
BOW_IN_A_MONTH = 0.4
"""Share of a bow over the whole range that shows between plates: its light stays within a tenth of
the range, and a parabola is at its steepest four times as steep as its height is over the range."""
FADE_IN_A_MONTH = 0.1
"""Most that the light of a month differs from its mean, as a share."""
PLACE_IN_A_MONTH = 0.03
"""Share of what place, angle and colour do to the dose that changes within a month, as tubes age
unequally, and are cold or warm: twice that of simulated tubes that fade by 15 to 25 % a year."""
CLOCK_K = 2.0
"""The device's tick is told with an interval that holds it in 95 % of cases."""


class Source(StrEnum):
    """Where a value comes from."""

    SET = "set"  # in the configuration or the recipe
    CALIBRATION = "calibration"  # of the sensor
    MEASURED = "measured"  # in this exposure
    EXPERIMENT = "experiment"  # an experiment of the shop's
    ASSUMED = "assumed"  # by nobody: stated here because something must be


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What a shop states of a unit; None: not stated, and ``ASSUMED`` holds. All are half-widths
    within which everything is equally likely, but ``fit_pct``, which is standard."""

    fit_pct: float | None = None
    dark_counts: float | None = None
    resolution_counts: float | None = None
    temperature_pct_per_c: float | None = None
    nonlinearity_counts: float | None = None
    supply_pct: float | None = None
    drift_pct_per_year: float | None = None
    ageing_pct_per_year: float | None = None
    position_pct: float | None = None
    cosine_pct: float | None = None
    spectral_pct: float | None = None


ASSUMED = {
    "reference_pct": 5.0,
    "fit_pct": 1.0,
    "dark_counts": 0.2,
    "resolution_counts": 0.06,
    "temperature_pct_per_c": 0.1,
    "nonlinearity_counts": 2.0,
    "supply_pct": 0.5,
    "drift_pct_per_year": 2.0,
    "ageing_pct_per_year": 3.0,
    "position_pct": 5.0,
    "cosine_pct": 3.0,
    "spectral_pct": 5.0,
    "p": 0.05,
}
"""Invented, after common experience with such sensors (no source); on the careful side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What is known of an exposure that has ended."""

    irradiance_mw_cm2: float
    """Mean while light was on."""
    light_s: float
    on: date
    head_c: float | None = None
    clock_relative: float = 0.0
    """Half-width of the interval of the device's tick."""
    p: float = 1.0
    p_uncertainty: float | None = None
    reference_mw_cm2: float = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OnBed:
    """Where a plate lies on the bed, and what a measured bed makes of it. The light is that on the
    plate over that at the sensor, less 1, in percent."""

    experiment: str
    """The experiment in evenness, such as bed-2."""
    place_cm: tuple[float, float, float, float] | None
    """Corner, width and height; None: nobody said, and the figures are of the whole bed."""
    low_pct: float
    mean_pct: float
    high_pct: float
    position_pct: float
    """Half-width of the line ``position``: the most that the light is off, with the meter's."""


class Line(NamedTuple):
    """One line of the budget."""

    name: str
    channel: int | None
    """Light channel it is of; None: of all."""
    value: float
    unit: str
    shape: Shape
    dof: float
    source: Source
    sensitivity: float
    """Percent of the dose for one unit of the value, against the reference meter."""
    plate_sensitivity: float
    """The same between plates."""

    def of_meter(self) -> Input:
        """As an input to the uncertainty against the reference meter."""
        return Input(self.value, self.shape, self.sensitivity, self.dof)

    def of_plate(self) -> Input:
        """As an input to the uncertainty between plates."""
        return Input(self.value, self.shape, self.plate_sensitivity, self.dof)


@dataclass(frozen=True, slots=True)
class Budget:
    """All lines, and what they come to, in percent of the dose."""

    lines: tuple[Line, ...]
    certificates: tuple[str, ...]
    """Of the reference meter of each channel; the same one errs alike."""

    @property
    def plate(self) -> Combined:
        """Between plates of one unit, place, month and calibration."""
        return combined([line.of_plate() for line in self.lines], self.correlation)

    @property
    def meter(self) -> Combined:
        """Against the reference meter."""
        return combined([line.of_meter() for line in self.lines], self.correlation)

    @property
    def assumed(self) -> tuple[str, ...]:
        """Names of the lines that nobody stated and that matter, each once, in order."""
        names = (line.name for line in self.lines if line.source is Source.ASSUMED)
        return tuple(dict.fromkeys(names))

    def correlation(self, i: int, j: int) -> float:
        """1 for two channels compared with one meter, whose error is theirs, and for what one head
        and one converter do to both. Else 0."""
        a, b = self.lines[i], self.lines[j]
        if a.name != b.name or a.channel is None or b.channel is None:
            return 0.0
        if a.name == REFERENCE:
            return float(self.certificates[a.channel] == self.certificates[b.channel])
        return float(a.name in _ALIKE)


REFERENCE, DARK, BOW, POSITION = "reference", "dark", "non-linearity", "position"
_ALIKE = (DARK, BOW)


def budget(
    light: LightSensors, given: Given, stated: Stated, on_bed: OnBed | None = None
) -> Budget | None:
    """The budget of an exposure; None where no light was measured. ``light`` has the dark that was
    read before it; ``on_bed``: None where no bed was measured."""
    if not (given.irradiance_mw_cm2 > 0.0 and given.light_s > 0.0):
        return None
    lines: list[Line] = []
    for i, channel in enumerate(light.channels):
        if channel.weight:
            lines += _of_channel(i, channel, given, stated)
    lines += _of_unit(light.channels, given, stated)
    if on_bed is not None:
        lines = [
            _placed(line, on_bed, given.p) if line.name == POSITION else line for line in lines
        ]
    return Budget(tuple(lines), tuple(_certificate(c) for c in light.channels))


def _certificate(channel: LightChannel) -> str:
    """Channels of which nobody says with which meter were all compared with the one there is."""
    return channel.traced.certificate if channel.traced else ""


def _of_channel(i: int, channel: LightChannel, given: Given, stated: Stated) -> list[Line]:
    """What each channel has of its own."""
    share = given.p * channel.weight
    count = share * 100.0 * channel.slope_mw_cm2_per_count / given.irradiance_mw_cm2
    traced, told = channel.traced, channel.rel_uncertainty
    if traced is not None:
        certain = traced.reference_pct, math.inf, Source.CALIBRATION
        fitted = traced.fit_pct, float(traced.fit_dof), Source.CALIBRATION
        # At r of the highest level a parabola is off its line by 4 |r - 1| of its bow, as shares.
        bent = share * max(1.0, 4.0 * abs(given.irradiance_mw_cm2 / traced.top_mw_cm2 - 1.0))
        bow = Line(BOW, i, traced.bow_pct, "%", Shape.UNIFORM, math.inf,
                   Source.CALIBRATION, bent, BOW_IN_A_MONTH * bent)  # fmt: skip
    else:
        certain = _told(None if told is None else 100.0 * told, "reference_pct")
        fitted = _told(stated.fit_pct, "fit_pct")
        bow = _line(BOW, i, _told(stated.nonlinearity_counts, "nonlinearity_counts"),
                    "counts", (count, BOW_IN_A_MONTH * count))  # fmt: skip
    return [
        Line(REFERENCE, i, certain[0], "%", Shape.NORMAL, *certain[1:], share, 0.0),
        Line("fit", i, fitted[0], "%", Shape.NORMAL, *fitted[1:], share, 0.0),
        _line(DARK, i, _told(stated.dark_counts, "dark_counts"), "counts", (count, count)),
        _line("resolution", i, _told(stated.resolution_counts, "resolution_counts"), "counts",
              (count, count)),
        bow,
    ]  # fmt: skip


def _of_unit(channels: Sequence[LightChannel], given: Given, stated: Stated) -> list[Line]:
    """What all channels share: head, converter, bed, lamps, clock and plate stock."""
    p = given.p
    away_c = HEAD_UNKNOWN_C
    if given.head_c is not None:
        away_c = sum(c.weight * abs(given.head_c - c.reference_temp_c) for c in channels)
    since = [(given.on - c.calibrated_on).days for c in channels if c.calibrated_on and c.weight]
    years = max(0, *since) / YEAR_DAYS if since else 1.0
    found = [
        _line("temperature", None, _told(stated.temperature_pct_per_c, "temperature_pct_per_c"),
              "%/°C", (p * away_c, p * HEAD_SPREAD_C)),
        _line("supply", None, _told(stated.supply_pct, "supply_pct"), "%", (p, p)),
    ]  # fmt: skip
    for name, key in (("drift", "drift_pct_per_year"), ("ageing", "ageing_pct_per_year")):
        value = _told(getattr(stated, key), key)
        found.append(_line(name, None, value, "%/year", (p * years, p * MONTH_YEARS)))
    for name, key in (
        (POSITION, "position_pct"), ("cosine", "cosine_pct"), ("spectral", "spectral_pct"),
    ):  # fmt: skip
        value = _told(getattr(stated, key), key)
        found.append(_line(name, None, value, "%", (p, PLACE_IN_A_MONTH * p)))
    timing = 100.0 * given.clock_relative / CLOCK_K
    found.append(
        Line("timing", None, timing, "%", Shape.NORMAL, math.inf, Source.MEASURED, 1.0, 1.0)
    )
    if p != 1.0 or given.p_uncertainty is not None:
        value = _told(given.p_uncertainty, "p")
        far = 100.0 * abs(math.log(given.irradiance_mw_cm2 / given.reference_mw_cm2))
        found.append(
            Line("reciprocity", None, value[0], "1", Shape.NORMAL, *value[1:], far,
                 100.0 * FADE_IN_A_MONTH)
        )  # fmt: skip
    return found


_Told = tuple[float, float, Source]
"""Value, degrees of freedom, source."""


def _told(value: float | None, key: str) -> _Told:
    if value is None:
        return ASSUMED[key], ROUGHLY_DOF, Source.ASSUMED
    return value, math.inf, Source.SET


def _line(
    name: str, channel: int | None, told: _Told, unit: str, effect: tuple[float, float]
) -> Line:
    """A half-width. ``effect``: of one unit of it, against the meter and between plates."""
    value, dof, source = told
    return Line(name, channel, value, unit, Shape.UNIFORM, dof, source, *effect)


def _placed(line: Line, on_bed: OnBed, p: float) -> Line:
    """Of a bed that was measured. Plates whose place nobody says lie anywhere on it, so that place
    does not cancel between them."""
    between = p * (PLACE_IN_A_MONTH if on_bed.place_cm is not None else 1.0)
    return line._replace(
        value=on_bed.position_pct, dof=math.inf, source=Source.EXPERIMENT, plate_sensitivity=between
    )

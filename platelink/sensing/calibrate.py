"""From levels to a line, or the reasons why these levels cannot carry one. Pure.

Limits are common practice where no source stands beside them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import NamedTuple

from platelink.sensing.calibration import (
    UNIT,
    Counts,
    Covariance,
    Instrument,
    Level,
    Line,
    Quantity,
)
from platelink.sensing.fit import Fit, FitError, t_99, weighted_fit
from platelink.sensing.light import DARK_FLOOR_COUNTS

QUIET_COUNTS = 0.25
"""Measured scatter below which a converter shows its steps: a Gaussian of 0.27 steps reads 0.25 in
the middle of a step. With 0.3 the step leaves 0.06 counts in the mean, with 0.1 up to half a count
(2 exp(-2 π² σ²) / 2 π; Widrow & Kollár, Quantization Noise, from memory)."""
QUIET_CODES = 2
"""So few different codes in thousands of conversions are no noise either."""
BOW_SHARE = 0.005
"""Of the span: a curvature below it is carried as uncertainty."""
SCATTER_SHARE = 0.03
"""Of the span: levels that scatter more were not compared at the same place or moment."""
DISTINCT_SHARE = 0.05
"""Of the span: nearer levels are one level, read twice."""


@dataclass(frozen=True, slots=True)
class Demands:
    """What levels of a quantity must give."""

    levels: int
    """Different ones; for light besides the dark."""
    span: float
    """Least distance of the highest from the lowest, in the unit; for light as a share of the
    highest."""
    u: float
    """Largest expanded uncertainty (k = 2) of the reference, in the unit; for light as a share."""


DEMANDS = {
    Quantity.LIGHT: Demands(levels=3, span=0.4, u=0.15),
    Quantity.VACUUM: Demands(levels=4, span=40.0, u=1.5),
    Quantity.OVEN: Demands(levels=4, span=20.0, u=1.5),
    Quantity.HEAD: Demands(levels=4, span=10.0, u=1.5),
}


@dataclass(frozen=True, slots=True)
class OnBus:
    """An instrument that tells numbers, in kPa or °C: it has no ends as a converter has, and its
    noise may be less than its last digit."""

    per_count: float
    digit: float
    """Its last digit; 0 where that is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Everything that a line is made of."""

    quantity: Quantity
    instrument: Instrument
    levels: tuple[Level, ...]
    numbers: tuple[int, ...] = ()
    """What people call the levels; left out: from 1 on."""
    dark: Counts | None = None
    adc_max: int = 1023
    on_bus: OnBus | None = None
    """None: it is a converter that counts."""
    temp_coeff_per_c: float = 0.0
    reference_temp_c: float = 25.0
    """Of the light sensor's response."""

    def numbered(self) -> Iterator[tuple[int, Level]]:
        """Each level with its number."""
        numbers = self.numbers or range(1, len(self.levels) + 1)
        return zip(numbers, self.levels, strict=True)


def judged(of: Comparison, *, today: date) -> Line | tuple[str, ...]:
    """The line, or all reasons why there is none."""
    reasons = tuple(_before(of, today=today))
    if reasons:
        return reasons
    of = replace(of, levels=tuple(_corrected(of, level) for level in of.levels))
    try:
        line, fit, u_levels = _line(of)
    except FitError as error:
        return (f"no line: {error}; read more levels, further apart",)
    return tuple(_after(of, line, fit, u_levels)) or line


def line_of(of: Comparison) -> Line:
    """The line alone, without judging whether the levels can carry it; ``FitError`` where there is
    none."""
    return _line(replace(of, levels=tuple(_corrected(of, level) for level in of.levels)))[0]


def too_quiet(counts: Counts) -> bool:
    """The converter's steps show: averaging does not come below one count."""
    codes = counts.high is not None and counts.low is not None and (
        counts.high - counts.low < QUIET_CODES
    )  # fmt: skip
    return codes or counts.rms < QUIET_COUNTS


# --- before there is a line -------------------------------------------------------------------


def _before(of: Comparison, *, today: date) -> Iterator[str]:
    demands, unit, levels = DEMANDS[of.quantity], UNIT[of.quantity], of.levels
    if of.instrument.due_on < today:
        yield (
            f"{of.instrument.name} was due for its own calibration on {of.instrument.due_on}; "
            "use one whose certificate is good"
        )
    if of.quantity is Quantity.LIGHT:
        yield from _dark(of.dark)
    if not levels:
        yield f"no levels; at least {demands.levels} are needed"
        return
    for number, level in of.numbered() if of.on_bus is None else ():
        if not 0.0 < level.counts.mean < of.adc_max or _touches_top(level.counts, of.adc_max):
            yield (
                f"level {number} touches the end of the converter ({level.counts.mean:.1f} of "
                f"{of.adc_max} counts): lower the gain, or leave it out"
            )
    xs = [level.x for level in levels]
    span, found = max(xs) - min(xs), _distinct(xs)
    if found < demands.levels:
        yield f"too few levels: {found} that differ, at least {demands.levels} are needed"
    if of.quantity is Quantity.LIGHT:
        if found > 1 and span < demands.span * max(xs):
            yield (
                f"too narrow a range: the lowest level is {min(xs) / max(xs):.0%} of the highest, "
                f"at most {1.0 - demands.span:.0%} is needed; dim the light with a mesh, or raise "
                "sensor and meter together"
            )
    elif found > 1 and span < demands.span:
        yield (
            f"too narrow a range: {span:.1f} {unit} from lowest to highest, at least "
            f"{demands.span:g} {unit} are needed"
        )
    yield from _reference(of, demands)
    if of.on_bus is None:
        yield from _quiet(of)


def _dark(dark: Counts | None) -> Iterator[str]:
    if dark is None:
        yield "no dark reading: cover the sensor, wait until it has settled, and read the dark"
    elif dark.mean < DARK_FLOOR_COUNTS:
        yield (
            f"the dark reads {dark.mean:.2f} counts, at least {DARK_FLOOR_COUNTS:.0f} are needed: "
            "its noise is cut off; raise the sensor's offset"
        )


def _touches_top(counts: Counts, adc_max: int) -> bool:
    return counts.high is not None and counts.high >= adc_max


def _distinct(xs: Sequence[float]) -> int:
    """How many levels differ."""
    least, last, found = DISTINCT_SHARE * (max(xs) - min(xs)), -math.inf, 0
    for x in sorted(xs):
        if x - last > least:
            last, found = x, found + 1
    return found


def _reference(of: Comparison, demands: Demands) -> Iterator[str]:
    top = max(abs(level.reference) for level in of.levels)
    u = 2.0 * of.instrument.u_at(top)
    if of.quantity is Quantity.LIGHT:
        u, shown = (u / top if top else math.inf), "%"
        shown = f"{u:.1%}, at most {demands.u:.0%} of the reading"
    else:
        shown = f"{u:.2g} {UNIT[of.quantity]}, at most {demands.u:g} {UNIT[of.quantity]}"
    if not 0.0 < u <= demands.u:
        yield (
            f"the reference's U (k = 2) is {shown} can carry a calibration; use a "
            "better instrument, or enter U as its certificate states it"
        )


def _quiet(of: Comparison) -> Iterator[str]:
    read = [("the dark", of.dark)] if of.dark is not None else []
    read += [(f"level {n}", level.counts) for n, level in of.numbered()]
    quiet = [name for name, counts in read if counts is not None and too_quiet(counts)]
    if quiet:
        yield (
            f"the converter is too quiet ({', '.join(quiet)}: below {QUIET_COUNTS} counts "
            "rms): its steps do not average out, a mean may be half a count off; see 'Noise' "
            "in "
            "docs/wiring.md"
        )


# --- the line ---------------------------------------------------------------------------------


def _corrected(of: Comparison, level: Level) -> Level:
    """Light as with the head at the reference temperature."""
    head_c = level.counts.head_c
    if of.quantity is not Quantity.LIGHT or head_c is None:
        return level
    response = 1.0 + of.temp_coeff_per_c * (head_c - of.reference_temp_c)
    return replace(level, x=level.x / response)


def _line(of: Comparison) -> tuple[Line, Fit, list[float]]:
    light = of.quantity is Quantity.LIGHT
    powers = (1,) if light else (0, 1)
    xs, ys = [level.x for level in of.levels], [level.reference for level in of.levels]
    gain = weighted_fit(xs, ys, None, powers).coefficient(1)
    u_levels = [_u_level(of, level, gain) for level in of.levels]
    fit = weighted_fit(xs, ys, u_levels, powers, scaled=False)
    gain, offset = fit.coefficient(1), 0.0 if light else fit.coefficient(0)
    u_gain = fit.u(1)
    if light and of.dark is not None:  # its error shifts all levels alike
        weights = [x / u**2 for x, u in zip(xs, u_levels, strict=True)]
        share = sum(weights) / sum(w * x for w, x in zip(weights, xs, strict=True))
        u_gain = math.hypot(u_gain, gain * of.dark.u_mean * share)
    covariance: Covariance = (
        ((0.0, 0.0), (0.0, u_gain**2)) if light else (
            (fit.covariance[0][0], fit.covariance[0][1]),
            (fit.covariance[1][0], fit.covariance[1][1]),
        )
    )  # fmt: skip
    line = Line(
        offset=offset, gain=gain, covariance=covariance, dof=fit.dof, residuals=fit.residuals,
        residual_sd=math.sqrt(sum(r * r for r in fit.residuals) / fit.dof) if fit.dof else 0.0,
        bow=_bow(of, u_levels)[0], x_low=min(xs), x_high=max(xs),
    )  # fmt: skip
    return line, fit, u_levels


def _u_level(of: Comparison, level: Level, gain: float) -> float:
    """Of one level, without what is common to all: its counts, the last digit of the reference."""
    digit = of.instrument.resolution
    if of.on_bus is not None:
        steps, digit = of.on_bus.per_count, math.hypot(digit, of.on_bus.digit)
    else:
        steps = level.x / level.counts.mean if of.quantity is not Quantity.LIGHT else 1.0
    return max(
        math.hypot(gain * steps * level.counts.u_mean, digit / math.sqrt(12.0)),
        1e-9 * abs(level.reference), 1e-12,
    )  # fmt: skip


def _bow(of: Comparison, u_levels: list[float]) -> tuple[float, float, float]:
    """How far a parabola bows from the line within the range, half of its 99 % interval, and how
    the levels scatter about the parabola."""
    xs = [level.x for level in of.levels]
    light = of.quantity is Quantity.LIGHT
    powers = (1, 2) if light else (0, 1, 2)
    if len(xs) <= len(powers):
        return 0.0, math.inf, math.inf
    middle = 0.0 if light else (max(xs) + min(xs)) / 2.0  # keeps the terms apart
    curved = weighted_fit(
        [x - middle for x in xs], [level.reference for level in of.levels], u_levels, powers,
        scaled=False,
    )  # fmt: skip
    reach = (max(xs) if light else max(xs) - min(xs)) ** 2 / 4.0
    interval = t_99(curved.dof) * curved.u(2) * reach
    return abs(curved.coefficient(2)) * reach, interval, curved.scatter


def _after(of: Comparison, line: Line, fit: Fit, u_levels: list[float]) -> Iterator[str]:
    unit = UNIT[of.quantity]
    if line.gain <= 0.0:
        yield "the sensor falls where the reference rises: check its wiring and the readings typed"
        return
    low = 0.0 if of.quantity is Quantity.LIGHT else line.value(line.x_low)
    span = line.value(line.x_high) - low
    bow, interval, bent_scatter = _bow(of, u_levels)
    bent = bow > interval and bow > BOW_SHARE * span
    odd = _odd(of, u_levels)
    if odd is not None and not (bent and bent_scatter < odd.scatter):
        yield (
            f"level {odd.number} is {odd.off:+.3g} {unit} off the line of the others: read it "
            "again, or leave it out, with a reason"
        )
        return
    if bent:
        yield (
            f"the levels are curved: {bow:.3g} {unit} from a straight line (99 % within "
            f"{interval:.2g}), "
            f"at most {BOW_SHARE * span:.2g} can be carried; look for stray light, a clipped "
            "amplifier, or a reference used outside its range"
        )
    if line.residual_sd > SCATTER_SHARE * span:
        yield (
            f"the levels scatter by {line.residual_sd:.3g} {unit} about the line, at most "
            f"{SCATTER_SHARE * span:.2g} can be carried; hold sensor and reference at the same "
            "place, and wait until both have settled"
        )
    if of.quantity is Quantity.LIGHT:
        yield from _off_the_dark(of, u_levels, span)


def _off_the_dark(of: Comparison, u_levels: list[float], span: float) -> Iterator[str]:
    """A line left free must meet the dark."""
    xs, ys = [level.x for level in of.levels], [level.reference for level in of.levels]
    free = weighted_fit(xs, ys, u_levels, (0, 1), scaled=False)
    off, interval = free.coefficient(0), t_99(free.dof) * free.u(0)
    if abs(off) > interval and abs(off) > 2.0 * BOW_SHARE * span:
        yield (
            f"the line misses the dark by {off:+.3g} mW/cm² (99 % within {interval:.2g}): stray "
            "light fell on the covered sensor, or the reference is not zero in the dark; read the "
            "dark again"
        )


class _Odd(NamedTuple):
    number: int
    off: float
    """Its distance from the line of the others."""
    scatter: float
    """Of the others about their line."""


def _odd(of: Comparison, u_levels: list[float]) -> _Odd | None:
    """The level that the line of all others misses beyond chance and beyond what can be carried
    (externally studentized residual)."""
    light = of.quantity is Quantity.LIGHT
    powers = (1,) if light else (0, 1)
    xs, ys = [level.x for level in of.levels], [level.reference for level in of.levels]
    span = max(ys) - (0.0 if light else min(ys))
    worst, found = 1.0, None
    numbers = [number for number, _ in of.numbered()]
    for i, u in enumerate(u_levels):
        others = [j for j in range(len(xs)) if j != i]
        if len(others) < len(powers) + 2:
            return None
        rest = weighted_fit(
            [xs[j] for j in others], [ys[j] for j in others], [u_levels[j] for j in others],
            powers, scaled=False,
        )  # fmt: skip
        off = ys[i] - rest.at(xs[i])
        sure = math.hypot(rest.u_at(xs[i]), u * max(1.0, rest.scatter))
        beyond = abs(off) / sure / t_99(rest.dof)
        if abs(off) > 2.0 * BOW_SHARE * span and beyond > worst:
            worst, found = beyond, _Odd(numbers[i], off, rest.scatter)
    return found

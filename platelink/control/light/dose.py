"""Dose from the device's cumulative sums, over device time. Pure.

Dose is the time integral of irradiance, mJ/cm² = mW/cm² · s. With a reciprocity exponent p other
than 1 the *effective* dose is the integral of ``E_ref · (E / E_ref)^p`` (Schwarzschild's law,
written so that p = 1 is the plain integral), where E is the light of the **cycle mean**: averaged
over the ripple of the mains, not sample by sample. Windows between two Sample messages hold whole
cycles of 100 and 120 Hz ripple at the default frame period, so their mean is that cycle mean.
"""

from __future__ import annotations

import copy
from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

from platelink.link.messages import Sample
from platelink.sensing.light import LightSensors
from platelink.sensing.readings import Reading

_MASK32 = 0xFFFF_FFFF
_DARK_SHARE = 0.02
"""Windows below this share of the reference irradiance are dark: light has not begun."""
_LEVEL_SHARE = 0.10
"""Two windows closer than this are one level of light: the light before them began as a step."""


class Point(NamedTuple):
    """Cumulative counts at one device tick; the dose between two points is a difference."""

    ticks: int
    light_sum: tuple[int, ...]
    light_count: tuple[int, ...]
    tick_s: float
    head_c: float | None
    whole: bool = True
    """False: the sums cannot be, only the time is good. No window begins or ends here."""


def point_of(sample: Sample, reading: Reading, tick_s: float, channels: int) -> Point:
    """The point of a sample, of the first ``channels`` light channels."""
    return Point(
        reading.ticks,
        sample.light_sum[:channels],
        sample.light_count[:channels],
        tick_s,
        reading.head_c,
        not reading.light_refused,
    )


def mean_counts(start: Point, end: Point) -> list[float] | None:
    """Mean counts of each channel between two points; None where a channel was not sampled, or
    where the sums cannot be."""
    if not (start.whole and end.whole):
        return None
    means = []
    for s0, s1, n0, n1 in zip(
        start.light_sum, end.light_sum, start.light_count, end.light_count, strict=True
    ):
        n = (n1 - n0) & _MASK32
        if not n or s1 < s0:
            return None
        means.append((s1 - s0) / n)
    return means


@dataclass(frozen=True, slots=True)
class DoseRule:
    """How light counts: calibrated sensors, reciprocity exponent p and its reference irradiance."""

    light: LightSensors
    reciprocity_p: float = 1.0
    reference_mw_cm2: float = 10.0

    def rate(self, irradiance_mw_cm2: float) -> float:
        """Effective irradiance, mW/cm²: dose gathered in one second of this light."""
        if irradiance_mw_cm2 <= 0.0:
            return 0.0
        if self.reciprocity_p == 1.0:
            return irradiance_mw_cm2
        ratio = irradiance_mw_cm2 / self.reference_mw_cm2
        return float(self.reference_mw_cm2 * ratio**self.reciprocity_p)


class Window(NamedTuple):
    """Light between two points."""

    irradiance_mw_cm2: float
    seconds: float


class DoseMeter:
    """Running dose over a chain of points. Never decreases; lost frames only widen a window."""

    __slots__ = ("_recent", "_step_open", "dose_mj_cm2", "plain_mj_cm2", "point", "rule", "window")

    def __init__(self, rule: DoseRule) -> None:
        self.rule = rule
        self.dose_mj_cm2 = 0.0
        """Effective dose."""
        self.plain_mj_cm2 = 0.0
        """Dose with p = 1, comparable with the device's weighted sum."""
        self.point: Point | None = None
        self.window = Window(0.0, 0.0)
        self._recent: deque[Window] = deque(maxlen=3)
        self._step_open = True

    def copy(self) -> DoseMeter:
        """An independent meter in the same state."""
        twin = copy.copy(self)
        twin._recent = self._recent.copy()
        return twin

    def restart_at(self, point: Point) -> None:
        """Begin a new stretch of light at this point; what came before stays counted, what passed
        between is dark and is not."""
        self.point = point
        self._recent.clear()
        self._step_open = True

    def add(self, point: Point) -> Window:
        """Integrate from the last point to this one; a point not newer changes nothing."""
        last = self.point
        if last is None:
            self.point = point
            return self.window
        dticks = point.ticks - last.ticks
        if dticks <= 0:
            return self.window
        means = mean_counts(last, point)
        if means is None:
            return self.window  # no sums, or damaged: the next window spans both
        self.point = point
        irradiance = self.rule.light.irradiance_mw_cm2(means, point.head_c)
        self.window = window = Window(max(0.0, irradiance), dticks * point.tick_s)
        self.plain_mj_cm2 += window.irradiance_mw_cm2 * window.seconds
        gained = self.rule.rate(window.irradiance_mw_cm2) * window.seconds
        if self._step_open and self.rule.reciprocity_p != 1.0:
            gained -= self._step_excess(window)
        self.dose_mj_cm2 += max(0.0, gained)
        return window

    def beyond_mj_cm2(self, most_mw_cm2: float) -> float:
        """How much more fell in the newest window than was counted, if lamps gave ``most_mw_cm2``;
        negative: how much less."""
        rate, window = self.rule.rate, self.window
        return (rate(most_mw_cm2) - rate(window.irradiance_mw_cm2)) * window.seconds

    def _step_excess(self, window: Window) -> float:
        """Dose over-counted in the window in which light began in mid-window.

        For p < 1 the mean of a part-lit window weighs more than its light did, for p > 1 less: the
        result is negative. Once two windows of one level follow, the part-lit one is known to have
        been that level for part of its time."""
        recent = self._recent
        recent.append(window)
        if len(recent) < 3:
            return 0.0
        part, full, after = recent
        e_full = full.irradiance_mw_cm2
        if part.irradiance_mw_cm2 < _DARK_SHARE * self.rule.reference_mw_cm2:
            return 0.0
        self._step_open = False
        level = abs(after.irradiance_mw_cm2 - e_full) <= _LEVEL_SHARE * e_full
        if not level or part.irradiance_mw_cm2 >= e_full:
            return 0.0
        rate = self.rule.rate
        counted = rate(part.irradiance_mw_cm2)
        lit = rate(e_full) * part.irradiance_mw_cm2 / e_full
        return (counted - lit) * part.seconds

"""Light that jumps or steps: either lamps have changed or the sensor has. Pure.

What fell since a jump is known within bounds only: it is between what the sensor tells and what
the light before the jump would have given.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import NamedTuple

from platelink.control.light.dose import DoseMeter, Point, Window
from platelink.warming import MAY_RISE

FALL_SHARE = 0.7
"""Of the light before. One tube of six that dies leaves more; what ages or warms falls slowly."""
JUMP_S = 0.08
"""More than one frame: the lid's own switch may cut the lamps in the middle of one."""
SETTLED_S = 0.6
"""Lamps that strike are at their level so long after they were first seen; then it moves slowly."""
EARLY_S = 2.0
"""Light that has been seen for less has no level yet that one would believe against another."""
BLOCK_S = 0.3
"""Of light has one mean: whole cycles of ripple, and short against a warm-up."""
STEP_SHARE = 0.02
"""A mean may be so far off what the ones before foretell: several times the noise of lamps."""
EARLY_SHARE = 0.06
"""The same while nobody knows how fast they warm up."""
GAP_S = 1.0
"""A longer window has a mean of its own kind: lamps may have warmed up in it."""
MOST_STEPS = 8
"""The largest, that are thought of together: of 8 there are 256 ways."""


class Believed(NamedTuple):
    """Where light was last believed."""

    irradiance_mw_cm2: float
    ticks: int
    dose_mj_cm2: float


class JumpWatch:
    """Jumps that end the light, one watch a stretch; ``expected_mw_cm2`` is believed until the
    sensor sees any, and ``before_mw_cm2`` is what it saw in the stretch before, 0: none."""

    def __init__(
        self, expected_mw_cm2: float, before_mw_cm2: float, meter: DoseMeter, ticks: int
    ) -> None:
        self.last = Believed(expected_mw_cm2, ticks, meter.dose_mj_cm2)
        self._expected_mw_cm2, self._before_mw_cm2 = expected_mw_cm2, before_mw_cm2
        self._seen_s = self._off_s = 0.0
        self._begun: Believed | None = None
        self._early_mj_cm2 = self._early_mw_cm2 = self._instead_mw_cm2 = 0.0

    def add(self, window: Window, level_mw_cm2: float, meter: DoseMeter, point: Point) -> bool:
        """Take the next window with light, and the level with it; True when it has jumped."""
        seen_s, self._seen_s = self._seen_s, self._seen_s + window.seconds
        settled = seen_s >= SETTLED_S
        low = FALL_SHARE * self.last.irradiance_mw_cm2 if seen_s else 0.0
        high = MAY_RISE * (self.last.irradiance_mw_cm2 if settled else self._before_mw_cm2)
        if self._begun is None:
            self._begun = Believed(level_mw_cm2, point.ticks, meter.dose_mj_cm2)
        if window.irradiance_mw_cm2 < low or 0.0 < high < window.irradiance_mw_cm2:
            self._off_s += window.seconds
            if self._off_s < JUMP_S:
                return False
            if seen_s < EARLY_S and window.irradiance_mw_cm2 > low / 2.0:
                self._early(window, meter, self._begun)
            return True
        self._off_s = 0.0
        self.last = Believed(level_mw_cm2, point.ticks, meter.dose_mj_cm2)
        return False

    def distrust(self, irradiance_mw_cm2: float) -> None:
        """All that was seen may have been this instead: there is no level any more."""
        if self._begun is not None:
            self.last = self._begun._replace(irradiance_mw_cm2=irradiance_mw_cm2)
            self._instead_mw_cm2 = irradiance_mw_cm2

    def _early(self, window: Window, meter: DoseMeter, begun: Believed) -> None:
        """It has jumped before its level was known for long: the sensor may have told too much of
        lamps that struck, until a fall, or of lamps that had not yet, from before a rise."""
        if window.irradiance_mw_cm2 > self.last.irradiance_mw_cm2:
            self._early_mw_cm2 = self.last.irradiance_mw_cm2
            return
        left = meter.rule.rate(window.irradiance_mw_cm2) * self._seen_s
        self._early_mj_cm2 = max(0.0, meter.dose_mj_cm2 - begun.dose_mj_cm2 - left)

    def early_mj_cm2(self, meter: DoseMeter, until_ticks: int, tick_s: float) -> float:
        """What may be counted too much because of that, until then."""
        if self._begun is None:
            return 0.0
        seconds = (until_ticks - self._begun.ticks) * tick_s
        return self._early_mj_cm2 + meter.rule.rate(self._early_mw_cm2) * seconds

    @property
    def settled_mw_cm2(self) -> float:
        """Light last believed of lamps that had struck; 0 where there was none."""
        doubted = self._early_mj_cm2 or self._early_mw_cm2 or self._instead_mw_cm2
        known = self._seen_s > SETTLED_S and not doubted
        return self.last.irradiance_mw_cm2 if known else 0.0

    def beyond_mj_cm2(
        self, meter: DoseMeter, until_ticks: int, tick_s: float, *, later_s: float = 0.0
    ) -> float:
        """What the light last believed has given until then, or ``later_s`` later, beyond what is
        counted."""
        seconds = (until_ticks - self.last.ticks) * tick_s + later_s
        level = self._instead_mw_cm2 or self.settled_mw_cm2
        level = level or max(self.last.irradiance_mw_cm2, self._expected_mw_cm2)
        most = meter.rule.rate(level) * seconds
        return most - (meter.dose_mj_cm2 - self.last.dose_mj_cm2)


class Step(NamedTuple):
    """The level was off by ``mw_cm2`` from ``t`` on, in seconds of light, and by ``before_mj_cm2``
    altogether in the block in which that began."""

    t: float
    mw_cm2: float
    before_mj_cm2: float


class Line(NamedTuple):
    """What the light was at ``t``, and how fast it moves; None: not known yet."""

    t: float
    mw_cm2: float
    slope: float | None = None

    def foretells(self, t: float) -> float:
        """The light at that time, mW/cm²."""
        return max(0.0, self.mw_cm2 + (self.slope or 0.0) * (t - self.t))


class StepWatch:
    """Smaller steps of the level: a tube that dies, or a sensor that shifts. They end nothing."""

    def __init__(self) -> None:
        self.steps: tuple[Step, ...] = ()
        self._more_mj_cm2 = self._less_mj_cm2 = 0.0
        self._t = self._block_mj_cm2 = self._block_s = 0.0
        self._line: Line | None = None
        self._before: tuple[Line, float] | None = None  # and for how long the last block lasted
        self._odd_mj_cm2: float | None = None
        self._gap: Window | None = None

    def add(self, window: Window) -> None:
        """Take the next window of light that has been seen."""
        before_s, self._t = self._t, self._t + window.seconds
        if before_s < SETTLED_S:
            return
        self._block_mj_cm2 += window.irradiance_mw_cm2 * window.seconds
        self._block_s += window.seconds
        if self._block_s < BLOCK_S:
            return
        mid, seconds = self._t - self._block_s / 2.0, self._block_s
        irradiance = self._block_mj_cm2 / seconds
        self._block_mj_cm2 = self._block_s = 0.0
        self._take(mid, irradiance, seconds)

    @property
    def off_mw_cm2(self) -> tuple[float, float]:
        """The light now may be so much more than is told, and so much less."""
        steps = [step.mw_cm2 for step in self.steps]
        return -sum(min(0.0, one) for one in steps), sum(max(0.0, one) for one in steps)

    def rest(self, mj_cm2: float, seconds: float) -> None:
        """The last of the light, which no sample has told but the device's account of the close."""
        if self._line is not None and self._block_s + seconds >= BLOCK_S:
            self.add(Window(mj_cm2 / seconds, seconds))

    def doubt(self, dark_off_mw_cm2: float | None) -> tuple[float, float]:
        """How much more may have fallen than is counted, and how much less, mJ/cm². Each step was
        the lamps' or the sensor's; those of the sensor together are what its dark is off after the
        light (None: not known)."""
        by_size = sorted(((abs(off), off, step.mw_cm2) for step, off in self._offs()), reverse=True)
        singly = [self._odd_mj_cm2 or 0.0, *(off for _, off, _ in by_size[MOST_STEPS:])]
        more = self._more_mj_cm2 + sum(max(0.0, -off) for off in singly)
        less = self._less_mj_cm2 + sum(max(0.0, off) for off in singly)
        level = self._line.mw_cm2 if self._line is not None else 0.0
        together = by_size[:MOST_STEPS]
        sums = [0.0]
        for count in range(1, len(together) + 1):
            near = STEP_SHARE * level * count
            for some in combinations(together, count):
                last = sum(mw_cm2 for *_, mw_cm2 in some)
                if dark_off_mw_cm2 is None or abs(last - dark_off_mw_cm2) <= near:
                    sums.append(sum(off for _, off, _ in some))
        return more - min(sums), less + max(sums)

    def _offs(self) -> Iterator[tuple[Step, float]]:
        """Each step, and what is counted too much if it was the sensor's."""
        for step in self.steps:
            yield step, step.before_mj_cm2 + step.mw_cm2 * (self._t - step.t)

    def _take(self, mid: float, irradiance: float, seconds: float) -> None:
        line = self._line
        if line is None:
            self._line = Line(mid, irradiance)
            return
        share = STEP_SHARE if line.slope is not None else EARLY_SHARE
        told = line.foretells(mid)
        odd, self._odd_mj_cm2 = self._odd_mj_cm2, None
        before, self._before = self._before, None
        if seconds > GAP_S:  # nobody watched: judged by the light on both sides of it
            self._count(odd)
            self._odd_mj_cm2 = _unless_small(irradiance, told, share, seconds)
            self._gap = Window(irradiance, seconds)
            return
        gap, self._gap = self._gap, None
        if gap is not None:
            told = line.mw_cm2
            middle = (told + irradiance) / 2.0
            odd = _unless_small(gap.irradiance_mw_cm2, middle, share, gap.seconds)
        # lamps that warm up do not go on for long as they rise now
        late = abs(line.slope or 0.0) * max(0.0, mid - line.t - seconds)
        is_odd = abs(irradiance - told) > share * told + late
        if gap is None and before is not None and odd is None:
            # a step may have begun in the block before, too late in it to be odd by itself
            sure, lasted_s = before
            due = sure.foretells(mid)
            late = abs(sure.slope or 0.0) * lasted_s
            if is_odd or abs(irradiance - due) > share * due + late:
                self._line = sure
                begun_mj_cm2 = (line.mw_cm2 - sure.foretells(line.t)) * lasted_s
                self._odd_mj_cm2 = begun_mj_cm2 + (irradiance - due) * seconds
                return
        if is_odd and odd is None and gap is None:  # a step may be in the middle of it
            self._odd_mj_cm2 = (irradiance - told) * seconds
            return
        if is_odd and gap is not None:
            odd = (gap.irradiance_mw_cm2 - line.mw_cm2) * gap.seconds
        if is_odd:
            self.steps += (Step(mid - seconds / 2.0, irradiance - told, odd or 0.0),)
        else:
            self._count(odd)
        slope = line.slope
        if not is_odd and odd is None and gap is None:
            now = (irradiance - line.mw_cm2) / (mid - line.t)
            slope = now if slope is None else 0.8 * slope + 0.2 * now
            self._before = (line, seconds) if line.slope is not None else None
        self._line = Line(mid, irradiance, slope)

    def _count(self, odd_mj_cm2: float | None) -> None:
        """Light that was odd, and is as before again."""
        odd = odd_mj_cm2 or 0.0
        self._more_mj_cm2 += max(0.0, -odd)
        self._less_mj_cm2 += max(0.0, odd)


def _unless_small(irradiance: float, told: float, share: float, seconds: float) -> float | None:
    off = irradiance - told
    return off * seconds if abs(off) > share * told else None

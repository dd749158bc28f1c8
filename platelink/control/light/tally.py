"""What an exposure has given over all of its stretches of light, and what that teaches. Pure."""

from __future__ import annotations

import math
from dataclasses import replace

from platelink.contract.words import LampsWere
from platelink.control.light.dose import DoseMeter, DoseRule, Point, mean_counts
from platelink.control.light.doubt import Doubt, DoubtNews
from platelink.control.light.lessons import LEAST_SHARE, MOST_SHARE, possible
from platelink.control.light.request import ExposureRequest, Optics
from platelink.control.light.stretch import Phase, Stretch
from platelink.control.states import Learned, Noted
from platelink.link.messages import Sample
from platelink.warming import may_rise

LEARNING_S = 3.0
"""Of light, kept back: more than any after-glow, and enough that its end teaches again."""


def rule_of(request: ExposureRequest, optics: Optics) -> DoseRule:
    """How light counts, before a dark reading of its own."""
    law = request.reciprocity
    return DoseRule(optics.light, law.p, law.reference_mw_cm2)


class Tally:
    """See the file's first line. Doses in mJ/cm²."""

    def __init__(self, request: ExposureRequest, optics: Optics, learned: Learned) -> None:
        self.target_dose_mj_cm2 = request.target_dose_mj_cm2
        self.limit_mj_cm2 = request.tolerance_pct / 100.0 * request.target_dose_mj_cm2
        """Most that a complete exposure may be off, and our dose from the device's."""
        self.meter = DoseMeter(rule_of(request, optics))
        self.over: list[Stretch] = []
        """Stretches of light that have ended, oldest first."""
        self.learned = learned
        """By the stretch before this one, or the exposure before."""
        self.expected_mw_cm2 = learned.irradiance_mw_cm2 or optics.expected_mw_cm2
        self.seen_mw_cm2 = 0.0
        """The lamps as they were last seen at their level; 0 before."""
        self.dark_mw_cm2 = optics.dark_mw_cm2
        self._fresh_mw_cm2 = optics.expected_mw_cm2
        self._adc_max = optics.adc_max
        self.unknown_mj_cm2 = 0.0
        """The most that fell and nobody saw. The dose does not count it."""
        self.doubtful_mj_cm2 = 0.0
        """Of the dose, what may not have fallen."""
        self._lamps = Doubt()
        """Of both, what somebody may have seen who saw the lamps."""
        self._unordered: Point | None = None
        self._unordered_mj_cm2 = 0.0
        self._undark: Stretch | None = None
        """The newest stretch, where nobody saw the dark after it."""
        self._news = DoubtNews(0)
        self._deficit_s = learned.warm_up_deficit_s

    @property
    def dose_mj_cm2(self) -> float:
        """Effective dose so far."""
        return self.meter.dose_mj_cm2

    @property
    def doubt(self) -> tuple[float, float]:
        """How much more may have fallen than is counted, and how much less."""
        return self.unknown_mj_cm2, self.doubtful_mj_cm2

    @property
    def unsure_mj_cm2(self) -> float:
        """The remainder counts the middle of what may have fallen, and errs by no more."""
        return (self.unknown_mj_cm2 + self.doubtful_mj_cm2) / 2.0

    @property
    def worst_mj_cm2(self) -> float:
        """So far off its target may the plate be."""
        over = self.dose_mj_cm2 - self.target_dose_mj_cm2
        return max(over + self.unknown_mj_cm2, self.doubtful_mj_cm2 - over)

    @property
    def shift_mj_cm2(self) -> float:
        """The middle of what may have fallen, beyond the dose."""
        return (self.unknown_mj_cm2 - self.doubtful_mj_cm2) / 2.0

    @property
    def likely_mj_cm2(self) -> float:
        """The middle of what may have fallen."""
        return self.dose_mj_cm2 + self.shift_mj_cm2

    @property
    def irradiance_mw_cm2(self) -> float:
        """Light of the newest window."""
        return self.meter.window.irradiance_mw_cm2

    @property
    def remaining_mj_cm2(self) -> float:
        """Dose still missing."""
        return max(0.0, self.target_dose_mj_cm2 - self.likely_mj_cm2)

    @property
    def over_mj_cm2(self) -> float:
        """Dose given beyond the target."""
        return max(0.0, self.likely_mj_cm2 - self.target_dose_mj_cm2)

    @property
    def asks(self) -> bool:
        """A person is to say what fell."""
        return self._lamps != Doubt()

    def settle(self, lamps: LampsWere) -> None:
        """A person has said what the lamps did."""
        doubt, self._lamps = self._lamps, Doubt()
        if lamps is LampsWere.UNKNOWN:
            return
        self.unknown_mj_cm2 -= doubt.more
        self.doubtful_mj_cm2 -= doubt.less
        if lamps is LampsWere.ON:
            self.meter.dose_mj_cm2 += doubt.more
            self.doubtful_mj_cm2 += doubt.spread
        else:
            self.meter.dose_mj_cm2 -= doubt.less

    def unordered(self, point: Point | None) -> tuple[Noted, ...]:
        """The next sample between two orders, None: there is one again. Light falls on the plate,
        if it is light."""
        before, self._unordered = self._unordered, point
        means = mean_counts(before, point) if before is not None and point is not None else None
        if before is None or point is None or means is None or point.ticks <= before.ticks:
            return ()
        rule = self.meter.rule
        irradiance = rule.light.irradiance_mw_cm2(means, point.head_c)
        if irradiance <= self.dark_mw_cm2:
            self._undark = None
            return ()
        fell = rule.rate(irradiance) * (point.ticks - before.ticks) * point.tick_s
        self.meter.dose_mj_cm2 += fell
        self._unordered_mj_cm2 += fell
        self._doubt(Doubt(less=fell), lamps=True)
        if self._undark is not None:  # a sensor that tells too much, perhaps already in that light
            self._doubt(Doubt(less=rule.rate(irradiance) * self._undark.light_s), lamps=False)
            self._undark = None
        bound = 2.0 ** math.ceil(math.log2(self._unordered_mj_cm2) + 1e-9)
        return self._news.of(bound, Doubt(less=bound))

    def _doubt(self, doubt: Doubt, *, lamps: bool) -> None:
        self.unknown_mj_cm2 += doubt.more
        self.doubtful_mj_cm2 += doubt.less
        if lamps:
            self._lamps += doubt

    @property
    def least_mj_cm2(self) -> float:
        """What falls even if the lamp is switched off at once: its after-glow."""
        return self.learned.afterglow_s * self.meter.rule.rate(self.expected_mw_cm2)

    def predicted_s(self) -> float:
        """Seconds of light for the remainder at the irradiance expected."""
        rate = self.meter.rule.rate(self.expected_mw_cm2)
        learned = self.learned
        return self.remaining_mj_cm2 / rate + learned.warm_up_deficit_s - learned.afterglow_s

    def kept_back(self) -> float:
        """Dose that is not ordered yet, while it is not known what falls after the close."""
        if self.learned.afterglow_known:
            return 0.0
        rate = self.meter.rule.rate(self.expected_mw_cm2)
        return min(LEARNING_S * rate, self.remaining_mj_cm2 / 2.0)

    def light_s(self, present: Stretch | None) -> float:
        """Seconds with the lamp on, all stretches."""
        return sum(s.light_s for s in (*self.over, present) if s is not None)

    def unheard_mj_cm2(self, stretch: Stretch, seconds: float) -> float:
        """The most that fell in so long after the device's last word."""
        lit = stretch.left_on or stretch.phase in (Phase.OPENING, Phase.LIGHT)
        seen = self.irradiance_mw_cm2 if lit else 0.0
        if not lit:
            seconds = min(seconds, stretch.plan.learned.longest_afterglow_s)
        seen *= may_rise(stretch.light_s, seconds)  # of lamps that have not struck, as expected
        return max(0.0, seconds) * self.meter.rule.rate(max(seen, self.expected_mw_cm2))

    def look(self, sample: Sample, point: Point) -> None:
        """At a sample that was just counted: at the top of the converter its dose is the least, or
        the sensor tells more light than there is."""
        counted, meter = self.meter.point is point, self.meter
        if counted and meter.rule.light.saturated(sample.light_max, self._adc_max):
            more = max(0.0, meter.beyond_mj_cm2(MOST_SHARE * self._fresh_mw_cm2))
            less = max(0.0, -meter.beyond_mj_cm2(LEAST_SHARE * self._fresh_mw_cm2))
            self._doubt(Doubt(more, less), lamps=False)

    def kept_until(self, stretch: Stretch | None, ticks: int, gap_s: float) -> bool:
        """The device has started anew ``gap_s`` after the last sample, and counted until ``ticks``:
        it went dark then or later. False where there was no light to count."""
        last = self.meter.point
        if last is None or stretch is None or stretch.phase is not Phase.LIGHT:
            return False
        counted_s = (ticks - last.ticks) * last.tick_s
        self.unknown_mj_cm2 += self.unheard_mj_cm2(stretch, gap_s - counted_s)
        return True

    def ended(self, stretch: Stretch, *, silent_s: float | None = None) -> None:
        """A stretch is over; a remainder is predicted, and guarded, by the lamps as they were just
        seen. ``silent_s``: the device has not said how it ended, nor anything for so long. It
        keeps the guard time by itself, unless it hangs."""
        if silent_s is not None:
            guard_s = stretch.plan.guard_s - stretch.light_s
            self.unknown_mj_cm2 += self.unheard_mj_cm2(stretch, max(silent_s, guard_s))
        self.over.append(stretch)
        self._undark = None if stretch.dark else stretch
        self.seen_mw_cm2 = stretch.settled_mw_cm2 or self.seen_mw_cm2
        self._doubt(stretch.lamps_doubt(), lamps=True)
        self._doubt(stretch.sensor_doubt(), lamps=False)
        self.learned = replace(self.learned, forecast=None)  # a restart is a person's word on it
        taught = stretch.learned()
        if not self.learned.afterglow_known and stretch.dark:
            self.learned = Learned(stretch.afterglow_s(), self._deficit_s)
        if taught is not None and possible(taught, self._fresh_mw_cm2):
            self.learned = taught
            self.expected_mw_cm2 = taught.irradiance_mw_cm2 or self.expected_mw_cm2

    def device_dose_mj_cm2(self) -> float | None:
        """Dose by the device's own sums; None where it counted none, or p is not 1."""
        counted = [s.device_mj_cm2 for s in self.over if s.device_mj_cm2 is not None]
        known = self.over and len(counted) == len(self.over)
        return sum(counted) if known and self.meter.rule.reciprocity_p == 1.0 else None

    def lesson(self) -> Learned | None:
        """What the last stretch taught, where none is doubtful; the warm-up only where the
        exposure was one stretch."""
        taught = [one for stretch in self.over if (one := stretch.learned()) is not None]
        if not taught or len(taught) < len(self.over):
            return None
        first = len(taught) == 1
        return taught[0] if first else replace(taught[-1], warm_up_deficit_s=self._deficit_s)

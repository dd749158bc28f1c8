"""Advisory mode: a unit that switches its own lamps. Pure.

The same integration, begun by the light's own appearance. Before the exposure it says what to set
on the unit's own timer; while light falls it says when the dose is reached; afterwards the record
holds what was really delivered.
"""

from __future__ import annotations

import math

from platelink.control.alarm.states import Condition
from platelink.control.light.aim import LightTrend
from platelink.control.light.dose import DoseMeter, DoseRule, Point, mean_counts, point_of
from platelink.control.light.face import Outputs
from platelink.control.light.lessons import MOST_SHARE
from platelink.control.light.readiness import DarkReading
from platelink.control.light.request import (
    BEEP_MS,
    DARK_SHARE,
    ExposureRequest,
    ExposureStatus,
    Optics,
)
from platelink.control.light.tally import rule_of
from platelink.control.states import (
    ENDED,
    Ended,
    Learned,
    Machine,
    State,
    Step,
)
from platelink.events.light import (
    AdviceOverLimit,
    DarkNotRead,
    DoseReached,
    LightGone,
    LightSeen,
    SensorAtItsLimit,
    TimerAdvice,
)
from platelink.events.unit import LinkLost
from platelink.link import messages as m
from platelink.sensing.readings import Reading

APPEAR_SHARE = 0.05
"""Share of the expected irradiance that is light; half of it again and light is gone."""
GONE_S = 2.0
"""Dark this long, and the unit's timer has run out."""
SHORT_SHARE = 0.01
"""Less missing dose than this share of the target counts as delivered."""


class AdvisoryExposure(Machine):
    """One exposure on a unit whose lamps are not wired. The same face as ``Exposure``."""

    def __init__(
        self, request: ExposureRequest, optics: Optics, learned: Learned, *, now: float
    ) -> None:
        super().__init__()
        self.request = request
        self.optics = optics
        self._learned = learned
        self._expected_mw_cm2 = learned.irradiance_mw_cm2 or optics.expected_mw_cm2
        self._meter = DoseMeter(rule_of(request, optics))
        self._trend = LightTrend()
        self._now = now
        self._dark = DarkReading()
        self._darkest: list[float] | None = None
        """The darkest second so far: lamps that come up slowly are no part of it."""
        self._last: Point | None = None
        self._lit = False
        self._dark_s = 0.0
        self._light_s = 0.0
        self._level_mw_cm2 = 0.0
        self._signalled = False
        self._reason = ""
        self._unknown_mj_cm2 = 0.0
        """More than was counted may have fallen: the sensor was at its limit."""

    # --- what a face may ask ---------------------------------------------------------------

    @property
    def step(self) -> Step:
        """What it is doing within its state."""
        if self.state is not State.RUNNING:
            return Step.NONE
        return Step.LIGHT if self._lit else Step.CONTACT

    @property
    def dose_mj_cm2(self) -> float:
        """Effective dose so far."""
        return self._meter.dose_mj_cm2

    @property
    def integrating(self) -> bool:
        """True once light has appeared."""
        return self._lit

    def timer_s(self) -> float:
        """What to set on the unit's own timer at the lamps' present output."""
        rate = self._meter.rule.rate(self._expected_mw_cm2)
        missing = self.request.target_dose_mj_cm2 - self.dose_mj_cm2
        learned = self._learned
        return max(0.0, missing / rate + learned.warm_up_deficit_s - learned.afterglow_s)

    def status(self) -> ExposureStatus:
        rate = self._meter.rule.rate(self._trend.level())
        missing = max(0.0, self.request.target_dose_mj_cm2 - self.dose_mj_cm2)
        return ExposureStatus(
            state=self.state,
            step=self.step,
            dose_mj_cm2=self.dose_mj_cm2,
            target_dose_mj_cm2=self.request.target_dose_mj_cm2,
            irradiance_mw_cm2=self._meter.window.irradiance_mw_cm2 if self._lit else 0.0,
            remaining_s=missing / rate if self._lit and rate > 0.0 else math.nan,
            light_s=self._light_s,
            waiting_for=() if self._lit or self.state in ENDED else ("light",),
            reason=self._reason,
            uncertain_mj_cm2=self._unknown_mj_cm2,
        )

    def next_deadline(self) -> float | None:
        """Nothing here depends on time alone: light and its absence arrive as samples."""
        return None

    # --- commands --------------------------------------------------------------------------

    def start(self, *, now: float) -> Outputs:
        """Begin to wait for light; says what to set on the timer."""
        self._now = now
        if self.state is not State.IDLE:
            self._refuse(f"start is not possible while {self.state}")
            return self._take()
        self._move(State.RUNNING)
        timer_s = self.timer_s()
        advice = TimerAdvice(timer_s, self._expected_mw_cm2)
        self._note(advice, f"set {timer_s:.0f} s on the unit's timer, then start it")
        if timer_s > self.request.max_light_s:
            self._note(
                AdviceOverLimit(),
                f"{timer_s:.0f} s is longer than the limit of {self.request.max_light_s:.0f} s; "
                "change the lamps or raise the limit",
            )
        return self._take()

    def stop(self, reason: str, *, now: float) -> Outputs:
        """End the record; the unit's own switch ends its light."""
        return self._end_early(State.STOPPING, State.STOPPED, reason, now)

    def abort(self, reason: str, *, now: float) -> Outputs:
        """End the record; something is wrong."""
        return self._end_early(State.ABORTING, State.ABORTED, reason, now)

    def hold(self, reason: str, *, now: float) -> Outputs:
        """Not possible: the lamps are not ours."""
        self._now = now
        self._refuse("cannot hold: this unit switches its own lamps")
        return self._take()

    def restart(self, reason: str, *, now: float) -> Outputs:
        """Not possible: see ``hold``."""
        self._now = now
        self._refuse("cannot restart: this unit switches its own lamps")
        return self._take()

    def _end_early(self, passing: State, end: State, reason: str, now: float) -> Outputs:
        self._now = now
        if self.state not in ENDED:
            if self.state is not State.IDLE:
                self._move(passing)
            self._finish(end, reason)
        return self._take()

    # --- what the device says --------------------------------------------------------------

    def sample(
        self,
        sample: m.Sample,
        reading: Reading,
        *,
        tick_s: float,
        tick_uncertainty: float,
        now: float,
    ) -> Outputs:
        self._now = now
        if self.state is not State.RUNNING:
            return ()
        point = point_of(sample, reading, tick_s, len(self.optics.light.channels))
        if not point.whole:
            return ()
        if self._lit:
            self._count(sample, point)
        else:
            self._look(reading, point)
        self._last = point
        return self._take()

    def _look(self, reading: Reading, point: Point) -> None:
        """Dark reading until light appears; counting begins with the sample before it."""
        last = self._last
        if last is None:
            self._dark.add(point)
            return
        means = mean_counts(last, point)
        if means is None:
            return
        level = self._meter.rule.light.irradiance_mw_cm2(means, point.head_c)
        if level < APPEAR_SHARE * self._expected_mw_cm2:
            self._dark.add(point)
            counts = self._dark.counts()
            if counts and (self._darkest is None or sum(counts) < sum(self._darkest)):
                self._darkest = counts
            return
        darks = self._darkest
        rule = self._meter.rule
        read: tuple[float, ...] = ()
        problem = "the light came on before the dark was measured"
        if darks:
            problem = rule.light.dark_problem(
                darks,
                expected_mw_cm2=self._expected_mw_cm2,
                tolerance_pct=self.request.tolerance_pct,
            )
        if darks and not problem:
            light = rule.light.with_dark(darks)
            self._meter.rule = DoseRule(light, rule.reciprocity_p, rule.reference_mw_cm2)
            read = tuple(darks)
        else:
            self._note(DarkNotRead(), f"{problem}; the calibration's dark reading is used")
        self._lit = True
        self._meter.restart_at(last)
        self._note(LightSeen(read), f"{level:.2f} mW/cm²", last.ticks)
        self._meter.add(point)

    def _count(self, sample: m.Sample, point: Point) -> None:
        window = self._meter.add(point)
        light = self._meter.rule.light
        if light.saturated(sample.light_max, self.optics.adc_max):
            most_mw_cm2 = MOST_SHARE * self.optics.expected_mw_cm2
            self._unknown_mj_cm2 += max(0.0, self._meter.beyond_mj_cm2(most_mw_cm2))
            if not self._reason:
                self._reason = f"light sensor at its limit of {self.optics.adc_max} counts"
                text = self._reason + "; the dose is too low, lower its gain"
                self._note(SensorAtItsLimit(), text)
        if window.irradiance_mw_cm2 < DARK_SHARE * self._expected_mw_cm2:
            self._dark_s += window.seconds
            if self._dark_s >= GONE_S:
                self._light_gone()
            return
        self._light_s += self._dark_s + window.seconds
        self._dark_s = 0.0
        self._trend.add(*window)
        if window.irradiance_mw_cm2 > 0.5 * self._level_mw_cm2:
            self._level_mw_cm2 = self._trend.level()
        rate = self._meter.rule.rate(self._trend.level())
        ahead = self._learned.afterglow_s * rate
        if not self._signalled and self.dose_mj_cm2 + ahead >= self.request.target_dose_mj_cm2:
            self._signalled = True
            self._note(DoseReached(), "target dose reached: switch the light off now", point.ticks)
            self._send(m.SetOutput(m.Output.BEEPER, 1, BEEP_MS))

    def _light_gone(self) -> None:
        """The unit's timer has run out."""
        dose, target = self.dose_mj_cm2, self.request.target_dose_mj_cm2
        off_pct = 100.0 * (dose / target - 1.0)
        self._note(
            LightGone(dose, off_pct, self._light_s),
            f"{dose:.1f} mJ/cm² delivered, {off_pct:+.1f} % of the target as this sensor reads",
        )
        if dose < (1.0 - SHORT_SHARE) * target:
            self._move(State.STOPPING)
            self._finish(
                State.STOPPED,
                f"the unit's timer switched the light off {target - dose:.1f} mJ/cm² early",
            )
        else:
            text = f"light ended {off_pct:+.1f} % off the target dose as this sensor reads"
            if abs(off_pct) > self.request.tolerance_pct:
                text += f", tolerance {self.request.tolerance_pct:g} %; judge the plate"
            self._finish(State.COMPLETE, text)

    def conditions(self) -> tuple[Condition, ...]:
        """Nothing here can be switched off, so nothing calls."""
        return ()

    def order_report(
        self, report: m.OrderReport, *, open_ticks: int, close_ticks: int, now: float
    ) -> Outputs:
        """No order is given in this mode."""
        return ()

    def answered(self, command: m.Command, code: m.ReplyCode, *, now: float) -> Outputs:
        """Nothing here waits for an answer."""
        return ()

    def unanswered(self, command: m.Command, *, now: float) -> Outputs:
        """Nothing here waits for an answer."""
        return ()

    def link_lost(self, reason: str, *, now: float) -> Outputs:
        """The sums go on in the device; a gap in samples loses no dose."""
        self._now = now
        if self.state not in ENDED:
            self._note(LinkLost(), reason)
        return self._take()

    def device_kept(self, ticks: int, *, now: float) -> Outputs:
        """No order of this unit's lamps is in it."""
        return self.device_back(rebooted=True, up_s=0.0, now=now)

    def device_back(self, *, rebooted: bool, up_s: float, now: float) -> Outputs:
        """After a restart of the device the light in between is unknown: the record says so."""
        self._now = now
        if self.state in ENDED or not rebooted:
            return ()
        if self._lit:
            self._move(State.ABORTING)
            self._finish(
                State.ABORTED,
                f"the device restarted during the exposure; {self.dose_mj_cm2:.1f} mJ/cm² are "
                "certain, the rest is not known; judge the plate",
            )
        self._last = None
        self._dark.begin()
        self._darkest = None
        return self._take()

    def tick(self, *, now: float) -> Outputs:
        """Nothing here depends on time alone."""
        return ()

    # --- moves -----------------------------------------------------------------------------

    def _finish(self, end: State, reason: str) -> None:
        saturated, unknown = bool(self._reason), self._unknown_mj_cm2
        if saturated:
            reason += f"; {self._reason}: up to {unknown:.1f} mJ/cm² more may have been given"
            if unknown > self.request.tolerance_pct / 100.0 * self.request.target_dose_mj_cm2:
                reason += "; judge the plate"
        self._reason = reason
        self._move(end)
        learned = None
        rate = self._meter.rule.rate(self._level_mw_cm2)
        if end is State.COMPLETE and rate > 0.0 and not saturated:
            deficit_s = self._light_s - self.dose_mj_cm2 / rate
            learned = Learned(self._learned.afterglow_s, max(0.0, deficit_s), self._level_mw_cm2)
        dose = self.dose_mj_cm2
        self._out.append(Ended(end, reason, dose, None, self._light_s, learned, unknown))

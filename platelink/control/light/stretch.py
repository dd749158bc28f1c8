"""One stretch of light: a standing order from arming to the end of its after-glow. Pure.

An exposure that is never held is one stretch; each restart adds another. The stretch counts the
dose, keeps the order's target right, compares its own dose with the device's, and learns the
after-glow from what falls after the close.
"""

from __future__ import annotations

import math
from copy import copy
from dataclasses import replace
from enum import StrEnum

from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import DOSES_DISAGREE, LIGHT_SENSOR_SATURATED
from platelink.control.light import sentences
from platelink.control.light.agreement import Agreement
from platelink.control.light.aim import Aim
from platelink.control.light.dose import DoseMeter, Point
from platelink.control.light.doubt import Doubt, DoubtNews
from platelink.control.light.jump import StepWatch
from platelink.control.light.lessons import MOST_SHARE
from platelink.control.light.plan import NO_LIGHT_S, StretchPlan
from platelink.control.light.sight import Sight
from platelink.control.light.tail import Tail
from platelink.control.states import ExposureOutput, Learned, Noted, Send
from platelink.events.light import GuardEndsFirst, LampOff, LampOn, LightSeen
from platelink.link import messages as m

FORGOTTEN_FRAMES = 3
"""In a row that tell of another order or none, so that one odd frame ends nothing."""
FAR_SHARE = 1e-4
"""Of the time still to go: smaller corrections of the target can wait. A tenth of what a dose
may be off, should the host fall silent meanwhile."""
TAIL_DARK_SHARE = 0.01
"""Of the light before. More, at the end of the after-glow, is no after-glow."""
LEARN_LIGHT_S = 2.0
"""A shorter stretch teaches nothing about lamps that are still striking."""


class Phase(StrEnum):
    """Where the stretch is."""

    OPENING = "opening"
    LIGHT = "light"
    TAIL = "tail"
    OVER = "over"


class Stretch:
    """See the file's first lines. ``meter`` carries the dose of earlier stretches."""

    def __init__(self, plan: StretchPlan, meter: DoseMeter, point: Point) -> None:
        self.plan = plan
        self.meter = meter
        self.phase = Phase.OPENING
        self.fault = ""
        """Why the light must go off now; empty while all is well."""
        self.trouble: Condition | None = None
        """What it says to its alarm, where it is one."""
        self.close_reason = m.CloseReason.NONE
        self.light_s = 0.0
        self.device_mj_cm2: float | None = None
        """Plain dose (p = 1) up to the close by the device's own weighted sum; None without its
        account."""
        self.remaining_s = math.inf
        """Seconds to the dose, at the light of now."""
        self._scale = meter.rule.light.order_weights(point.head_c)
        self._aim = Aim(
            meter.rule,
            self._scale,
            target_dose_mj_cm2=plan.target_dose_mj_cm2,
            afterglow_s=plan.learned.afterglow_s,
            expected_mw_cm2=plan.expected_mw_cm2,
        )
        self._last = point
        self._sent_target = 0
        self._plain_before = meter.plain_mj_cm2
        self._dose_before = meter.dose_mj_cm2
        limit_mj_cm2 = plan.tolerance_pct / 100.0 * plan.target_dose_mj_cm2
        self._agreement = Agreement(meter, self._scale, limit_mj_cm2)
        self._open_ticks = 0
        self._warned = False
        self._forgotten = 0
        self._tail: Tail | None = None
        self._sight = Sight(plan, meter, point)
        self._news = DoubtNews(plan.order)

    @property
    def dark_in_s(self) -> float:
        """Seconds until the lamp goes off, by the dose or by the guard time; not a number while it
        is not on."""
        if self.phase is not Phase.LIGHT:
            return math.nan
        return min(self.remaining_s, max(0.0, self.plan.guard_s - self.light_s))

    # --- arming ----------------------------------------------------------------------------

    def arm(self) -> m.Arm:
        """The standing order, with a first target from the irradiance expected."""
        plan, tick_s = self.plan, self._last.tick_s
        missing = plan.target_dose_mj_cm2 - self.meter.dose_mj_cm2
        self._sent_target = self._aim.first_target(missing, tick_s)
        return m.Arm(
            order=plan.order,
            weight=self._scale.weight,
            bias=self._scale.bias,
            target=self._sent_target,
            guard_ticks=min(m.MAX_GUARD_TICKS, max(1, round(plan.guard_s / tick_s))),
            silence_ticks=min(0xFFFF, max(1, round(plan.silence_s / tick_s))),
            silence_policy=plan.silence_policy,
        )

    def taken_back(self, sample: m.Sample) -> bool:
        """The device holds this order no more, and never lit by it."""
        closed = sample.order_state == m.OrderState.CLOSED and sample.order == self.plan.order
        going = sample.order_state in (m.OrderState.ARMED, m.OrderState.OPEN)
        return self.phase is Phase.OPENING and not (closed or going)

    # --- what the device says --------------------------------------------------------------

    def sample(self, sample: m.Sample, point: Point, *, refine: bool) -> list[ExposureOutput]:
        """Take one sample; ``refine`` is False while the light is being ended early."""
        out: list[ExposureOutput] = []
        ours = sample.order == self.plan.order
        if self.phase is Phase.OPENING and ours and sample.order_state in _BEGUN:
            self._begin_light(out)
        if self.phase is Phase.LIGHT:
            if ours and sample.order_state == m.OrderState.CLOSED:
                self._close(sample.close_reason, point.ticks, out)
            else:
                held = ours and sample.order_state == m.OrderState.OPEN
                self._count_light(sample, point, refine and held, out)
                self._look_for_order(held, point, out)
        if self._tail is not None:
            self._tail.add(point)
            self._sight.after(sample, self._tail.meter)
            self._count_tail(self._tail, out)
        self._tell_doubt(out)
        if point.whole:
            self._last = point
        return out

    def order_report(
        self, report: m.OrderReport, open_ticks: int, close_ticks: int
    ) -> list[ExposureOutput]:
        """Take the device's account of the order: exact sums at its close."""
        out: list[ExposureOutput] = []
        if report.order != self.plan.order or report.state != m.OrderState.CLOSED:
            return out
        if self.phase is Phase.OPENING and report.close_reason != m.CloseReason.NONE:
            self._begin_light(out)
        if self.phase is Phase.LIGHT:
            self._close(report.close_reason, close_ticks, out)
        tail, last = self._tail, self._last
        if tail is None or tail.told:
            return out
        n, first = len(last.light_sum), self._open_ticks
        opened = open_ticks if first <= open_ticks <= close_ticks else first
        self.light_s = (close_ticks - opened) * last.tick_s
        self.device_mj_cm2 = self._scale.dose_for(report.order_sum, last.tick_s)
        tail.account(
            last._replace(
                ticks=close_ticks,
                light_sum=report.close_sum[:n],
                light_count=report.close_count[:n],
            )
        )
        self._count_tail(tail, out)
        return out

    # --- light -----------------------------------------------------------------------------

    def _begin_light(self, out: list[ExposureOutput]) -> None:
        self.phase = Phase.LIGHT
        self.meter.restart_at(self._last)  # the last sample before light
        self._sight = Sight(self.plan, self.meter, self._last)
        self._open_ticks = self._last.ticks
        out.append(Noted(LampOn(), f"lamps on, order {self.plan.order}"))

    def _count_light(
        self, sample: m.Sample, point: Point, refine: bool, out: list[ExposureOutput]
    ) -> None:
        before = self.meter.point
        window = self.meter.add(point)
        added = self.meter.point is not before
        if added:
            self._aim.trend.add(*window)
            self._agreement.add(window, point)
        self.light_s = (point.ticks - self._open_ticks) * point.tick_s
        self._look(sample, added and refine, out)
        self.remaining_s = self._aim.remaining_s(self.meter.dose_mj_cm2)
        if added and refine and not self.fault:
            self._compare(sample, point)
            self._refine(sample, point, out)
            self._warn(out)
        if self.meter.rule.light.saturated(sample.light_max, self.plan.adc_max):
            top = float(self.plan.adc_max)
            self.trouble = Condition(LIGHT_SENSOR_SATURATED, True, top, top)
            self.fault = sentences.saturated(self.plan.adc_max)

    def _look_for_order(self, held: bool, point: Point, out: list[ExposureOutput]) -> None:
        """A device that holds our order no more cannot end its light by it."""
        self._forgotten = 0 if held else self._forgotten + 1
        if self._forgotten >= FORGOTTEN_FRAMES:
            out.append(Send(m.Close(m.ORDER_NONE)))
            self.fault = sentences.FORGOTTEN
            self._close(m.CloseReason.NONE, point.ticks, out)

    def _look(self, sample: m.Sample, judge: bool, out: list[ExposureOutput]) -> None:
        sight, meter = self._sight, self.meter
        if sight.add(sample, meter, self._aim.trend.level(), self.light_s, judge=judge):
            seen = f"{meter.window.irradiance_mw_cm2:.2f} mW/cm²"
            out.append(Noted(LightSeen(), seen, ticks=meter.point.ticks if meter.point else None))
        if sight.fault:
            self.trouble = sight.trouble
            self.fault = self.fault or sight.fault

    def _refine(self, sample: m.Sample, point: Point, out: list[ExposureOutput]) -> None:
        """Move the order's target when it changed by more than a third of a tick of light, or a
        little more while the end is far."""
        target = self._aim.target(self.meter, sample.order_sum, self.remaining_s, point.tick_s)
        ticks = 1.0 / 3.0
        if math.isfinite(self.remaining_s):
            ticks = max(ticks, FAR_SHARE * self.remaining_s / point.tick_s)
        step = ticks * self._aim.trend.level() * self._scale.counts_per_mw_tick
        if abs(target - self._sent_target) > step:
            self._sent_target = target
            out.append(Send(m.Rearm(self.plan.order, target)))

    def _compare(self, sample: m.Sample, point: Point) -> None:
        apart = self._agreement.broken(sample.order_sum, point)
        if apart is not None:
            ours, device = apart
            off_pct = 100.0 * abs(ours - device) / self.plan.target_dose_mj_cm2
            self.trouble = Condition(DOSES_DISAGREE, True, off_pct, self.plan.tolerance_pct)
            self.fault = sentences.untrusted(ours, device, self._agreement.limit_mj_cm2)

    def _warn(self, out: list[ExposureOutput]) -> None:
        left_s = self.plan.guard_s - self.light_s
        if self._warned or self.light_s < NO_LIGHT_S or self.remaining_s <= left_s:
            return
        self._warned = True
        out.append(
            Noted(
                GuardEndsFirst(),
                f"{self.remaining_s:.0f} s to go at the present irradiance, the guard time leaves "
                f"{left_s:.0f} s; the lamps are weaker than expected",
            )
        )

    # --- close and after-glow --------------------------------------------------------------

    @property
    def left_on(self) -> bool:
        """There was light after its end, when after-glow was over."""
        return self._tail is not None and self._tail.left_on

    @property
    def dark(self) -> bool:
        """Its order is closed and no light is left."""
        return self._tail is not None and self._tail.dark

    def _close(self, code: int, ticks: int, out: list[ExposureOutput]) -> None:
        self.phase = Phase.TAIL
        known = tuple(m.CloseReason)
        self.close_reason = m.CloseReason(code) if code in known else m.CloseReason.NONE
        glow_s = self.plan.learned.longest_afterglow_s
        dark_mw_cm2 = self.plan.dark_mw_cm2
        self._tail = Tail(self.meter, ticks, dark_mw_cm2=dark_mw_cm2, afterglow_s=glow_s)
        out.append(Send(m.GetOrder()))

    def _count_tail(self, tail: Tail, out: list[ExposureOutput]) -> None:
        self.meter = tail.meter
        if tail.left_on:
            self.fault = self.fault or sentences.LEFT_ON
        if tail.over:
            self.phase = Phase.OVER
            out.append(self._closing_note(tail))
        elif tail.asks():
            out.append(Send(m.GetOrder()))

    def _closing_note(self, tail: Tail) -> Noted:
        reason = self.close_reason.name.lower()
        off = LampOff(
            reason,
            self.light_s,
            self.meter.dose_mj_cm2,
            self.meter.plain_mj_cm2 - self._plain_before,
            self.device_mj_cm2,
            self._aim.trend.level(),
        )
        text = f"lamps off ({reason}) after {self.light_s:.2f} s of light"
        if not tail.told:
            text += "; the device has not confirmed the close"
        return Noted(off, text, ticks=tail.close_ticks)

    @property
    def settled_mw_cm2(self) -> float:
        """Light last believed of lamps that had struck; 0 where there was none."""
        return self._sight.settled_mw_cm2

    @property
    def _close_ticks(self) -> int:
        return self._tail.close_ticks if self._tail is not None else self._last.ticks

    @property
    def _dark_ticks(self) -> int:
        """Its light and after-glow are over by then."""
        return self._close_ticks + round(self.plan.learned.longest_afterglow_s / self._last.tick_s)

    def _tell_doubt(self, out: list[ExposureOutput]) -> None:
        going, trouble = self.phase is not Phase.OVER, self.trouble
        top = trouble is not None and trouble.alarm is LIGHT_SENSOR_SATURATED
        cause = self._sight.cause, self.left_on, top, going
        if not any(cause[:3]) or not self._news.wanted(cause):
            return
        more, less = self._sight.steps.off_mw_cm2
        if self.left_on or top:
            less += self.meter.window.irradiance_mw_cm2
        if top:
            more += MOST_SHARE * self.plan.expected_mw_cm2
        out += self._news.of(
            cause, self.lamps_doubt() + self.sensor_doubt(), light_s=self.light_s,
            more_mw_cm2=going * more, less_mw_cm2=going * less,
        )  # fmt: skip

    def lamps_doubt(self) -> Doubt:
        """While lamps and sensor, or sums, did not agree, and after the end: what somebody may have
        seen."""
        if self.phase is Phase.OPENING:
            return Doubt()
        until, tick_s, level = self._dark_ticks, self._last.tick_s, self._aim.trend.level()
        lost = self._tail is not None and self._tail.lost
        doubt = self._sight.doubt(self.meter, until, tick_s, level, lost=lost)
        after = self._tail.after_mj_cm2 if self._tail is not None and self._tail.left_on else 0.0
        return replace(doubt, less=max(doubt.less, after))

    def sensor_doubt(self) -> Doubt:
        """What nobody can settle: frames in which a sensor stood still, steps of its light, and the
        dark of before and after this light, where they differ."""
        sight, level, tail = self._sight, self._aim.trend.level(), self._tail
        still = sight.still_mj_cm2
        unseen = tail.unseen_mj_cm2 if tail is not None else 0.0
        risen = sight.risen_mj_cm2(self.meter, self._close_ticks, self._last.tick_s)
        off = tail.dark_off_mw_cm2(level) if tail is not None and level > 0.0 else None
        steps = self._steps_to_the_close()
        offs = (off, *tail.steady_mw_cm2) if tail is not None and level > 0.0 else (off,)
        more, less = (max(each) for each in zip(*map(steps.doubt, offs), strict=True))
        fell = (off or 0.0) * self.light_s
        scale = self.meter.rule.rate(level) / level if level > 0.0 else 1.0
        more, less = scale * max(more, -fell), scale * max(less, fell)
        return Doubt(still + more, still + risen + less + unseen)

    def _steps_to_the_close(self) -> StepWatch:
        """With the light that only the account of the close has told."""
        tail, steps = self._tail, copy(self._sight.steps)
        if tail is not None and tail.at_close is not None:
            steps.rest(tail.unwatched_mj_cm2, tail.unwatched_s)
        return steps

    def disagreement_mj_cm2(self) -> float:
        """Difference of our plain dose up to the close and the device's; 0 without its account."""
        tail, device = self._tail, self.device_mj_cm2
        if tail is None or tail.at_close is None or device is None:
            return 0.0
        return self._agreement.apart_mj_cm2(tail.unwatched_mj_cm2, device, self._last)

    def afterglow_s(self) -> float:
        """Seconds of full light that fell after the close; 0 where that was not seen."""
        rate = self.meter.rule.rate(self._aim.trend.level())
        at_close = self._tail.at_close if self._tail is not None else None
        if at_close is None or self._sight.unsure or rate <= 0.0:
            return 0.0
        return (self.meter.dose_mj_cm2 - at_close.dose_mj_cm2) / rate

    def learned(self) -> Learned | None:
        """What this stretch taught; None when it was too short, or is doubtful: something was
        wrong in it, its accounts do not agree, or it was not dark after its after-glow."""
        level = self._aim.trend.level()
        rate = self.meter.rule.rate(level)
        doubtful = self.left_on or self._sight.unsure
        if self._tail is None or doubtful or self.phase is not Phase.OVER:
            return None
        doubt = self.sensor_doubt()
        dark = self.meter.window.irradiance_mw_cm2 <= TAIL_DARK_SHARE * level
        dark = dark and doubt.more + doubt.less <= self._agreement.limit_mj_cm2
        agree = self.disagreement_mj_cm2() <= self._agreement.limit_mj_cm2
        if self.fault or not (dark and agree):
            return None
        at_close = self._tail.at_close
        if at_close is None or self.light_s < LEARN_LIGHT_S or rate <= 0.0:
            return None
        afterglow_s = self.afterglow_s()
        lit_s = (at_close.dose_mj_cm2 - self._dose_before) / rate
        return Learned(afterglow_s, max(0.0, self.light_s - lit_s), level)


_BEGUN = (m.OrderState.OPEN, m.OrderState.CLOSED)

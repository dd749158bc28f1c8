"""One stretch of light: a standing order from arming to the end of its after-glow. Pure.

An exposure that is never held is one stretch; each restart adds another. The stretch counts the
dose, keeps the order's target right, compares its own dose with the device's, and learns the
after-glow from what falls after the close.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from platelink.control.aim import Aim
from platelink.control.alarm_states import Condition
from platelink.control.dose import DoseMeter, Point
from platelink.control.states import ExposureOutput, Learned, Noted, Plain, Send
from platelink.link import messages as m

TAIL_S = 1.0
"""After-glow and shutter travel are over after this long."""
REPORT_LIMIT_S = 2.0
"""Longest further wait for the device's account of the close; then its sums alone decide."""
NO_LIGHT_S = 5.0
"""Longest strike of a lamp; later the sensor is blind or the lamp is out."""
DARK_SHARE = 0.02
"""Share of the expected irradiance below which the lamp counts as dark."""
DISAGREEMENT_FRAMES = 5
"""In a row, so that one odd frame holds nothing."""
FAR_SHARE = 1e-4
"""Of the time still to go: smaller corrections of the target can wait. A tenth of what a dose
may be off, should the host fall silent meanwhile."""
LEARN_LIGHT_S = 2.0
"""A shorter stretch teaches nothing about lamps that are still striking."""


class Phase(StrEnum):
    """Where the stretch is."""

    OPENING = "opening"
    LIGHT = "light"
    TAIL = "tail"
    OVER = "over"


@dataclass(frozen=True, slots=True)
class StretchPlan:
    """What one stretch is to do; times in seconds, dose the total of the whole exposure."""

    order: int
    target_dose_mj_cm2: float
    guard_s: float
    silence_s: float
    silence_policy: m.SilencePolicy
    expected_mw_cm2: float
    learned: Learned
    tolerance_pct: float
    """Largest difference between our dose and the device's, as a share of the target."""


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
        """Seconds until the lamp goes off, at the light of now."""
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
        self._comparable_mj_cm2 = 0.0
        self._open_ticks = 0
        self._seen = False
        self._disagreeing = 0
        self._warned = False
        self._report: tuple[m.OrderReport, int] | None = None
        self._tail_from = 0
        self._tail: list[Point] = []
        self._lit_meter = meter

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
            guard_ticks=max(1, round(plan.guard_s / tick_s)),
            silence_ticks=min(0xFFFF, max(1, round(plan.silence_s / tick_s))),
            silence_policy=plan.silence_policy,
        )

    # --- what the device says --------------------------------------------------------------

    def sample(self, sample: m.Sample, point: Point, *, refine: bool) -> list[ExposureOutput]:
        """Take one sample; ``refine`` is False while the light is being ended early."""
        out: list[ExposureOutput] = []
        ours = sample.order == self.plan.order
        if self.phase is Phase.OPENING and ours and sample.order_state in _BEGUN:
            self._begin_light(out)
        if self.phase is Phase.LIGHT:
            if ours and sample.order_state == m.OrderState.CLOSED:
                self._close(close_reason(sample.close_reason), point.ticks, out)
            else:
                self._count_light(sample, point, refine, out)
        if self.phase is Phase.TAIL:
            self._tail.append(point)
            self._count_tail(out)
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
            self._close(close_reason(report.close_reason), close_ticks, out)
        if self.phase is not Phase.TAIL or self._report is not None:
            return out
        self._report = (report, close_ticks)
        n = len(self._last.light_sum)
        self._tail.append(
            self._last._replace(
                ticks=close_ticks,
                light_sum=report.close_sum[:n],
                light_count=report.close_count[:n],
            )
        )
        self.light_s = (close_ticks - open_ticks) * self._last.tick_s
        self._tail_from = close_ticks
        self.device_mj_cm2 = self._scale.dose_for(report.order_sum, self._last.tick_s)
        self._count_tail(out)
        return out

    # --- light -----------------------------------------------------------------------------

    def _begin_light(self, out: list[ExposureOutput]) -> None:
        self.phase = Phase.LIGHT
        self.meter.restart_at(self._last)  # the last sample before light
        self._open_ticks = self._last.ticks
        out.append(Noted("lamp on", f"lamp on under order {self.plan.order}"))

    def _count_light(
        self, sample: m.Sample, point: Point, refine: bool, out: list[ExposureOutput]
    ) -> None:
        window = self.meter.add(point)
        self._aim.trend.add(*window)
        self._comparable_mj_cm2 += window.irradiance_mw_cm2 * window.seconds * self._share(point)
        self.light_s = (point.ticks - self._open_ticks) * point.tick_s
        self._look(window.irradiance_mw_cm2, point, out)
        self.remaining_s = self._aim.remaining_s(self.meter.dose_mj_cm2)
        if refine and not self.fault:
            self._compare(sample, point)
            self._refine(sample, point, out)
            self._warn(out)

    def _look(self, irradiance: float, point: Point, out: list[ExposureOutput]) -> None:
        if self._seen:
            return
        least = DARK_SHARE * self.plan.expected_mw_cm2
        if irradiance > least:
            self._seen = True
            out.append(Noted("light seen", f"{irradiance:.2f} mW/cm²", ticks=point.ticks))
        elif self.light_s > NO_LIGHT_S:
            self.trouble = Condition("light sensor blind", True, irradiance, least)
            self.fault = (
                f"no light seen {self.light_s:.1f} s after the lamp was switched on (limit "
                f"{NO_LIGHT_S:.0f} s); check lamps and light sensor, then restart"
            )

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
        ours = self._comparable_mj_cm2
        device = self._scale.dose_for(sample.order_sum, point.tick_s)
        limit = self.plan.tolerance_pct / 100.0 * self.plan.target_dose_mj_cm2
        self._disagreeing = self._disagreeing + 1 if abs(ours - device) > limit else 0
        if self._disagreeing >= DISAGREEMENT_FRAMES:
            off_pct = 100.0 * abs(ours - device) / self.plan.target_dose_mj_cm2
            self.trouble = Condition("doses disagree", True, off_pct, self.plan.tolerance_pct)
            self.fault = (
                f"our dose {ours:.2f} and the device's {device:.2f} mJ/cm² differ by more than "
                f"{limit:.2f}; trust neither, check the light sensors"
            )

    def _share(self, point: Point) -> float:
        """What the order's weights, made for the head's temperature at arming, make of 1 mW/cm²
        with the head as warm as it is now."""
        channels = self.meter.rule.light.channels
        weights = zip(self._scale.weight, channels, strict=False)
        per_mw = sum(weight / channel.slope_at(point.head_c) for weight, channel in weights)
        return per_mw / self._scale.counts_per_mw_tick

    def _warn(self, out: list[ExposureOutput]) -> None:
        left_s = self.plan.guard_s - self.light_s
        if self._warned or self.light_s < NO_LIGHT_S or self.remaining_s <= left_s:
            return
        self._warned = True
        out.append(
            Noted(
                "guard ends first",
                f"{self.remaining_s:.0f} s to go at the present light, the guard time leaves "
                f"{left_s:.0f} s; the lamps give less than expected",
            )
        )

    # --- close and after-glow --------------------------------------------------------------

    def _close(self, reason: m.CloseReason, ticks: int, out: list[ExposureOutput]) -> None:
        self.phase = Phase.TAIL
        self.close_reason = reason
        self._tail_from = ticks
        self._lit_meter = self.meter
        if self._report is None:
            out.append(Send(m.GetOrder()))

    def _count_tail(self, out: list[ExposureOutput]) -> None:
        """Dose from the last lit sample on, split exactly at the close once that is known."""
        meter = self._lit_meter.copy()
        for point in sorted(self._tail, key=_by_ticks):
            meter.add(point)
        self.meter = meter
        newest = max(self._tail, key=_by_ticks)
        after_s = (newest.ticks - self._tail_from) * newest.tick_s
        if after_s >= TAIL_S + (0.0 if self._report else REPORT_LIMIT_S):
            self.phase = Phase.OVER
            out.append(self._closing_note())
        elif after_s >= TAIL_S and self._report is None:
            out.append(Send(m.GetOrder()))

    def _closing_note(self) -> Noted:
        data: dict[str, Plain] = {
            "reason": self.close_reason.name.lower(),
            "light_s": self.light_s,
            "dose_mj_cm2": self.meter.dose_mj_cm2,
            "plain_mj_cm2": self.meter.plain_mj_cm2 - self._plain_before,
            "device_mj_cm2": self.device_mj_cm2,
            "irradiance_mw_cm2": self._aim.trend.level(),
        }
        text = f"lamp off by {data['reason']} after {self.light_s:.2f} s of light"
        if self._report is None:
            text += "; the device gave no account of the close"
        return Noted("lamp off", text, data, ticks=self._tail_from)

    def learned(self) -> Learned | None:
        """What this stretch taught; None when it was too short, or ended without an account."""
        level = self._aim.trend.level()
        rate = self.meter.rule.rate(level)
        if self._report is None or self.light_s < LEARN_LIGHT_S or rate <= 0.0:
            return None
        if self.phase is not Phase.OVER:
            return None
        at_close = self._lit_meter.copy()
        for point in sorted(self._tail, key=_by_ticks):
            if point.ticks <= self._report[1]:
                at_close.add(point)
        afterglow_s = (self.meter.dose_mj_cm2 - at_close.dose_mj_cm2) / rate
        lit_s = (at_close.dose_mj_cm2 - self._dose_before) / rate
        return Learned(afterglow_s, max(0.0, self.light_s - lit_s), level)


def _by_ticks(point: Point) -> int:
    return point.ticks


def close_reason(code: int) -> m.CloseReason:
    """Why the device closed; NONE for a code that this host does not know."""
    try:
        return m.CloseReason(code)
    except ValueError:
        return m.CloseReason.NONE


_BEGUN = (m.OrderState.OPEN, m.OrderState.CLOSED)

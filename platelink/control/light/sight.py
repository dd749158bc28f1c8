"""Whether lamps and light sensors agree while an order is open; else what is in doubt. Pure."""

from __future__ import annotations

from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import LIGHT_SENSOR_BLIND
from platelink.control.light import sentences
from platelink.control.light.dose import DoseMeter, Point, Window
from platelink.control.light.doubt import Doubt
from platelink.control.light.jump import (
    EARLY_SHARE,
    JUMP_S,
    Believed,
    JumpWatch,
    StepWatch,
)
from platelink.control.light.plan import NO_LIGHT_S, StretchPlan
from platelink.control.light.request import DARK_SHARE
from platelink.link import messages as m
from platelink.warming import MAY_RISE, warmed

FROZEN_S = 2.0
"""A converter has noise and lamps flicker: a count that stays the same for so long is none."""
RIPPLE = 0.2
"""Of the mean: so far off may the one count be at which a sensor stands still."""
MOMENT_S = 0.15
"""A sensor that fails is noticed so much later at most, or was counted so much too long."""
STRIKE_S = 1.15
"""Lamps strike sooner. Common practice, no source."""
FORETOLD_S = 3.0
"""Light that has been seen for so long is judged by what is foretold of it."""
LATER_S = 0.3
"""Or not much later than they have shown that they take to warm up."""


class Sight:
    """One a stretch of light, from its first sample."""

    def __init__(self, plan: StretchPlan, meter: DoseMeter, point: Point) -> None:
        self.fault = ""
        """Why the light must go off now."""
        self.trouble: Condition | None = None
        self.unsure = False
        """What falls, or fell, is not known."""
        self._plan = plan
        before = plan.seen_mw_cm2
        self._jump = JumpWatch(plan.expected_mw_cm2, before, meter, point.ticks)
        self.steps = StepWatch()
        self._stuck: list[tuple[int, Believed] | None] = [None] * m.LIGHT_CHANNELS
        self._frozen = False
        self._stuck_mj_cm2 = 0.0
        self._seen = False
        self._first: Window | None = None
        self._dark_s = self._first_mw_cm2 = 0.0
        """Before that window, and the light after it."""
        self._light_s = 0.0
        self._off_s = 0.0
        """So long has it not been as foretold."""
        self._usual_s = max(STRIKE_S, plan.learned.warm_up_deficit_s + LATER_S)
        self.still_mj_cm2 = 0.0
        """So far off may the dose be for frames in which a sensor stood still."""

    def add(
        self, sample: m.Sample, meter: DoseMeter, level_mw_cm2: float, light_s: float, *,
        judge: bool,
    ) -> bool:  # fmt: skip
        """Take the next sample, which ``meter`` has counted; without ``judge`` the light is being
        ended, and no fault is found. True when light is seen for the first time."""
        self._light_s = light_s
        point, window = meter.point, meter.window
        irradiance, least = window.irradiance_mw_cm2, DARK_SHARE * self._plan.expected_mw_cm2
        if point is None:
            return False
        if not self._seen:
            if irradiance > least:
                self._seen = True
                self._first, self._dark_s = window, light_s - window.seconds
                return True
            if light_s > NO_LIGHT_S:
                self._blind(irradiance, least, sentences.none_seen(light_s, NO_LIGHT_S))
            return False
        self._first_mw_cm2 = self._first_mw_cm2 or irradiance
        still = self.still_mj_cm2
        since = self._frozen_since(sample, meter, point, level_mw_cm2)
        believed = self._jump.last
        if judge and since is not None and not self.fault:
            self._frozen = True
            self._jump.last = since._replace(irradiance_mw_cm2=MAY_RISE * since.irradiance_mw_cm2)
            self._blind(irradiance, irradiance, sentences.frozen(irradiance))
        elif judge and self._jump.add(window, level_mw_cm2, meter, point):
            self._blind(irradiance, least, sentences.jumped(believed.irradiance_mw_cm2, irradiance))
        elif judge and not self.fault and self._not_as_foretold(level_mw_cm2, window.seconds):
            self._judge_by_forecast(irradiance, level_mw_cm2)
        elif judge and self.still_mj_cm2 == still:
            self.steps.add(window)
        return False

    def _not_as_foretold(self, level_mw_cm2: float, seconds: float) -> bool:
        """For as long as a jump must last; lamps that still warm up may be so much weaker."""
        forecast, seen_s = self._plan.learned.forecast, self._light_s - self._dark_s
        if forecast is None or seen_s < FORETOLD_S:
            return False
        low = forecast.low_mw_cm2 * warmed(seen_s)
        off = not low <= level_mw_cm2 <= forecast.high_mw_cm2
        self._off_s = self._off_s + seconds if off else 0.0
        return self._off_s >= JUMP_S

    def _judge_by_forecast(self, irradiance: float, level_mw_cm2: float) -> None:
        """Lamps or sensor: the light since it was first seen is between what was counted and what
        was foretold."""
        forecast = self._plan.learned.forecast
        assert forecast is not None
        low, high = forecast.low_mw_cm2, forecast.high_mw_cm2
        self._jump.distrust(high if level_mw_cm2 < low else low)
        limit = low if level_mw_cm2 < low else high
        self._blind(irradiance, limit, sentences.not_as_foretold(level_mw_cm2, low, high))

    def after(self, sample: m.Sample, meter: DoseMeter) -> None:
        """Take a sample after the close: a sensor that stands still tells no after-glow."""
        window, least = meter.window, DARK_SHARE * self._plan.expected_mw_cm2
        still = (
            channel.weight and sample.light_min[i] == sample.light_max[i]
            for i, channel in enumerate(meter.rule.light.channels)
        )  # fmt: skip
        if window.irradiance_mw_cm2 > least and any(still):
            self._stuck_mj_cm2 += meter.rule.rate(window.irradiance_mw_cm2) * window.seconds

    def doubt(
        self, meter: DoseMeter, until_ticks: int, tick_s: float, level_mw_cm2: float, *, lost: bool
    ) -> Doubt:
        """What is not known of all that fell until ``until_ticks``, after-glow with it. ``lost``:
        sums do not tell it."""
        rate, believed = meter.rule.rate, self._jump.last
        more = rate(max(level_mw_cm2, self._plan.expected_mw_cm2)) * self._late_s
        unseen = not self._seen and self._light_s > self._usual_s
        if self.fault or lost or unseen:
            # lamps that are still warming give a little more: count a little longer
            beyond = self._jump.beyond_mj_cm2(meter, until_ticks, tick_s, later_s=JUMP_S)
            more += max(0.0, beyond)
        if self._frozen:
            return Doubt(more, meter.dose_mj_cm2 - believed.dose_mj_cm2, spread=more)
        if self._late_s or unseen:  # nor how strong they were
            return Doubt(more, spread=more)
        learned = self._plan.learned
        glow_s = 0.0 if learned.afterglow_known else learned.longest_afterglow_s
        spread = rate(max(level_mw_cm2, believed.irradiance_mw_cm2)) * (MOMENT_S + glow_s)
        return Doubt(more, spread=min(more, spread))

    @property
    def _late_s(self) -> float:
        """It was dark for so long, where that is longer than lamps take to strike."""
        if self._first is None:
            return 0.0
        irradiance, seconds = self._first
        level = max(irradiance, self._first_mw_cm2 or self._plan.expected_mw_cm2)
        dark_s = self._dark_s + seconds * (1.0 - irradiance / level)
        return dark_s if dark_s > self._usual_s + EARLY_SHARE * seconds else 0.0

    @property
    def settled_mw_cm2(self) -> float:
        """Light last believed of lamps that had struck; 0 where there was none."""
        return self._jump.settled_mw_cm2

    @property
    def cause(self) -> tuple[int, bool, bool] | None:
        """Of its doubts; None while there is none."""
        cause = len(self.steps.steps), self._late_s > 0.0, bool(self.fault)
        return cause if any(cause) else None

    def risen_mj_cm2(self, meter: DoseMeter, until_ticks: int, tick_s: float) -> float:
        """What a sensor that jumped up, or stood still after the close, may have counted too
        much."""
        if not self.fault or self._frozen:
            return self._stuck_mj_cm2
        after = -self._jump.beyond_mj_cm2(meter, until_ticks, tick_s)
        early = self._jump.early_mj_cm2(meter, until_ticks, tick_s)
        return self._stuck_mj_cm2 + max(0.0, after, early)

    def _frozen_since(
        self, sample: m.Sample, meter: DoseMeter, point: Point, level_mw_cm2: float
    ) -> Believed | None:
        """Where a sensor that counts began to tell the same; None: all of them measure."""
        now, since = Believed(level_mw_cm2, point.ticks, meter.dose_mj_cm2), None
        for i, channel in enumerate(meter.rule.light.channels):
            low, held = sample.light_min[i], self._stuck[i]
            if channel.weight == 0.0 or low != sample.light_max[i]:
                self._stuck[i] = None
                continue
            self.still_mj_cm2 += RIPPLE * meter.rule.rate(level_mw_cm2) * meter.window.seconds
            if held is None or held[0] != low:
                self._stuck[i] = (low, now)
            elif (now.ticks - held[1].ticks) * point.tick_s >= FROZEN_S:
                since = held[1]
        return since

    def _blind(self, irradiance: float, least: float, text: str) -> None:
        """Lamps and sensor do not agree: what falls is not known from here on."""
        self.unsure = True
        self.trouble = Condition(LIGHT_SENSOR_BLIND, True, irradiance, least)
        self.fault = self.fault or text

"""Where the standing order should close: the target refined while light falls. Pure.

The device closes at a weighted sum of counts. This file turns the dose still missing into that
sum, from the light of the last moments: with p = 1 only the after-glow depends on the irradiance,
with p below 1 the whole remainder does, the less the nearer the end.
"""

from __future__ import annotations

import math
from collections import deque

from platelink.control.light.dose import DoseMeter, DoseRule
from platelink.control.light.request import DARK_SHARE
from platelink.sensing.light import OrderScale

_TREND_S = 1.0
"""Light of this last stretch gives level and slope: long enough to average lamp noise, short
against a warm-up."""
_LEVEL_S = 0.25
_MAX_BEND = 0.3
"""Most the extrapolated irradiance may differ from the present one."""


class LightTrend:
    """Level and slope of the irradiance over the last second."""

    __slots__ = ("_level", "_slope", "_t", "_windows")

    def __init__(self) -> None:
        self._windows: deque[tuple[float, float, float]] = deque()  # mid time, irradiance, seconds
        self._t = 0.0
        self._level: float | None = 0.0
        self._slope: float | None = 0.0

    def add(self, irradiance_mw_cm2: float, seconds: float) -> None:
        """Take the next window."""
        windows = self._windows
        windows.append((self._t + seconds / 2.0, irradiance_mw_cm2, seconds))
        self._t += seconds
        while len(windows) > 1 and windows[0][0] < self._t - _TREND_S:
            windows.popleft()
        self._level = self._slope = None

    def level(self) -> float:
        """Mean irradiance of about the last quarter second; 0 without light."""
        if self._level is None:
            self._level = self._mean()
        return self._level

    def slope(self) -> float:
        """Change of irradiance, (mW/cm²)/s, from the two halves of the last second."""
        if self._slope is None:
            self._slope = self._rise()
        return self._slope

    def _mean(self) -> float:
        total = span = 0.0
        for _, irradiance, seconds in reversed(self._windows):
            total += irradiance * seconds
            span += seconds
            if span >= _LEVEL_S:
                break
        return total / span if span else 0.0

    def _rise(self) -> float:
        windows = self._windows
        if len(windows) < 4:
            return 0.0
        half = len(windows) // 2
        early = late = early_t = late_t = 0.0
        for i, (t, irradiance, _) in enumerate(windows):
            if i < half:
                early += irradiance
                early_t += t
            else:
                late += irradiance
                late_t += t
        n_late = len(windows) - half
        span = late_t / n_late - early_t / half
        return (late / n_late - early / half) / span if span > 0.0 else 0.0

    def ahead(self, seconds: float) -> float:
        """Irradiance expected so many seconds from now."""
        level = self.level()
        bend = self.slope() * seconds
        limit = _MAX_BEND * level
        return level + min(limit, max(-limit, bend))


class Aim:
    """Turns the dose still missing into the order's target sum."""

    __slots__ = (
        "_counts_per_mw_tick",
        "_expected_mw_cm2",
        "afterglow_s",
        "rule",
        "target_dose_mj_cm2",
        "trend",
    )

    def __init__(
        self,
        rule: DoseRule,
        scale: OrderScale,
        *,
        target_dose_mj_cm2: float,
        afterglow_s: float,
        expected_mw_cm2: float,
    ) -> None:
        self.rule = rule
        self._expected_mw_cm2 = expected_mw_cm2
        self.target_dose_mj_cm2 = target_dose_mj_cm2
        self.afterglow_s = afterglow_s
        self.trend = LightTrend()
        self._counts_per_mw_tick = scale.counts_per_mw_tick

    def remaining_s(self, dose_mj_cm2: float) -> float:
        """Seconds until the lamp must go off, at the light of now; infinite in the dark."""
        missing = self.target_dose_mj_cm2 - dose_mj_cm2
        rate = self.rule.rate(self.trend.level())
        if rate <= 0.0:
            return math.inf if missing > 0.0 else 0.0
        seconds = missing / rate
        for _ in range(2):
            rate = self.rule.rate(self.trend.ahead(seconds / 2.0))
            seconds = missing / rate
        return max(0.0, seconds - self.afterglow_s)

    def target(self, meter: DoseMeter, order_sum: int, seconds: float, tick_s: float) -> int:
        """The order's target, given its sum at the meter's last point and ``remaining_s`` there."""
        missing = self.target_dose_mj_cm2 - meter.dose_mj_cm2
        dark = self.trend.level() <= DARK_SHARE * self._expected_mw_cm2  # noise tells no time to go
        if dark or not math.isfinite(seconds):
            return max(1, order_sum + self.first_target(missing, tick_s))
        if self.rule.reciprocity_p == 1.0:
            # Exact whatever the light does: the remainder is counted, not timed.
            plain = missing - self.afterglow_s * self.trend.ahead(seconds)
        else:
            plain = seconds * self.trend.ahead(seconds / 2.0)
        # Half a tick early: the close falls on the first tick past the target.
        mw_ticks = plain / tick_s - 0.5 * self.trend.level()
        return max(1, order_sum + int(mw_ticks * self._counts_per_mw_tick))

    def first_target(self, missing_mj_cm2: float, tick_s: float) -> int:
        """The further sum before any light was seen, at the irradiance expected; to be refined."""
        expected = self._expected_mw_cm2
        plain = missing_mj_cm2 * expected / self.rule.rate(expected) - self.afterglow_s * expected
        return max(1, int(plain / tick_s * self._counts_per_mw_tick))

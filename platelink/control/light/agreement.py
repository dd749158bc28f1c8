"""Our plain dose beside the device's own, while light falls. Pure."""

from __future__ import annotations

from platelink.control.light.dose import DoseMeter, Point, Window
from platelink.sensing.light import OrderScale

DISAGREEMENT_FRAMES = 5
"""In a row, so that one odd frame holds nothing."""


class Agreement:
    """One a stretch of light; up to ``limit_mj_cm2`` the doses are the same."""

    def __init__(self, meter: DoseMeter, scale: OrderScale, limit_mj_cm2: float) -> None:
        self.limit_mj_cm2 = limit_mj_cm2
        self._channels, self._scale = meter.rule.light.channels, scale
        self._ours_mj_cm2 = 0.0
        self._apart = 0

    def add(self, window: Window, point: Point) -> None:
        """Count a window of light, which ends at this point."""
        mj_cm2 = window.irradiance_mw_cm2 * window.seconds
        self._ours_mj_cm2 += mj_cm2 * self._share(point)

    def broken(self, order_sum: int, point: Point) -> tuple[float, float] | None:
        """Our dose and the device's, when they have differed for some frames; ``order_sum`` is as
        of the point last counted."""
        ours, device = self._ours_mj_cm2, self._scale.dose_for(order_sum, point.tick_s)
        self._apart = self._apart + 1 if abs(ours - device) > self.limit_mj_cm2 else 0
        return (ours, device) if self._apart >= DISAGREEMENT_FRAMES else None

    def apart_mj_cm2(self, last_mj_cm2: float, device_mj_cm2: float, point: Point) -> float:
        """By the device's account of the close, until which ``last_mj_cm2`` fell since the last
        window."""
        return abs(self._ours_mj_cm2 + last_mj_cm2 * self._share(point) - device_mj_cm2)

    def _share(self, point: Point) -> float:
        """What the order's weights, made for the head's temperature at arming, make of 1 mW/cm²
        with the head as warm as it is now."""
        weights = zip(self._scale.weight, self._channels, strict=False)
        per_mw = sum(weight / channel.slope_at(point.head_c) for weight, channel in weights)
        return per_mw / self._scale.counts_per_mw_tick

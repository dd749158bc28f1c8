"""From the close of an order to darkness: what still falls, split exactly at the close. Pure."""

from __future__ import annotations

import math
from typing import NamedTuple

from platelink.control.light.dose import DoseMeter, Point, mean_counts
from platelink.control.light.light import LEFT_ON_S

TAIL_S = 1.0
"""After-glow and shutter travel are over after this long."""
DARK_AGAIN_S = 0.3
"""Of darkness tells whether it is as dark as before the light."""
SAME_DARK_COUNTS = 2.0
"""Noise of such a reading and a warmer head move it by less than that."""
SAME_LIGHT = 0.9
"""Light after the end that is less than this share of the light before is not known to be the
lamps': it may have been there in the light already."""
ALIKE = 0.2
"""Two windows of after-glow differ by more."""
UNSEEN_S = 0.5
"""Of light in one window after the end: nobody saw whether the lamps gave it."""
REPORT_LIMIT_S = 2.0
"""Longest further wait for the device's account of the close; then its sums alone decide."""
ASK_AGAIN_S = 0.1
"""First pause before the account is asked for again; each later one is twice as long."""


class AtClose(NamedTuple):
    """Dose at the tick of the close, effective and plain, mJ/cm²."""

    dose_mj_cm2: float
    plain_mj_cm2: float


class Tail:
    """See the file's first line. It lasts for as long as light falls."""

    def __init__(
        self, lit: DoseMeter, close_ticks: int, *, dark_mw_cm2: float, afterglow_s: float
    ) -> None:
        """``lit`` has counted up to the last sample under the order; at ``dark_mw_cm2`` and less
        it is dark."""
        self.meter = lit
        self.close_ticks = close_ticks
        self.told = False
        """The device has given its account of the close."""
        self.left_on = False
        """There was light when after-glow was over."""
        self.at_close: AtClose | None = None
        """None without that account."""
        self._begun = self._lit = lit
        self._lit_mj_cm2 = lit.dose_mj_cm2
        self._dark_points: tuple[Point, ...] = ()
        """Points of darkness that has lasted until now."""
        self.unseen_mj_cm2 = 0.0
        """Counted since the close, in windows so long that it may have been other light."""
        self.steady_mw_cm2: tuple[float, ...] = ()
        """What two windows in a row told alike after the close, most and least: after-glow falls. A
        sensor that was off in the light may come back before the darkness by which it is judged."""
        self._unseen_before_mj_cm2 = 0.0
        self._left_mw_cm2 = 0.0
        """Strongest light when after-glow was over."""
        self._points: list[Point] = []
        self._seconds = self._unseen_s = 0.0
        self._ask_at_s, self._pause_s = TAIL_S, ASK_AGAIN_S
        self._dark_mw_cm2, self._afterglow_s = dark_mw_cm2, afterglow_s

    @property
    def dark(self) -> bool:
        """No light in the newest window."""
        return self.meter.window.irradiance_mw_cm2 <= self._dark_mw_cm2

    def asks(self) -> bool:
        """After-glow is over, the account has not come, and it is time to ask (again)."""
        if self.told or self._seconds < self._ask_at_s:
            return False
        self._ask_at_s, self._pause_s = self._seconds + self._pause_s, 2.0 * self._pause_s
        return True

    @property
    def over(self) -> bool:
        """All is counted that will be."""
        wait_s = TAIL_S + (0.0 if self.told else REPORT_LIMIT_S)
        return (self._seconds >= wait_s and self._dark_again is not None) or self.lost

    @property
    def lost(self) -> bool:
        """Its sums cannot be any more: how much fell, and whether it is dark, they do not tell."""
        return self._unseen_s >= TAIL_S and self._seconds >= TAIL_S + REPORT_LIMIT_S

    @property
    def after_mj_cm2(self) -> float:
        """Counted since the close."""
        at_close = self.at_close.dose_mj_cm2 if self.at_close else self._lit_mj_cm2
        return self.meter.dose_mj_cm2 - at_close

    @property
    def _dark_again(self) -> list[float] | None:
        """Mean counts of the last of the darkness; None while it is too short."""
        dark = self._dark_points
        for point in reversed(dark):
            if (dark[-1].ticks - point.ticks) * point.tick_s >= DARK_AGAIN_S:
                return mean_counts(point, dark[-1])
        return None

    def dark_off_mw_cm2(self, level_mw_cm2: float) -> float | None:
        """How much lighter it is than it was in the dark before, darker below 0, or may have been
        in the light of ``level_mw_cm2``; 0 where the sensors tell the same, None: not known."""
        if 0.0 < self._left_mw_cm2 < SAME_LIGHT * level_mw_cm2:
            return self._left_mw_cm2
        means, light = self._dark_again, self.meter.rule.light
        if means is None:
            return None
        pairs = zip(means, light.channels, strict=True)
        off = max(abs(mean - channel.dark_counts) for mean, channel in pairs if channel.weight)
        if off <= SAME_DARK_COUNTS:
            return 0.0
        return light.irradiance_mw_cm2(means, self._dark_points[-1].head_c)

    @property
    def unwatched_s(self) -> float:
        """From the last sample in the light to the close."""
        point = self._begun.point
        return (self.close_ticks - point.ticks) * point.tick_s if point is not None else 0.0

    @property
    def unwatched_mj_cm2(self) -> float:
        """Plain dose in that time, by the device's account; 0 without it."""
        return self.at_close.plain_mj_cm2 - self._begun.plain_mj_cm2 if self.at_close else 0.0

    def add(self, point: Point) -> None:
        """Take the next sample."""
        self._points.append(point)
        self._count()

    def account(self, point: Point) -> None:
        """Take the sums at the close, as the device tells them."""
        self.told = True
        self.close_ticks = point.ticks
        self.add(point)

    def _count(self) -> None:
        meter = self._lit.copy()
        dark: list[Point] = []
        unseen = self._unseen_before_mj_cm2
        steady: list[float] = []
        newest_mw_cm2 = math.inf
        for point in sorted(self._points, key=_by_ticks):
            before, since = meter.dose_mj_cm2, meter.point
            lit = meter.add(point).irradiance_mw_cm2 > self._dark_mw_cm2
            after = since is not None and since.ticks >= self.close_ticks
            if after and meter.point is not since and meter.window.seconds > UNSEEN_S:
                unseen += meter.dose_mj_cm2 - before
            if after and meter.point is not since:
                before_mw_cm2, newest_mw_cm2 = newest_mw_cm2, meter.window.irradiance_mw_cm2
                if abs(newest_mw_cm2 - before_mw_cm2) <= ALIKE * abs(before_mw_cm2) < math.inf:
                    steady.append(newest_mw_cm2)
            dark = [] if lit else [*dark, point] if point.whole else dark
            if self.told and meter.point is not None and meter.point.ticks <= self.close_ticks:
                self.at_close = AtClose(meter.dose_mj_cm2, meter.plain_mj_cm2)
        self.meter, self._dark_points, self.unseen_mj_cm2 = meter, tuple(dark), unseen
        self.steady_mw_cm2 = (max(steady), min(steady)) if steady else ()
        newest = max(self._points, key=_by_ticks)
        self._seconds = (newest.ticks - self.close_ticks) * newest.tick_s
        if meter.point is not None:
            self._unseen_s = (newest.ticks - meter.point.ticks) * newest.tick_s
        if not self.dark and meter.point is not None:
            since_close_s = (meter.point.ticks - self.close_ticks) * newest.tick_s
            whole_s = since_close_s - meter.window.seconds
            self.left_on = self.left_on or whole_s > self._afterglow_s + LEFT_ON_S
            if self.left_on:
                self._left_mw_cm2 = max(self._left_mw_cm2, meter.window.irradiance_mw_cm2)
            if self._seconds > TAIL_S + REPORT_LIMIT_S:  # it may burn for long
                self._lit, self._points = meter, [newest]
                self._unseen_before_mj_cm2 = unseen


def _by_ticks(point: Point) -> int:
    return point.ticks

"""Contact vacuum: pull-down, hold test, and the watch while light is on. Pure.

Pressures are ``vacuum_kpa``, kilopascal below the local atmosphere, positive. Each stage takes one
gauge value at a time and says what it concluded; nothing here switches anything.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import CONTACT_LEAKS, CONTACT_LOST, GAUGE_SILENT
from platelink.control.contact.finding import GOING_ON, Finding, Verdict
from platelink.control.contact.line import Line, fit
from platelink.events.light import ContactWeaker


@dataclass(frozen=True, slots=True)
class ContactLimits:
    """What contact must be before and during light. Common practice, no source: every value
    belongs to the recipe or the shop."""

    low_kpa: float
    """Least vacuum that holds film and plate together."""
    high_kpa: float
    """Most vacuum the frame may reach (a gauge above it is not believed)."""
    pull_down_limit_s: float = 60.0
    hold_test_s: float = 3.0
    fall_limit_kpa_per_min: float = 6.0
    """Steepest change during the hold test, either way."""
    draw_down_s: float = 0.0
    """Least time from the beginning until light, however soon the vacuum is steady."""
    debounce_s: float = 0.3
    """How long the vacuum may be out of its band before the watch calls it lost."""
    cusum_slack_kpa: float = 0.5
    """Reference value k of the one-sided CUSUM."""
    cusum_limit_kpa: float = 4.0
    """Decision interval h of the one-sided CUSUM."""
    vented_after_s: float | None = None
    """The frame is surely open to the air so long after the vacuum output went off; None: that is
    not known, and the gauge's zero is not looked at."""
    vented_kpa: float = 3.0
    """How far from 0 the gauge of a vented frame may be."""
    gauge_silence_s: float = 0.5
    """Longest time without a gauge value while contact is needed."""


NOTHING_KPA = 5.0
"""Of a closed frame a pump that runs draws more, though it leaks."""
LONGEST_TESTS = 4
"""A hold test whose values are too unsteady to tell is taken together with up to so many, itself
included, in a row."""
JUDGE_S = 0.2
"""Between two looks whether the vacuum is steady."""
FORECAST_S = 3.0
"""A fall is told ahead by the values of so long, no older than the fall."""
SUDDEN_KPA_PER_S = 1.0
"""A seal that ages or a pump that fades does not fall this fast; an edge that lifts does."""
_WHERE_SUDDEN = "look at the blanket's edge and the hose"
_WHERE_CREEPING = "look at seal, joints of the hose and pump"
LEVEL_WEIGHT = 0.05
"""Of one gauge value in the running level: about a second at the usual 20 values a second."""


def _lost(value_kpa: float, limit_kpa: float | None) -> Condition:
    """``limit_kpa``: what the value should have kept; None where its change was judged."""
    return Condition(CONTACT_LOST, True, value_kpa, limit_kpa)


class FallingCusum:
    """One-sided tabular CUSUM for a fall: ``S = max(0, S + (target - x) - k)``, signal at S > h.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3."""

    __slots__ = ("limit", "slack", "sum", "target")

    def __init__(self, target: float, slack: float, limit: float) -> None:
        self.target, self.slack, self.limit = target, slack, limit
        self.sum = 0.0

    def add(self, value: float) -> bool:
        """Take one value; True when the fall is signalled."""
        self.sum = max(0.0, self.sum + (self.target - value) - self.slack)
        return self.sum > self.limit


class ContactGate:
    """Pull-down until the vacuum is in its band, then a hold test: it must be known to be steady.
    Says ``held`` or ``lost``."""

    def __init__(self, limits: ContactLimits, *, now: float) -> None:
        self.limits = limits
        self.started = now
        self.pull_down_s = math.nan
        """Time to reach the band, once reached."""
        self.line: Line | None = None
        """Through the newest hold test."""
        self._best_kpa = -math.inf
        self._values: deque[tuple[float, float]] = deque()
        self._judged_at = -math.inf

    @property
    def stage(self) -> str:
        """'pull-down' or 'hold test'."""
        return "hold test" if self._values else "pull-down"

    @property
    def level_kpa(self) -> float:
        """What the hold test found."""
        return self.line.mean_kpa if self.line is not None else self._best_kpa

    def deadline(self) -> float:
        """When the vacuum, if it is not held until then, has taken too long."""
        limits = self.limits
        least_s = limits.draw_down_s + limits.hold_test_s
        return self.started + max(limits.pull_down_limit_s, least_s)

    def expired(self, *, now: float) -> Finding:
        """The finding when time passes without a vacuum that holds."""
        if now < self.deadline():
            return GOING_ON
        limits, line = self.limits, self.line
        if line is not None and self._values:
            return self._not_steady(line, now - self.started)
        best = "no gauge value" if self._best_kpa == -math.inf else f"{self._best_kpa:.1f} kPa"
        nothing = -math.inf < self._best_kpa < NOTHING_KPA
        closed = "whether the pump runs, its hose, and whether the blanket is closed"
        where = closed if nothing else "blanket, seal and pump"
        return Finding(
            Verdict.LOST,
            f"vacuum not held after {now - self.started:.0f} s: best {best}, needed "
            f"{limits.low_kpa:.1f} kPa within {limits.pull_down_limit_s:.0f} s; check {where}",
            _lost(self._best_kpa, limits.low_kpa),
        )

    def _not_steady(self, line: Line, after_s: float) -> Finding:
        """In its band, but moving or too unsteady to tell."""
        limit = self.limits.fall_limit_kpa_per_min
        slope, unsure = 60.0 * line.slope_kpa_per_s, 60.0 * line.unsure_kpa_per_s
        begins = f"vacuum of {line.mean_kpa:.1f} kPa not held after {after_s:.0f} s: "
        if abs(slope) - unsure <= limit:
            text = (
                f"unsteady by {line.sd_kpa:.2f} kPa, whether it keeps within {limit:.1f} kPa/min "
                "cannot be told; look for a leak or a loose hose"
            )
        elif slope < 0.0:
            text = f"falls {-slope:.1f} kPa/min in the hold test, limit {limit:.1f} kPa/min; look "
            text += "for a leak"
        else:
            text = f"still rises {slope:.1f} kPa/min, limit {limit:.1f} kPa/min; look at pump and "
            text += "hose, or give it longer"
        return Finding(Verdict.LOST, begins + text, _lost(line.mean_kpa, None))

    def add(self, vacuum_kpa: float | None, *, now: float) -> Finding:
        """Take one gauge value (None: not valid)."""
        limits, values = self.limits, self._values
        if vacuum_kpa is None or not limits.low_kpa <= vacuum_kpa <= limits.high_kpa:
            if vacuum_kpa is not None:
                self._best_kpa = max(self._best_kpa, vacuum_kpa)
                if vacuum_kpa > limits.high_kpa and now >= self.deadline():
                    return Finding(
                        Verdict.LOST,
                        f"vacuum {vacuum_kpa:.1f} kPa above its limit {limits.high_kpa:.1f} kPa; "
                        "check the gauge's calibration",
                        _lost(vacuum_kpa, limits.high_kpa),
                    )
            values.clear()
            return self.expired(now=now)
        self._best_kpa = max(self._best_kpa, vacuum_kpa)
        if not values:
            self.pull_down_s = now - self.started
        values.append((now, vacuum_kpa))
        while now - values[0][0] > LONGEST_TESTS * limits.hold_test_s:
            values.popleft()
        if now < self._judged_at + JUDGE_S or now - values[0][0] < limits.hold_test_s:
            return self.expired(now=now)
        self._judged_at = now
        steady = self._steady(now)
        if steady is not None and now - self.started >= limits.draw_down_s:
            self.line = steady
            return Finding(Verdict.HELD, f"vacuum held at {steady.mean_kpa:.1f} kPa")
        return self.expired(now=now)

    def _steady(self, now: float) -> Line | None:
        """The first line, of the last hold test or of the last few taken together, whose slope
        lies within its limit with all of its interval."""
        limits, tests = self.limits, 1
        while tests <= LONGEST_TESTS and now - self._values[0][0] >= tests * limits.hold_test_s:
            since = now - tests * limits.hold_test_s
            line = fit([value for value in self._values if value[0] >= since])
            if tests == 1:
                self.line = line
            if line is not None:
                worst = abs(line.slope_kpa_per_s) + line.unsure_kpa_per_s
                if 60.0 * worst <= limits.fall_limit_kpa_per_min:
                    return line
            tests *= 2
        return None


class ContactWatch:
    """Watches the vacuum while contact is needed: band with debounce, silent gauge, slow fall."""

    def __init__(self, limits: ContactLimits, *, level_kpa: float, now: float) -> None:
        """``level_kpa`` is the mean of the hold test."""
        self.limits = limits
        self.cusum = FallingCusum(level_kpa, limits.cusum_slack_kpa, limits.cusum_limit_kpa)
        self._mean_kpa = level_kpa
        self._outside_since: float | None = None
        self._valid_at = self._falls_since = now
        self._recent: deque[tuple[float, float]] = deque()
        self.leak: Condition | None = None
        """A fall that is no reason to hold."""

    def add(self, vacuum_kpa: float | None, *, now: float, left_s: float = math.nan) -> Finding:
        """Take one gauge value (None: not valid); ``left_s`` until the light ends, NaN where that
        is not known."""
        limits = self.limits
        if vacuum_kpa is None:
            return self.silence(now=now)
        self._valid_at = now
        if limits.low_kpa <= vacuum_kpa <= limits.high_kpa:
            self._outside_since = None
        elif self._outside_since is None:
            self._outside_since = now
        elif now - self._outside_since >= limits.debounce_s:
            side, limit = (
                ("below", limits.low_kpa)
                if vacuum_kpa < limits.low_kpa
                else ("above", limits.high_kpa)
            )
            return Finding(
                Verdict.LOST,
                f"vacuum {vacuum_kpa:.1f} kPa {side} its limit {limit:.1f} kPa for "
                f"{now - self._outside_since:.2f} s; look for a leak, then restart",
                _lost(vacuum_kpa, limit),
            )
        # The pump may still be gaining: the level to hold is the best that lasted.
        self._mean_kpa += LEVEL_WEIGHT * (vacuum_kpa - self._mean_kpa)
        self.cusum.target = max(self.cusum.target, self._mean_kpa)
        self._recent.append((now, vacuum_kpa))
        while now - self._recent[0][0] > FORECAST_S:
            self._recent.popleft()
        # One odd value of the gauge must not hold an exposure: five in a row are needed at least.
        floor_kpa = self.cusum.target - limits.cusum_slack_kpa - limits.cusum_limit_kpa / 5.0
        falls = self.cusum.add(max(vacuum_kpa, floor_kpa))
        self.cusum.sum = min(self.cusum.sum, 2.0 * limits.cusum_limit_kpa)  # so that it can end
        if not self.cusum.sum:
            self._falls_since, self.leak = now, None
        return self._forecast(vacuum_kpa, left_s, now) if falls else GOING_ON

    def _forecast(self, vacuum_kpa: float, left_s: float, now: float) -> Finding:
        """What a fall comes to until the light ends: lost where it leaves the band for sure."""
        limits, held_kpa, since_s = self.limits, self.cusum.target, now - self._falls_since
        line = fit([point for point in self._recent if point[0] > self._falls_since])
        if line is None and math.isfinite(left_s):
            return GOING_ON  # too few values yet to tell how it falls
        limit = round(held_kpa - limits.cusum_slack_kpa, 1)  # the figure in the text
        text = (
            f"vacuum drifts down: {vacuum_kpa:.1f} kPa, limit {limit:.1f} kPa, just below what it "
            f"held, since {since_s:.0f} s"
        )
        slope, unsure = (line.slope_kpa_per_s, line.unsure_kpa_per_s) if line else (0.0, 0.0)
        where = _WHERE_SUDDEN if slope <= -SUDDEN_KPA_PER_S else _WHERE_CREEPING
        level_kpa, wide_kpa = line.at(now + left_s) if line else (math.nan, 0.0)
        if not level_kpa + wide_kpa >= limits.low_kpa:  # also where it is not known how long
            text += f"; it would leave its band before the light ends: {where}, then restart"
            return Finding(Verdict.LOST, text, _lost(vacuum_kpa, limit))
        first = self.leak is None
        self.leak = Condition(CONTACT_LEAKS, True, vacuum_kpa, limit)
        if not first:
            return GOING_ON
        text += f"; it goes on while the band is kept: {where} before the next exposure"
        event = ContactWeaker(vacuum_kpa, held_kpa, since_s, -60.0 * slope, 60.0 * unsure)
        return Finding(Verdict.LEAKS, text, self.leak, event)

    def silence(self, *, now: float) -> Finding:
        """The finding when no valid gauge value has come by ``now``."""
        quiet_s = now - self._valid_at
        if quiet_s <= self.limits.gauge_silence_s:
            return GOING_ON
        return Finding(
            Verdict.LOST,
            f"no valid vacuum value for {quiet_s:.2f} s (limit "
            f"{self.limits.gauge_silence_s:.2f} s); check the gauge and its wiring",
            Condition(GAUGE_SILENT, True, quiet_s, self.limits.gauge_silence_s),
        )

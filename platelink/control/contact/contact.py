"""Contact vacuum before light: pull-down, hold test and pump-off test. Pure.

Pressures are ``vacuum_kpa``, kilopascal below the local atmosphere, positive. Each stage takes one
gauge value at a time and says what it concluded; nothing here switches anything.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import CONTACT_LOST
from platelink.control.contact.finding import GOING_ON, Finding, Verdict
from platelink.control.contact.line import Line, fit
from platelink.control.contact.pulldown import NEAR, NOT_KNOWN, PullDown, Usual
from platelink.events.light import Cause


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
    false_hold_every_min: float = 1e5
    """Minutes of light in which the watch calls noise a fall once."""
    pump_off_test_s: float | None = None
    """So long the pump is off after the hold test; None: no check valve keeps the vacuum then."""
    pump_off_limit_kpa_per_min: float = 6.0
    """Steepest fall meanwhile."""
    vented_after_s: float | None = None
    """The frame is surely open to the air so long after the vacuum output went off; None: that is
    not known, and the gauge's zero is not looked at."""
    vented_kpa: float = 3.0
    """How far from 0 the gauge of a vented frame may be."""
    gauge_silence_s: float = 0.5
    """Longest time without a gauge value while contact is needed."""
    barometer_kpa: float | None = None
    """Air pressure that an absolute gauge's vacuum is told against; None: it is no absolute one."""


NOTHING_KPA = 5.0
"""Of a closed frame a pump that runs draws more, though it leaks."""
LONGEST_TESTS = 4
"""A hold test whose values are too unsteady to tell is taken together with up to so many, itself
included, in a row."""
JUDGE_S = 0.2
"""Between two looks whether the vacuum is steady."""
SHORT_LOOKS = 3
"""In a row, half a second apart, that the vacuum will not reach its band."""
PUMP_OFF_REST_S = 0.5
"""After the pump went off air in frame and hose comes to rest."""


def _lost(value_kpa: float, limit_kpa: float | None) -> Condition:
    """``limit_kpa``: what the value should have kept; None where its change was judged."""
    return Condition(CONTACT_LOST, True, value_kpa, limit_kpa)


class ContactGate:
    """Pull-down until the vacuum is in its band, then a hold test: it must be known to be steady.
    Says ``held`` or ``lost``."""

    def __init__(self, limits: ContactLimits, *, now: float, usual: Usual = NOT_KNOWN) -> None:
        """``usual``: what this unit's pull-downs come to."""
        self.limits, self.usual = limits, usual
        self.started = now
        self.pull_down_s = math.nan
        """Time to reach the band, once reached."""
        self.line: Line | None = None
        """Through the newest hold test."""
        self._best_kpa = -math.inf
        self._curve = PullDown()
        self._short = 0
        """Looks in a row that the curve ends below the band."""
        self._values: deque[tuple[float, float]] = deque()
        self._judged_at = -math.inf
        self._off_s: float | None = None
        """When the pump was switched off for its test; None: not yet, or it is over."""
        self._off_wanted = limits.pump_off_test_s is not None

    @property
    def held_kpa(self) -> list[float]:
        """Values of the hold test that has passed, oldest first."""
        line = self.line
        since = 2.0 * line.middle_s - self._values[-1][0] if line is not None else -math.inf
        return [value for t, value in self._values if t >= since - 1e-6]

    @property
    def settles_s(self) -> float:
        """Time constant of the pull-down to what the hold test found; NaN: not known."""
        return self._curve.settles_s(self.level_kpa)

    @property
    def level_kpa(self) -> float:
        """What the hold test found."""
        return self.line.mean_kpa if self.line is not None else self._best_kpa

    def deadline(self) -> float:
        """When the vacuum, if it is not held until then, has taken too long."""
        limits = self.limits
        least_s = limits.draw_down_s + limits.hold_test_s
        off_s = limits.pump_off_test_s
        more_s = LONGEST_TESTS * (off_s + limits.hold_test_s) if off_s is not None else 0.0
        return self.started + max(limits.pull_down_limit_s, least_s) + more_s

    def expired(self, *, now: float) -> Finding:
        """The finding when time passes without a vacuum that holds."""
        if now < self.deadline():
            return GOING_ON
        limits, line = self.limits, self.line
        if line is not None and self._values:
            return self._not_steady(line, now - self.started)
        best = "no gauge value" if self._best_kpa == -math.inf else f"{self._best_kpa:z.1f} kPa"
        nothing = -math.inf < self._best_kpa < NOTHING_KPA
        closed = "whether the pump runs, its hose, and whether the blanket is closed"
        where = closed if nothing else "blanket, seal and pump"
        return Finding(
            Verdict.LOST,
            f"vacuum not held after {now - self.started:.0f} s: best {best}, needed "
            f"{limits.low_kpa:.1f} kPa within {limits.pull_down_limit_s:.0f} s; check {where}",
            _lost(self._best_kpa, limits.low_kpa),
            cause=Cause.PUMP if nothing else Cause.CREEPING,
        )

    def _not_steady(self, line: Line, after_s: float) -> Finding:
        """In its band, but moving or too unsteady to tell."""
        limit = self.limits.fall_limit_kpa_per_min
        slope, unsure = 60.0 * line.slope_kpa_per_s, 60.0 * line.unsure_kpa_per_s
        begins = f"vacuum of {line.mean_kpa:.1f} kPa not held after {after_s:.0f} s: "
        cause = Cause.UNSTEADY if abs(slope) - unsure <= limit else Cause.CREEPING
        if cause is Cause.UNSTEADY:
            text = (
                f"unsteady by {line.sd_kpa:.2f} kPa, so a fall above {limit:.1f} kPa/min "
                "would not show; look for a leak or a loose hose"
            )
        elif slope < 0.0:
            text = (
                f"falls {-slope:.1f} kPa/min in the hold test, limit {limit:.1f} kPa/min; look "
                "for a leak"
            )
        else:
            text = (
                f"still rises {slope:.1f} kPa/min, limit {limit:.1f} kPa/min; look at pump and "
                "hose, or allow more time"
            )
            cause = Cause.PUMP
        return Finding(Verdict.LOST, begins + text, _lost(line.mean_kpa, None), cause=cause)

    def add(self, vacuum_kpa: float | None, *, now: float) -> Finding:
        """Take one gauge value (None: not valid)."""
        limits, values = self.limits, self._values
        if self._off_s is not None and vacuum_kpa is not None:
            values.append((now, vacuum_kpa))
            return self._pump_off(self._off_s, now)
        if vacuum_kpa is None or not limits.low_kpa <= vacuum_kpa <= limits.high_kpa:
            values.clear()
            return self._out_of_band(vacuum_kpa, now)
        self._curve.add(vacuum_kpa, now=now)
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
            if self._off_wanted:
                self._off_s = now
                values.clear()
                return Finding(Verdict.GOING_ON, pump=False)
            self.line = steady
            level_kpa = steady.mean_kpa
            unusual = self.usual.of(level_kpa, self.settles_s)
            return Finding(Verdict.HELD, f"vacuum held at {level_kpa:.1f} kPa{unusual}")
        return self.expired(now=now)

    def _out_of_band(self, vacuum_kpa: float | None, now: float) -> Finding:
        if vacuum_kpa is None:
            return self.expired(now=now)
        self._best_kpa = max(self._best_kpa, vacuum_kpa)
        limit_kpa = self.limits.high_kpa
        if vacuum_kpa > limit_kpa and now >= self.deadline():
            return Finding(
                Verdict.LOST,
                f"vacuum {vacuum_kpa:z.1f} kPa above its limit {limit_kpa:.1f} kPa; check the "
                "gauge's calibration",
                _lost(vacuum_kpa, limit_kpa),
                cause=Cause.GAUGE,
            )
        if self._curve.add(vacuum_kpa, now=now):
            self._short = self._short + 1 if self._too_little(vacuum_kpa) else 0
        return self.expired(now=now) if self._short < SHORT_LOOKS else self._will_reach(vacuum_kpa)

    def _too_little(self, vacuum_kpa: float) -> bool:
        """The pull-down ends below the band for sure, and is near its end."""
        told = self._curve.plateau()
        if told is None:
            return False
        plateau_kpa, unsure_kpa = told
        return vacuum_kpa >= NEAR * plateau_kpa and plateau_kpa + unsure_kpa < self.limits.low_kpa

    def _will_reach(self, vacuum_kpa: float) -> Finding:
        plateau_kpa, _ = self._curve.plateau() or (vacuum_kpa, 0.0)
        plateau_kpa = max(plateau_kpa, vacuum_kpa)
        known = math.isfinite(self.usual.vacuum_kpa)
        usual = f", usually it reaches {self.usual.vacuum_kpa:.1f} kPa" if known else ""
        low_kpa = self.limits.low_kpa
        return Finding(
            Verdict.LOST,
            f"vacuum is {vacuum_kpa:z.1f} kPa and will reach {plateau_kpa:.1f} kPa, needs "
            f"{low_kpa:.1f} kPa{usual}: check blanket, seal and pump, then restart",
            _lost(plateau_kpa, low_kpa),
            cause=Cause.CREEPING,
        )

    def _pump_off(self, since: float, now: float) -> Finding:
        """A frame that keeps its vacuum by a check valve shows a leak once the pump is off: while
        it runs, a constant one only makes the vacuum a little less."""
        limits = self.limits
        off_s, limit = limits.pump_off_test_s or 0.0, limits.pump_off_limit_kpa_per_min
        begun = since + PUMP_OFF_REST_S
        if now - begun < off_s:
            return GOING_ON
        line = fit([value for value in self._values if value[0] >= begun])
        fall = unsure = math.inf
        if line is not None:
            fall, unsure = -60.0 * line.slope_kpa_per_s, 60.0 * line.unsure_kpa_per_s
        if fall + unsure <= limit:
            self._off_wanted, self._off_s = False, None
            self._values.clear()  # the pump makes good what was lost: hold test anew
            return Finding(Verdict.GOING_ON, pump=True)
        if fall - unsure <= limit and now - begun < LONGEST_TESTS * off_s:
            return GOING_ON  # not known yet
        self._off_s = None
        return Finding(
            Verdict.LOST,
            f"with the pump off, the vacuum falls {fall:.1f} kPa/min, limit {limit:.1f} "
            "kPa/min: a leak hidden by the pump; check blanket, seal and hose, then restart",
            Condition(CONTACT_LOST, True, line.mean_kpa if line else None),
            cause=Cause.CREEPING,
        )

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

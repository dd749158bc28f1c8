"""Contact vacuum: pull-down, hold test, and the watch while light is on. Pure.

Pressures are ``vacuum_kpa``, kilopascal below the local atmosphere, positive. Each stage takes one
gauge value at a time and says what it concluded; nothing here switches anything.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from platelink.control.alarm_states import Condition


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
    """Steepest fall during the hold test."""
    debounce_s: float = 0.3
    """How long the vacuum may be out of its band before the watch calls it lost."""
    cusum_slack_kpa: float = 0.5
    """Reference value k of the one-sided CUSUM."""
    cusum_limit_kpa: float = 4.0
    """Decision interval h of the one-sided CUSUM."""
    gauge_silence_s: float = 0.5
    """Longest time without a gauge value while contact is needed."""


LEVEL_WEIGHT = 0.05
"""Of one gauge value in the running level: about a second at the usual 20 values a second."""


class Verdict(StrEnum):
    """What a stage concluded from the values so far."""

    GOING_ON = "going on"
    HELD = "held"
    LOST = "lost"


@dataclass(frozen=True, slots=True)
class Finding:
    """A verdict with the numbers behind it; ``text`` says what was measured and the limit."""

    verdict: Verdict
    text: str = ""
    trouble: Condition | None = None
    """What a contact that is lost says to its alarm."""


GOING_ON = Finding(Verdict.GOING_ON)


def _lost(value_kpa: float, limit_kpa: float | None) -> Condition:
    """``limit_kpa``: what the value should have kept; None where its change was judged."""
    return Condition("contact lost", True, value_kpa, limit_kpa)


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
    """Pull-down until the vacuum is in its band, then a hold test; says ``held`` or ``lost``."""

    def __init__(self, limits: ContactLimits, *, now: float) -> None:
        self.limits = limits
        self.started = now
        self.pull_down_s = math.nan
        """Time to reach the band, once reached."""
        self.fall_kpa_per_min = math.nan
        self.mean_kpa = math.nan
        self.sd_kpa = math.nan
        self._best_kpa = -math.inf
        self._values: list[tuple[float, float]] = []

    @property
    def stage(self) -> str:
        """'pull-down' or 'hold test'."""
        return "hold test" if self._values else "pull-down"

    def deadline(self) -> float:
        """When the pull-down, if it is still going on, has taken too long."""
        return self.started + self.limits.pull_down_limit_s

    def expired(self, *, now: float) -> Finding:
        """The finding when time passes without a value in the band."""
        if now < self.deadline():
            return GOING_ON
        best = "no gauge value" if self._best_kpa == -math.inf else f"{self._best_kpa:.1f} kPa"
        return Finding(
            Verdict.LOST,
            f"vacuum not held after {now - self.started:.0f} s: best {best}, needed "
            f"{self.limits.low_kpa:.1f} kPa within {self.limits.pull_down_limit_s:.0f} s; check "
            "blanket, seal and pump",
            _lost(self._best_kpa, self.limits.low_kpa),
        )

    def add(self, vacuum_kpa: float | None, *, now: float) -> Finding:
        """Take one gauge value (None: not valid)."""
        limits = self.limits
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
            self._values.clear()
            return self.expired(now=now)
        self._best_kpa = max(self._best_kpa, vacuum_kpa)
        if not self._values:
            self.pull_down_s = now - self.started
        self._values.append((now, vacuum_kpa))
        if now - self._values[0][0] < limits.hold_test_s:
            return self.expired(now=now)
        return self._judge(now=now)

    def _judge(self, *, now: float) -> Finding:
        """Straight line through the hold test: steady enough to open?"""
        n = len(self._values)
        mean_t = sum(t for t, _ in self._values) / n
        mean = sum(p for _, p in self._values) / n
        stt = sum((t - mean_t) ** 2 for t, _ in self._values)
        stp = sum((t - mean_t) * (p - mean) for t, p in self._values)
        slope = stp / stt if stt > 0.0 else 0.0
        residual = sum((p - mean - slope * (t - mean_t)) ** 2 for t, p in self._values)
        self.mean_kpa = mean
        self.fall_kpa_per_min = -60.0 * slope
        self.sd_kpa = math.sqrt(residual / max(1, n - 2))
        if self.fall_kpa_per_min <= self.limits.fall_limit_kpa_per_min:
            return Finding(Verdict.HELD, f"vacuum held at {mean:.1f} kPa")
        expired = self.expired(now=now)
        if expired.verdict is Verdict.LOST:
            return Finding(
                Verdict.LOST,
                f"vacuum falls {self.fall_kpa_per_min:.1f} kPa/min in the hold test, limit "
                f"{self.limits.fall_limit_kpa_per_min:.1f} kPa/min; look for a leak",
                _lost(mean, None),
            )
        del self._values[: max(1, n // 4)]  # slide on: the fall may be the pump settling
        return GOING_ON


class ContactWatch:
    """Watches the vacuum while contact is needed: band with debounce, silent gauge, slow fall."""

    def __init__(self, limits: ContactLimits, *, level_kpa: float, now: float) -> None:
        """``level_kpa`` is the mean of the hold test."""
        self.limits = limits
        self.cusum = FallingCusum(level_kpa, limits.cusum_slack_kpa, limits.cusum_limit_kpa)
        self._mean_kpa = level_kpa
        self._outside_since: float | None = None
        self._valid_at = now

    def add(self, vacuum_kpa: float | None, *, now: float) -> Finding:
        """Take one gauge value (None: not valid)."""
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
        # One odd value of the gauge must not hold an exposure: five in a row are needed at least.
        floor_kpa = self.cusum.target - limits.cusum_slack_kpa - limits.cusum_limit_kpa / 5.0
        if self.cusum.add(max(vacuum_kpa, floor_kpa)):
            return Finding(
                Verdict.LOST,
                f"vacuum drifts down: {vacuum_kpa:.1f} kPa from {self.cusum.target:.1f} kPa "
                f"(CUSUM {self.cusum.sum:.1f} kPa, limit {limits.cusum_limit_kpa:.1f} kPa); "
                "look for a leak, then restart",
                _lost(vacuum_kpa, self.cusum.target - limits.cusum_slack_kpa),
            )
        return GOING_ON

    def silence(self, *, now: float) -> Finding:
        """The finding when no valid gauge value has come by ``now``."""
        quiet_s = now - self._valid_at
        if quiet_s <= self.limits.gauge_silence_s:
            return GOING_ON
        return Finding(
            Verdict.LOST,
            f"no valid vacuum value for {quiet_s:.2f} s (limit "
            f"{self.limits.gauge_silence_s:.2f} s); check the gauge and its wiring",
            Condition("gauge silent", True, quiet_s, self.limits.gauge_silence_s),
        )

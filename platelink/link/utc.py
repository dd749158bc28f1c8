"""Host monotonic seconds to UTC milliseconds, and steps of the computer's clock. Pure."""

from __future__ import annotations

from dataclasses import dataclass

STEP_MS = 100
"""Difference that counts as a step: far above the time between two readings of the clocks, far
below any step a person or a time service makes. Smaller ones are slewed by the system."""


@dataclass(frozen=True, slots=True)
class ClockStepped:
    """The computer's clock was set. Positive: forward."""

    step_ms: int
    t: float

    def __str__(self) -> str:
        return (
            f"the computer's clock was set by {self.step_ms / 1000:+.3f} s "
            f"(limit {STEP_MS / 1000:.1f} s); times in this run keep to the old clock"
        )


class UtcAnchor:
    """A pair of readings taken together; one anchor serves one run, so that a step of the clock
    changes no duration in it."""

    def __init__(self, t: float, at_utc_ms: int) -> None:
        self._t, self._at_utc_ms = t, at_utc_ms
        self._stepped_ms = 0
        self._last_ms: int | None = None

    def at_ms(self, t: float) -> int:
        """UTC milliseconds of a host time, on this anchor."""
        return self._at_utc_ms + round((t - self._t) * 1000.0)

    def stamp_ms(self, t: float) -> int:
        """As ``at_ms``, but at least 1 ms after the stamp before: one series, strictly rising."""
        ms = self.at_ms(t)
        if self._last_ms is not None and ms <= self._last_ms:
            ms = self._last_ms + 1
        self._last_ms = ms
        return ms

    def observe(self, at_utc_ms: int, *, now: float) -> ClockStepped | None:
        """Compare with a new pair of readings; reports each step once."""
        step_ms = at_utc_ms - self.at_ms(now) - self._stepped_ms
        if abs(step_ms) < STEP_MS:
            return None
        self._stepped_ms += step_ms
        return ClockStepped(step_ms, now)

"""When an input came, by both clocks. Data only."""

from __future__ import annotations

from typing import NamedTuple


class Stamp(NamedTuple):
    """One look at the clocks; every input of the core has one."""

    now: float
    """Host monotonic seconds: deadlines."""
    utc_ms: int
    """UTC in milliseconds: people and records."""

    @property
    def ahead_ms(self) -> int:
        """The second clock ahead of the first."""
        return self.utc_ms - round(1000.0 * self.now)

    def utc_ms_at(self, t_s: float) -> int:
        """UTC in milliseconds of a host time."""
        return self.utc_ms - round(1000.0 * (self.now - t_s))

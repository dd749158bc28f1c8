"""The shell's clock: the one place where the daemon reads time."""

from __future__ import annotations

import secrets
import time
from datetime import UTC, datetime
from pathlib import Path

from platelink.unit.stamp import Stamp

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class Clock:
    """Host monotonic seconds and UTC. ``speed`` above 1 serves simulated units that run faster
    than real time: every duration the core sees is then in the unit's time."""

    def __init__(self, speed: float = 1.0) -> None:
        self.speed = speed
        self._started = time.monotonic()
        self._started_ms = time.time_ns() // 1_000_000

    def now(self) -> float:
        """Monotonic seconds, in the unit's time."""
        elapsed = time.monotonic() - self._started
        return round(self._started + elapsed * self.speed, 6)  # so a tape holds it in few bytes

    def utc_ms(self) -> int:
        """UTC in milliseconds. At life's speed this follows the computer's clock and its steps."""
        if self.speed == 1.0:
            return time.time_ns() // 1_000_000
        return self._started_ms + round((self.now() - self._started) * 1000.0)

    def stamp(self) -> Stamp:
        """Both, for an input of the core."""
        return Stamp(self.now(), self.utc_ms())

    def real_s(self, seconds: float) -> float:
        """Real seconds that so many of the unit's seconds last."""
        return seconds / self.speed


def boot_id() -> str:
    """Another after each start of this computer; empty where the system does not tell."""
    try:
        return _BOOT_ID.read_text("ascii").strip()
    except OSError:
        return ""


def new_run_id() -> str:
    """Sorts by time, reads aloud, and is not met twice."""
    return f"{datetime.now(UTC):%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"

"""How late the control loop is: a timer that asks every 5 ms, and how long after it is answered.

Whatever keeps the loop, be it a request, a write or a collection of garbage, makes this timer late
by as much as it would make a sample of the device late.
"""

from __future__ import annotations

import asyncio
import json
import time
from array import array
from pathlib import Path

EVERY_S = 0.005


class LagMeter:
    """Notes each lateness until ``write``; 3,200 bytes a second."""

    def __init__(self) -> None:
        self._due = 0.0
        self._at_s = array("d")
        self._late_s = array("d")
        self._timer: asyncio.TimerHandle | None = None

    def start(self) -> None:
        """Begin, in the loop that is to be measured."""
        self._due = asyncio.get_running_loop().time()
        self._next()

    def _next(self) -> None:
        loop = asyncio.get_running_loop()
        now = loop.time()
        self._at_s.append(now)
        self._late_s.append(now - self._due)
        # The next one is counted from now: one long delay is told once, in its whole length.
        self._due = now + EVERY_S
        self._timer = loop.call_at(self._due, self._next)

    def write(self, path: Path) -> None:
        """End, and write what was noted: seconds of this computer's monotonic clock, and lateness.

        ``cpu_s`` is the processor time of this process so far."""
        if self._timer is not None:
            self._timer.cancel()
        noted = {
            "every_s": EVERY_S,
            "at_s": self._at_s.tolist(),
            "late_s": self._late_s.tolist(),
            "cpu_s": time.process_time(),
        }
        path.write_text(json.dumps(noted), encoding="utf-8")

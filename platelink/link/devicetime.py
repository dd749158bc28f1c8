"""The device's counter of one boot: unwrapped, checked for sense, mapped to host time. Pure."""

from __future__ import annotations

from platelink.link.clockmap import ClockMap, unwrap

MAX_AHEAD_S = 5.0
"""A device counter further ahead of the host's clock is not believed: one of them restarted, or
the computer slept."""
STALE_LIMIT = 3
"""Samples in a row older than the newest: no duplicates any more, the counter restarted."""


class DeviceTime:
    """Newest tick of the device and when it came."""

    def __init__(self) -> None:
        self.clock = ClockMap(1000.0)
        self.ticks = 0
        self.at = 0.0
        self.stale = 0
        self.clock_resets = 0
        self._stale_run = 0
        self._least_step = 1
        self._t = float("-inf")

    def start(self, tick: int, tick_hz: int, now: float) -> None:
        """The device started: its counter began anew."""
        self.clock = ClockMap(float(tick_hz))
        self.clock.add(tick, now)
        self.ticks, self.at = tick, now
        self._stale_run, self._least_step, self._t = 0, 0, float("-inf")

    def resume(self, tick: int, now: float) -> None:
        """The same boot as before: go on counting, unless one of the clocks did not run."""
        elapsed = (now - self.at) * self.clock.nominal_hz
        ticks = unwrap(tick, self.ticks + round(elapsed))
        self._stale_run = 0
        if ticks <= self.ticks:
            return  # a late duplicate
        if abs(ticks - self.ticks - elapsed) > MAX_AHEAD_S * self.clock.nominal_hz:
            self.clock_resets += 1
            self.clock.reset()
        self.ticks, self.at = ticks, now
        self._least_step = 0  # a Sample may carry the very tick of the hello
        self.clock.add(ticks, now)

    def sample(self, tick: int, now: float) -> float | None:
        """Host time of a Sample's tick, which becomes ``ticks``. None: it is not newer than the
        last, or too new to be true."""
        clock = self.clock
        step = (tick - self.ticks) & 0xFFFF_FFFF
        if not self._least_step <= step <= (now - self.at + MAX_AHEAD_S) * clock.nominal_hz:
            self._odd(step)
            return None
        self.ticks = ticks = self.ticks + step
        self.at = now
        self._stale_run, self._least_step = 0, 1
        clock.add(ticks, now)
        t = clock.t_of(ticks)
        if t < self._t:
            return self._t
        self._t = t
        return t

    @property
    def restarted(self) -> bool:
        """The odd ticks are no mere duplicates: ask the device who it is."""
        return self._stale_run >= STALE_LIMIT

    def unwrap(self, tick: int) -> int:
        """A tick of this boot, near the newest one."""
        return unwrap(tick, self.ticks)

    def _odd(self, step: int) -> None:
        self.stale += 1
        late = step == 0 or step > 0xFFFF_FFFF - MAX_AHEAD_S * self.clock.nominal_hz
        self._stale_run += 1 if late else STALE_LIMIT

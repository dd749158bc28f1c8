"""The device's counter of one boot: unwrapped, checked for sense, mapped to host time. Pure.

A channel of light counts once each tick (PROTOCOL.md, Samples), so the counts tell the step of the
tick a second time. A tick that they deny is not taken; one that stays as far off has jumped, and
from then on the ticks are counted on as if it had not.
"""

from __future__ import annotations

from typing import NamedTuple

from platelink.link.clockmap import ClockMap, unwrap
from platelink.link.messages import Sample

MAX_AHEAD_S = 5.0
"""A device counter further ahead of the host's clock is not believed: one of them restarted, or
the computer slept."""
STALE_LIMIT = 3
"""Samples in a row older than the newest: no duplicates any more, the counter restarted."""
JUMP_LIMIT = 3
"""Samples in a row whose tick is as far off their counts: no flipped bit any more."""
_MASK32, _HALF = 0xFFFF_FFFF, 0x8000_0000


class _Taken(NamedTuple):
    """The newest sample that was taken."""

    ticks: int
    counts: tuple[int, ...]
    at: float


class DeviceTime:
    """Newest tick of the device and when it came."""

    def __init__(self) -> None:
        self.clock = ClockMap(1000.0)
        self.ticks = 0
        self.at = 0.0
        self.stale = 0
        self.clock_resets = 0
        self.jumped = 0
        """How far the newest sample's tick has jumped; 0: it has not."""
        self.jumps = self._ahead = 0
        self._taken: _Taken | None = None
        self._off = self._off_run = self._odd_run = 0
        self._stale_run = 0
        self._least_step = 1
        self._t = float("-inf")

    def start(self, tick: int, tick_hz: int, now: float) -> None:
        """The device started: its counter began anew."""
        self.clock = ClockMap(float(tick_hz))
        self.clock.add(tick, now)
        self.ticks, self.at = tick, now
        self._ahead, self._taken = 0, None
        self._stale_run, self._least_step, self._t = 0, 0, float("-inf")

    def resume(self, tick: int, now: float) -> None:
        """The same boot as before: go on counting, unless one of the clocks did not run."""
        elapsed = (now - self.at) * self.clock.nominal_hz
        ticks = unwrap(tick - self._ahead, self.ticks + round(elapsed))
        self._stale_run = 0
        if ticks <= self.ticks:
            return  # a late duplicate
        if abs(ticks - self.ticks - elapsed) > MAX_AHEAD_S * self.clock.nominal_hz:
            self.clock_resets += 1
            self.clock.reset()
        self.ticks, self.at = ticks, now
        self._least_step = 0  # a Sample may carry the very tick of the hello
        self.clock.add(ticks, now)

    def sample(self, sample: Sample, now: float) -> float | None:
        """Host time of a Sample's tick, which becomes ``ticks``. None: it is not newer than the
        last, or too new to be true, or its counts deny it."""
        clock = self.clock
        if not self._agrees(sample, now):
            self.stale += 1
            return None
        step = (sample.tick - self._ahead - self.ticks) & _MASK32
        if not self._least_step <= step <= (now - self.at + MAX_AHEAD_S) * clock.nominal_hz:
            self._odd(step)
            return None
        self.ticks = ticks = self.ticks + step
        self.at = now
        self._taken = _Taken(ticks, sample.light_count, now)
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
        return unwrap(tick - self._ahead, self.ticks)

    def _agrees(self, sample: Sample, now: float) -> bool:
        """The counts say the same as the tick, or nothing that can be; else it may have jumped."""
        self.jumped = 0
        last = self._taken
        if last is None:
            return True
        step = (sample.tick - self._ahead - last.ticks) & _MASK32
        if step and (sample.light_count[0] - last.counts[0]) & _MASK32 == step:  # as nearly always
            self._off_run = self._odd_run = 0
            return True
        pairs = zip(last.counts, sample.light_count, strict=True)
        grown = {(count - before) & _MASK32 for before, count in pairs} - {0}
        most = (now - last.at + MAX_AHEAD_S) * self.clock.nominal_hz
        if step in grown or len(grown) != 1 or max(grown) > most:
            self._off_run = self._odd_run = 0
            return True
        off = (step - max(grown) + _HALF & _MASK32) - _HALF
        self._odd_run += 1
        self._off_run = self._off_run + 1 if off == self._off else 1
        self._off = off
        if self._off_run >= JUMP_LIMIT:
            self._rebase(off, last)
        elif self._odd_run <= JUMP_LIMIT:
            return False
        self._off_run = 0  # counts that make no sense deny nothing
        return True

    def _rebase(self, off: int, last: _Taken) -> None:
        """The tick is ahead by as much from now on."""
        self.jumped = off
        self.jumps += 1
        self._ahead += off
        if self.ticks != last.ticks:  # a hello has told of the tick as it is now
            self.clock.reset()
        self.ticks, self.at = last.ticks, last.at
        self._odd_run = 0

    def _odd(self, step: int) -> None:
        self.stale += 1
        late = step == 0 or step > _MASK32 - MAX_AHEAD_S * self.clock.nominal_hz
        self._stale_run += 1 if late else STALE_LIMIT

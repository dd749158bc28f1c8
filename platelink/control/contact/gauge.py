"""What this unit's vacuum gauge has shown of its own noise, and whether it stands still. Pure.

Every gauge value is the mean of one message's conversions. A gauge with noise gives two alike
values in a row only by chance; how often is learned here, from calm values while nothing was wrong.
Such a gauge that gives the same value again and again is frozen as soon as chance for it is below
``CHANCE``. A gauge whose noise has not been seen, as one with a coarse converter, is never judged.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace
from itertools import pairwise

from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import CONTACT_LOST, GAUGE_OFF_ZERO, GAUGE_STUCK
from platelink.control.contact.contact import ContactLimits
from platelink.control.contact.finding import Finding, Verdict
from platelink.control.contact.line import LEAST_VALUES
from platelink.control.contact.past import ContactPast
from platelink.events.light import Cause

CHANCE = 1e-8
"""Below it alike values are no chance any more: at worst one false call in 10^8 values, 58 days of
light without a pause."""
LEAST_SHARE = 0.15
"""Of alike neighbours, at least: where a level lies within one step of the converter changes how
often the means of 50 conversions agree: with 0.3 steps rms, the least that is taken for noise,
0.13 at worst."""
GROUP = 20
"""Values that are judged together: calm and noisy, or quiet, or neither."""
NOISY_SPAN = 2
"""Converter steps between lowest and highest conversion of one message. With this in nearly all of
them there is noise wherever in its step a level lies; with less it may vanish in the middle."""
NOISY_SHARE = 0.9
LEAST_TURNS = 5
"""Noise goes up and down 12 times in a group on average, pressure goes one way."""
ENOUGH_GROUPS = 2
VENTED_VALUES = 5
"""Of a vented frame, one second of them while nothing is exposed: their median counts."""
UNSEEN_S = 2.0
"""After so long without a value nobody knows what the vacuum output did."""
CLUMPED_FROM = 20
"""Alike neighbours from which on it is looked whether they come together."""


class GaugeNature:
    """See the file's first lines. One a unit; it takes every value, with or without an exposure."""

    def __init__(self, frame_s: float = 0.05, stale_s: float | None = None) -> None:
        """``frame_s``: between two values in the light. ``stale_s``: of an instrument on the bus,
        how old its value may be; None: it is the device's own gauge."""
        self.past = ContactPast(frame_s, held=stale_s is not None)
        self._stale_s = stale_s
        self._noisy = {True: 0, False: 0}
        """Groups with noise, with the pump on and with it off."""
        self._quiet_at_rest = False
        """With the pump off a whole group was alike: what moves it may be the pump's beat."""
        self._neighbours = self._alike = self._clumped = 0
        self._group: list[tuple[float, int]] = []
        self._group_pumping = False
        self._last_kpa = math.nan
        self._same = 0
        self._since = 0.0
        self._now = 0.0
        self._off_since: float | None = None
        self._at_rest: deque[tuple[float, float]] = deque(maxlen=VENTED_VALUES)

    @property
    def known(self) -> bool:
        """Its noise has been seen. What a pump's beat may have made counts for nothing where the
        gauge was quiet while the pump was off."""
        at_rest, pumping = self._noisy[False], self._noisy[True]
        if at_rest >= ENOUGH_GROUPS:
            return True
        return not self._quiet_at_rest and at_rest + pumping >= ENOUGH_GROUPS

    @property
    def alike_share(self) -> float:
        """Chance that a value is like the one before it, as this gauge has shown."""
        share = (self._alike + 1.0) / (self._neighbours + 2.0)
        if self._alike >= CLUMPED_FROM:
            share = max(share, (self._clumped + 1.0) / (self._alike + 2.0))
        return max(LEAST_SHARE, share)

    def fitted(self, limits: ContactLimits | None) -> ContactLimits | None:
        """Limits as they can be kept with this gauge: an instrument on the bus is silent once its
        value is stale, and a hold test has values enough for a line."""
        if limits is None or self._stale_s is None:
            return limits
        return replace(
            limits,
            gauge_silence_s=max(limits.gauge_silence_s, self._stale_s),
            hold_test_s=max(limits.hold_test_s, LEAST_VALUES * self.past.frame_s),
        )

    def add(self, vacuum_kpa: float | None, span: int, *, pumping: bool, now: float) -> None:
        """Take one value with its message's span in steps of the converter; ``now`` is when it was
        measured, ``pumping`` whether the vacuum output is on. An instrument on the bus tells no
        span: one whose values are nearly never alike has noise of several steps."""
        if self._stale_s is not None:
            span = 0 if vacuum_kpa == self._last_kpa else NOISY_SPAN
        self._rest(vacuum_kpa, pumping, now)
        if vacuum_kpa is None:
            self._same, self._last_kpa = 0, math.nan
            self._group.clear()
            return
        if vacuum_kpa != self._last_kpa:
            self._same, self._since, self._last_kpa = 0, now, vacuum_kpa
        self._same += 1
        self._now = now
        if pumping != self._group_pumping:
            self._group.clear()
            self._group_pumping = pumping
        self._group.append((vacuum_kpa, span))
        if len(self._group) == GROUP:
            self._learn(pumping)
            self._group.clear()

    def _rest(self, vacuum_kpa: float | None, pumping: bool, now: float) -> None:
        if pumping or (self._at_rest and now - self._at_rest[-1][0] > UNSEEN_S):
            self._off_since = None
            self._at_rest.clear()
        if vacuum_kpa is not None and not pumping:
            self._off_since = now if self._off_since is None else self._off_since
            self._at_rest.append((now, vacuum_kpa))

    def vented_kpa(self, after_s: float, *, now: float) -> float | None:
        """What the gauge shows of a frame that is open to the air ``after_s`` after the vacuum
        output went off; None where that was not so, or was not seen."""
        since, values = self._off_since, self._at_rest
        if since is None or len(values) < VENTED_VALUES or now - values[-1][0] > UNSEEN_S:
            return None
        middle_kpa = sorted(value for _, value in values)[VENTED_VALUES // 2]
        return middle_kpa if values[0][0] >= since + after_s else None

    def _learn(self, pumping: bool) -> None:
        values = [value for value, _ in self._group]
        steps = [b - a for a, b in pairwise(values)]
        turns = sum(a * b < 0.0 for a, b in pairwise(step for step in steps if step))
        noisy = sum(span >= NOISY_SPAN for _, span in self._group)
        if noisy >= NOISY_SHARE * GROUP and turns >= LEAST_TURNS:
            self._noisy[pumping] += 1
            self._neighbours += len(steps)
            self._alike += sum(step == 0.0 for step in steps)
            self._clumped += sum(a == b == 0.0 for a, b in pairwise(steps))
        elif not any(steps) and not pumping:
            self._quiet_at_rest = True

    def finding(self) -> Finding | None:
        """What is to be said of a gauge that stands still; None while it does not, or while its
        noise is not known."""
        if not self.known or self._same < 2:
            return None
        if (self._same - 1) * math.log(self.alike_share) >= math.log(CHANCE):
            return None
        return Finding(
            Verdict.LOST,
            f"the vacuum gauge is stuck at {self._last_kpa:.2f} kPa, {self._same} values in "
            f"{self._now - self._since:.1f} s without change: contact is not known; check "
            "gauge, hose and wiring, then restart",
            Condition(GAUGE_STUCK, True, self._last_kpa),
            cause=Cause.GAUGE,
        )


def off_zero(vented_kpa: float, limit_kpa: float) -> Finding | None:
    """What is to be said of a gauge that shows this of a vented frame; None where it is right."""
    if abs(vented_kpa) <= limit_kpa:
        return None
    return Finding(
        Verdict.LOST,
        f"the vacuum gauge shows {vented_kpa:z.1f} kPa with the frame open, it must be within "
        f"{limit_kpa:.1f} kPa of 0; check gauge, hose and calibration, then restart",
        Condition(GAUGE_OFF_ZERO, True, vented_kpa, math.copysign(limit_kpa, vented_kpa)),
        cause=Cause.GAUGE,
    )


def unreachable(vented_kpa: float, limits: ContactLimits) -> Finding | None:
    """An absolute gauge shows today's air pressure of a vented frame: what is to be said where the
    vacuum that is asked for is more; None where it can be reached."""
    if limits.barometer_kpa is None:
        return None
    air_kpa = limits.barometer_kpa - vented_kpa
    if limits.low_kpa < air_kpa:
        return None
    return Finding(
        Verdict.LOST,
        f"the air pressure is {air_kpa:.1f} kPa today, no pump reaches a vacuum of "
        f"{limits.low_kpa:.1f} kPa: use a lower limit, then start again",
        Condition(CONTACT_LOST, True, air_kpa, limits.low_kpa),
        cause=Cause.GAUGE,
    )

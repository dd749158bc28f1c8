"""What must hold before light, and what goes on being watched while it is on. Pure.

Contact vacuum (gate, then watch), the dark reading of the light sensors, interlock, stop button
and the device's clock: light waits until nothing is missing.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace
from itertools import pairwise

from platelink.control.alarm.states import Condition
from platelink.control.contact.contact import ContactGate, ContactLimits
from platelink.control.contact.finding import GOING_ON, Finding, Verdict
from platelink.control.contact.gauge import GaugeNature, off_zero, unreachable
from platelink.control.contact.watch import ContactWatch
from platelink.control.light.dose import Point, mean_counts
from platelink.events.light import ContactHeld
from platelink.link import messages as m
from platelink.sensing.readings import Reading

DARK_READING_S = 1.0
"""A thousand samples: the mean is good to a few hundredths of a count."""
STEADY_COUNTS = 2.0
"""Between the parts of a dark reading: noise and a warmer head move them by less."""
PARTS = 4
"""Of a dark reading: what came and went in the middle of it is seen in one of them."""
DARK_REST_S = 1.0
"""Time after the lamp was last on before a dark reading may begin: after-glow is over."""
CLOCK_LIMIT = 5e-4
"""Worst relative uncertainty of the device's tick with which light may begin: half of what a dose
may be off."""

_CLOSED, _RELEASED = int(m.Input.INTERLOCK_CLOSED), int(m.Input.STOP_RELEASED)


class DarkReading:
    """Mean counts of the last second of darkness."""

    def __init__(self) -> None:
        self._points: deque[Point] = deque()

    def begin(self) -> None:
        """Anew."""
        self._points.clear()

    def add(self, point: Point) -> None:
        """Take a point in the dark."""
        points = self._points
        points.append(point)
        while len(points) > 2 and _between_s(points[1], point) >= DARK_READING_S:
            points.popleft()

    def counts(self) -> list[float] | None:
        """Of each channel; None before the reading is long enough, and while it is not the same
        dark all the time."""
        points = self._points
        if not points or _between_s(points[0], points[-1]) < DARK_READING_S:
            return None
        last, parts = len(points) - 1, min(PARTS, len(points) - 1)
        ends = [points[last * part // parts] for part in range(parts + 1)]
        means = [mean_counts(start, end) for start, end in pairwise(ends)]
        whole = [mean for mean in means if mean is not None]
        if len(whole) < parts:
            return None
        steady = all(max(one) - min(one) <= STEADY_COUNTS for one in zip(*whole, strict=True))
        return mean_counts(points[0], points[-1]) if steady else None


def _between_s(start: Point, end: Point) -> float:
    return (end.ticks - start.ticks) * end.tick_s


class Readiness:
    """One per exposure; ``begin`` starts a new gate at the start and at every restart."""

    def __init__(self, contact: ContactLimits | None, gauge: GaugeNature) -> None:
        self._limits = gauge.fitted(contact)
        self._gauge, self._past = gauge, gauge.past
        self._gate: ContactGate | None = None
        self._watch: ContactWatch | None = None
        self._vented_kpa: float | None = None
        self._dark = DarkReading()
        self._dark_after = 0
        self.recorded = True
        """Nothing waits to be written: what is ordered now, a crash cannot make forgotten."""

    def begin(self, *, now: float) -> None:
        """Pull down, test and read the dark anew: what was there before may be gone."""
        self._watch = None
        self._dark.begin()
        limits, self._vented_kpa = self._limits, None
        self._gate = ContactGate(limits, now=now, usual=self._past.usual) if limits else None
        if limits is not None and limits.vented_after_s is not None:
            self._vented_kpa = self._gauge.vented_kpa(limits.vented_after_s, now=now)

    def device_restarted(self) -> None:
        """Ticks and sums began again at zero."""
        self._dark.begin()
        self._dark_after = 0

    def deadline(self) -> float | None:
        """When the pull-down will have taken too long."""
        pulling = self._gate is not None and self._watch is None
        return self._gate.deadline() if pulling and self._gate else None

    def expired(self, *, now: float) -> Finding:
        """The gate's finding when only time has passed."""
        return (
            GOING_ON if self.deadline() is None or not self._gate else self._gate.expired(now=now)
        )

    def contact(self, reading: Reading, left_s: float, *, now: float) -> Finding:
        """Take one gauge value into the gate or, once contact was held, into the watch; ``left_s``
        until the light ends."""
        gate, watch, vacuum_kpa = self._gate, self._watch, reading.vacuum_kpa
        if gate is None or not reading.vacuum_fresh:
            return self.expired(now=now)
        limits = gate.limits
        if watch is None and (vented_kpa := self._vented_kpa) is not None:
            wrong = off_zero(vented_kpa, limits.vented_kpa) or unreachable(vented_kpa, limits)
            if wrong is not None:
                return wrong
            if limits.barometer_kpa is not None and vacuum_kpa is not None:
                vacuum_kpa -= vented_kpa  # against the air of today
        if (frozen := self._gauge.finding()) is not None:
            return frozen
        if watch is not None:
            self._past.add(vacuum_kpa, now=now)
            finding = watch.add(vacuum_kpa, now=now, left_s=left_s)
            if finding.verdict is not Verdict.GOING_ON:
                self._past.spoilt()
            return finding
        finding = gate.add(vacuum_kpa, now=now)
        if finding.verdict is Verdict.HELD:
            self._past.held(gate.level_kpa, gate.settles_s)
            model = self._past.model(1.0 / limits.false_hold_every_min)
            self._watch = ContactWatch(
                limits, model, gate.held_kpa, now=now, settles_s=gate.settles_s
            )  # fmt: skip
            return replace(finding, event=self._contact_held())
        return finding

    @property
    def leak(self) -> Condition | None:
        """Of a contact that is not as it was, and no reason to hold."""
        return self._watch.leak if self._watch is not None else None

    def _contact_held(self) -> ContactHeld:
        """Numbers of the last hold test."""
        gate = self._gate
        assert gate is not None and gate.line is not None
        line = gate.line
        fall, unsure = -60.0 * line.slope_kpa_per_s, 60.0 * line.unsure_kpa_per_s
        settles_s = gate.settles_s if math.isfinite(gate.settles_s) else None
        return ContactHeld(
            line.mean_kpa, gate.pull_down_s, fall, line.sd_kpa, unsure, self._vented_kpa, settles_s
        )

    def dark(self, sample: m.Sample, point: Point, *, lit: bool) -> None:
        """The dark reading begins a rest after the lamp was last on, under a closed lid."""
        if lit or sample.outputs & m.LAMP_BIT:
            self._dark.begin()
            self._dark_after = point.ticks + round(DARK_REST_S / point.tick_s)
        elif not (sample.inputs & _CLOSED and point.whole):
            self._dark.begin()
        elif point.ticks >= self._dark_after:
            self._dark.add(point)

    def dark_counts(self) -> list[float] | None:
        """Mean dark counts of each channel; None before the reading is long enough."""
        return self._dark.counts()

    def missing(self, sample: m.Sample, tick_uncertainty: float) -> tuple[str, ...]:
        """What light still waits for; empty when it may begin."""
        wants = {
            "contact vacuum": self.deadline() is not None,
            "dark reading": self.dark_counts() is None,
            "interlock": not sample.inputs & _CLOSED,
            "stop button": not sample.inputs & _RELEASED,
            "device clock": tick_uncertainty > CLOCK_LIMIT,
            "record": not self.recorded,
        }
        return tuple(name for name, wanted in wants.items() if wanted)

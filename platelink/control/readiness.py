"""What must hold before light, and what goes on being watched while it is on. Pure.

Contact vacuum (gate, then watch), the dark reading of the light sensors, interlock, stop button
and the device's clock: light waits until nothing is missing.
"""

from __future__ import annotations

from platelink.control.contact import (
    GOING_ON,
    ContactGate,
    ContactLimits,
    ContactWatch,
    Finding,
    Verdict,
)
from platelink.control.dose import Point, mean_counts
from platelink.control.states import Plain
from platelink.link import messages as m
from platelink.sensing.readings import Reading

DARK_READING_S = 1.0
"""A thousand samples: the mean is good to a few hundredths of a count."""
DARK_REST_S = 1.0
"""Time after the lamp was last on before a dark reading may begin: after-glow is over."""
CLOCK_LIMIT = 5e-4
"""Worst relative uncertainty of the device's tick with which light may begin: half of what a dose
may be off."""

_CLOSED, _RELEASED = int(m.Input.INTERLOCK_CLOSED), int(m.Input.STOP_RELEASED)


class Readiness:
    """One per exposure; ``begin`` starts a new gate at the start and at every restart."""

    def __init__(self, contact: ContactLimits | None) -> None:
        self._limits = contact
        self._gate: ContactGate | None = None
        self._watch: ContactWatch | None = None
        self._dark_from: Point | None = None
        self._dark_after = 0

    def begin(self, *, now: float) -> None:
        """Pull down and test anew; a dark reading already running goes on."""
        self._watch = None
        self._gate = ContactGate(self._limits, now=now) if self._limits else None

    def device_restarted(self) -> None:
        """Ticks and sums began again at zero."""
        self._dark_from = None
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

    def contact(self, reading: Reading, *, now: float) -> Finding:
        """Take one gauge value into the gate or, once contact was held, into the watch."""
        if self._gate is None:
            return GOING_ON
        if self._watch is not None:
            return self._watch.add(reading.vacuum_kpa, now=now)
        finding = self._gate.add(reading.vacuum_kpa, now=now)
        if finding.verdict is Verdict.HELD:
            self._watch = ContactWatch(self._gate.limits, level_kpa=self._gate.mean_kpa, now=now)
        return finding

    def contact_data(self) -> dict[str, Plain]:
        """Numbers of the last hold test."""
        gate = self._gate
        if gate is None:
            return {}
        return {
            "vacuum_kpa": gate.mean_kpa,
            "pull_down_s": gate.pull_down_s,
            "fall_kpa_per_min": gate.fall_kpa_per_min,
            "sd_kpa": gate.sd_kpa,
        }

    def dark(self, sample: m.Sample, point: Point, *, lit: bool) -> None:
        """The dark reading begins a rest after the lamp was last on, under a closed lid."""
        if lit or sample.outputs & m.LAMP_BIT:
            self._dark_from = None
            self._dark_after = point.ticks + round(DARK_REST_S / point.tick_s)
        elif not sample.inputs & _CLOSED:
            self._dark_from = None
        elif self._dark_from is None and point.ticks >= self._dark_after:
            self._dark_from = point

    def dark_counts(self, point: Point) -> list[float] | None:
        """Mean dark counts of each channel; None before the reading is long enough."""
        start = self._dark_from
        if start is None or (point.ticks - start.ticks) * point.tick_s < DARK_READING_S:
            return None
        return mean_counts(start, point)

    def missing(self, sample: m.Sample, point: Point, tick_uncertainty: float) -> tuple[str, ...]:
        """What light still waits for; empty when it may begin."""
        wants = {
            "contact vacuum": self.deadline() is not None,
            "dark reading": self.dark_counts(point) is None,
            "interlock": not sample.inputs & _CLOSED,
            "stop button": not sample.inputs & _RELEASED,
            "device clock": tick_uncertainty > CLOCK_LIMIT,
        }
        return tuple(name for name, wanted in wants.items() if wanted)

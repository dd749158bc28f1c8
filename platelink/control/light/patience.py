"""How long each part of an exposure may take, by the computer's own clock. Pure.

The device ends its light by itself. This is for one that does not, or that says nothing: no state
lasts for ever.
"""

from __future__ import annotations

import math

from platelink.control.light import sentences
from platelink.control.light.stretch import Phase, Stretch
from platelink.control.light.tail import REPORT_LIMIT_S, TAIL_S
from platelink.control.states import REST, State

OPENING_LIMIT_S = 5.0
"""Longest time from the standing order to the lamp on."""
MARGIN_S = 5.0
"""How long past its own end anything is waited for."""
LONGEST_LEFT_S = 600.0
"""How long light that does not end is counted; the plate is lost long before."""
FRAMES_S = 1.0
"""The same of a light that samples tell of twenty times a second."""
CLOCKS = 1.01
"""The device's clock may be slower than ours by half of that."""


class Patience:
    """See the file's first lines. ``now`` is host monotonic seconds."""

    def __init__(self) -> None:
        self.until = math.inf
        """When the present part has lasted too long."""
        self.text = ""
        """What is then said."""
        self._part: tuple[State, Phase | None, bool, bool] | None = None

    def follow(self, state: State, stretch: Stretch | None, *, link_up: bool, now: float) -> None:
        """After every input: a part that has just begun gets its time."""
        phase, left_on = (stretch.phase, stretch.left_on) if stretch is not None else (None, False)
        part = (state, phase, link_up, left_on)
        if part == self._part:
            return
        self._part, self.text = part, ""
        if stretch is None:
            self.until = math.inf
            return
        left_s = max(0.0, stretch.plan.guard_s - stretch.light_s) * CLOCKS
        if not link_up:  # an order cannot last past its guard
            self.until = now + left_s + MARGIN_S
        elif left_on:
            self.until, self.text = now + LONGEST_LEFT_S, sentences.never_dark(LONGEST_LEFT_S)
        elif state in REST:
            self.until = now + TAIL_S + REPORT_LIMIT_S + MARGIN_S
            self.text = (
                "the device does not confirm that the light is off; the lamps may be on: use "
                "the unit's own stop button, then judge the plate"
            )
        elif stretch.phase is Phase.OPENING:
            self.until = now + OPENING_LIMIT_S
            self.text = f"lamp not on {OPENING_LIMIT_S:.0f} s after the order"
        elif stretch.phase is Phase.LIGHT:
            self.until = now + left_s + FRAMES_S
            self.text = (
                "the device did not switch the light off at its guard time of "
                f"{stretch.plan.guard_s:.0f} "
                "s, so the computer did; have the device checked before the next exposure"
            )
        else:
            self.until = now + TAIL_S + REPORT_LIMIT_S + MARGIN_S
            self.text = "the device reports no end of the after-glow"

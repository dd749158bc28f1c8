"""Light on the bed as one value: what is measured, what the device drives, what is ordered. Pure.

If any of them says light, light is on. An order's light is expected; light without one is over
after the after-glow, or something burns that nobody has asked for.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import (
    LIGHT_SENSOR_BLIND,
    LIGHT_STILL_ON,
    LIGHT_SUMS_DAMAGED,
)
from platelink.control.light.request import BEEP_MS
from platelink.control.states import Send
from platelink.link import messages as m
from platelink.sensing.readings import Reading

LEFT_ON_S = 0.35
"""Light without an order is left on when a whole window later than this after the learned
after-glow still holds light; with frames of 50 ms that is known half a second after it."""
SOUND_EVERY_S = 1.0
KNOWN_S = 1.0
"""What the device said longer ago than this says nothing of now."""


class Light(NamedTuple):
    """As of one sample."""

    t: float
    """Host monotonic seconds at the sample."""
    measured: bool
    """The sensors see it."""
    output: bool
    """The device switches the lamp on."""
    order: int | None
    """Number of the standing order that is open."""
    irradiance_mw_cm2: float
    """As last measured."""
    left_on: bool
    """It has gone on without an order for longer than after-glow can."""
    unseen: bool = False
    """The sums have told nothing for so long that what they told last says nothing of now."""
    blind: bool = False
    """Sensor and lamps did not agree in the last light: its dark says nothing."""

    @property
    def on(self) -> bool:
        """Anything says light."""
        return self.measured or self.output or self.order is not None


class LightWatch:
    """Makes the light of each sample. At ``dark_mw_cm2`` and less it is dark; ``owned``: the device
    switches the lamps."""

    def __init__(self, dark_mw_cm2: float, *, owned: bool) -> None:
        self.light: Light | None = None
        """The newest; None before the first sample."""
        self._dark_mw_cm2 = dark_mw_cm2
        self._owned = owned
        self._unordered_since: float | None = None
        self._seen_t = math.inf
        """At the newest sample with a window of light; until then at the first."""
        self._sound_at = -math.inf
        self._blind = self._shown = False

    @property
    def left_on(self) -> bool:
        """There is light without an order, and after-glow is over."""
        return self.light is not None and self.light.left_on

    @property
    def dark(self) -> bool:
        """A sample has shown that no light falls."""
        return self._shown and self.light is not None and not self.light.measured

    def trust(self, troubles: tuple[Condition, ...]) -> None:
        """What an exposure has found; when it is over, what it found last stays."""
        self._blind = bool(troubles) and any(one.alarm is LIGHT_SENSOR_BLIND for one in troubles)

    def known(self, *, now: float) -> Light | None:
        """The light of now; None when the device has said nothing of it for too long."""
        light = self.light
        return light if light is not None and now - light.t <= KNOWN_S else None

    def add(self, sample: m.Sample, reading: Reading, afterglow_s: float) -> bool:
        """Take the next sample with its reading; ``afterglow_s`` is what lamps may glow on. True
        when light is left on from now on, or no longer."""
        irradiance, before = reading.irradiance_mw_cm2, self.light
        was_left_on = before is not None and before.left_on
        output = bool(sample.outputs & m.LAMP_BIT)
        begun = self._seen_t = min(self._seen_t, reading.t)
        if irradiance is None:  # no window: as before
            irradiance = before.irradiance_mw_cm2 if before is not None else 0.0
            begun = before.t if output and before is not None else -math.inf
        else:
            self._seen_t, self._shown = reading.t, True
        unseen = reading.t - self._seen_t > KNOWN_S
        order = sample.order if sample.order_state == m.OrderState.OPEN else None
        measured = irradiance > self._dark_mw_cm2 and not unseen
        left_on = False
        if order is not None or not (measured or output or unseen):
            self._unordered_since = None
        elif self._unordered_since is None:
            self._unordered_since = reading.t  # this window may hold light of the order
        elif self._owned:
            whole_s = begun - self._unordered_since
            left_on = whole_s > afterglow_s + LEFT_ON_S or was_left_on
        self.light = Light(
            reading.t, measured, output, order, irradiance, left_on, unseen, self._blind
        )
        return left_on != was_left_on

    def sound(self, *, now: float) -> tuple[Send, ...]:
        """The beeper, again and again while light is left on."""
        if not self.left_on or now < self._sound_at:
            return ()
        self._sound_at = now + SOUND_EVERY_S
        return (Send(m.SetOutput(m.Output.BEEPER, 1, BEEP_MS)),)

    def conditions(self) -> tuple[Condition, ...]:
        """What alarms want to know."""
        light, found = self.light, []
        if light is not None and light.left_on:
            seen, dark = light.irradiance_mw_cm2, self._dark_mw_cm2
            found.append(Condition(LIGHT_STILL_ON, True, seen, dark))
        if light is not None and light.unseen:
            found.append(Condition(LIGHT_SUMS_DAMAGED, True))
        return tuple(found)

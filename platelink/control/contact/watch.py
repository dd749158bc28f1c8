"""The watch over the contact vacuum while light is on. Pure.

A fall or an unsteadiness that the gauge's own noise does not explain is told ahead to the end of
the light: what leaves the band for sure is lost, the rest is told once and goes on. The band
itself, a gauge that says nothing and one above what can be are judged whatever the noise.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import CONTACT_LEAKS, CONTACT_LOST, GAUGE_SILENT
from platelink.control.contact.bank import Bank
from platelink.control.contact.contact import ContactLimits
from platelink.control.contact.finding import GOING_ON, Finding, Verdict
from platelink.control.contact.line import SURE, Line, fit
from platelink.control.contact.noise import NoiseModel
from platelink.events.light import Cause, ContactWeaker

FORECAST_S = 3.0
"""A fall is told ahead by the values of so long, no older than the fall."""
AHEAD = 10.0
"""For no longer than so many times as long as it has been seen: an edge may lift and fall back."""
TELL_S = 1.0
"""So long a fall that may keep the band, and may not, is looked at before it is told."""
UNKNOWN_LEFT_S = 60.0
"""Until the light ends, where that is not known."""
YOUNG = 2.0
"""Time constants: so old, a fall to a balance with the pump is seen to slow down."""
SLOWS = 0.75
"""Of its mean speed: a fall that is slower by now finds its balance."""
OVER_S = 2.0
"""Without a call for so long, it is over."""
SUDDEN_KPA_PER_S = 1.0
"""A seal that ages or a pump that fades does not fall this fast; an edge that lifts does."""
BEAT_GONE = 0.35
"""Of the squares between neighbours: with less the pump's beat is no longer there."""
BEAT_WEIGHT = 0.05
SWING = 2.0
"""An unsteady vacuum goes so many standard deviations below its middle."""
_WHERE = {
    Cause.SUDDEN: "check the blanket's edge and the hose",
    Cause.CREEPING: "check seal, hose joints and pump",
    Cause.UNSTEADY: "look for a lifting edge or a loose hose",
    Cause.PUMP: "check that the pump runs",
    Cause.GAUGE: "check gauge and calibration",
}


class ContactWatch:
    """One from each hold test on."""

    def __init__(
        self, limits: ContactLimits, model: NoiseModel, before_kpa: Sequence[float],
        *, now: float, settles_s: float = math.nan,
    ) -> None:  # fmt: skip
        """``before_kpa`` are the values of the hold test, oldest first, and ``settles_s`` the time
        constant with which the frame comes to its pressure; NaN: not known."""
        self.limits = limits
        self.bank = Bank(model, before_kpa)
        self.leak: Condition | None = None
        """A fall that is no reason to hold."""
        self._settles_s = settles_s if math.isfinite(settles_s) else 0.0
        self._held_kpa = self.bank.level_kpa
        self._outside_since: float | None = None
        self._called_since = self._valid_at = now
        self._called_at = -math.inf
        self._recent: deque[tuple[float, float]] = deque()
        self._beat = 1.0

    def add(self, vacuum_kpa: float | None, *, now: float, left_s: float = math.nan) -> Finding:
        """Take one gauge value (None: not valid); ``left_s`` until the light ends, NaN where that
        is not known."""
        if vacuum_kpa is None:
            return self.silence(now=now)
        recent, bank = self._recent, self.bank
        missing = max(0, round((now - self._valid_at) / bank.model.frame_s) - 1)
        if recent and bank.model.beat_kpa:
            beat = min(4.0, ((vacuum_kpa - recent[-1][1]) / bank.model.beat_kpa) ** 2)
            self._beat += BEAT_WEIGHT * (beat - self._beat)
        self._valid_at = now
        bank.add(vacuum_kpa, missing)
        recent.append((now, vacuum_kpa))
        while now - recent[0][0] > FORECAST_S:
            recent.popleft()
        outside = self._band(vacuum_kpa, now)
        if outside is not None:
            return outside
        if not (bank.signals or bank.unsteady):
            if now - self._called_at > OVER_S:
                self._held_kpa, self._called_since, self.leak = bank.level_kpa, now, None
            return GOING_ON
        self._called_at = now
        left_s = left_s if math.isfinite(left_s) else UNKNOWN_LEFT_S
        return self._falls(left_s, now) if bank.signals else self._swings(now)

    def _band(self, vacuum_kpa: float, now: float) -> Finding | None:
        limits = self.limits
        if limits.low_kpa <= vacuum_kpa <= limits.high_kpa:
            self._outside_since = None
            return None
        if self._outside_since is None:
            self._outside_since = now
        outside_s = now - self._outside_since
        if outside_s < limits.debounce_s:
            return None
        if vacuum_kpa > limits.high_kpa:
            side, limit, cause = "above", limits.high_kpa, Cause.GAUGE
        else:
            side, limit, cause = "below", limits.low_kpa, self._cause(fit(self._points()))
        text = (
            f"vacuum {vacuum_kpa:z.1f} kPa, {side} its limit {limit:.1f} kPa for "
            f"{outside_s:.2f} s: {_WHERE[cause]}, then restart"
        )
        return Finding(
            Verdict.LOST, text, Condition(CONTACT_LOST, True, vacuum_kpa, limit), cause=cause
        )

    def _points(self) -> list[tuple[float, float]]:
        """Newest values, of a fall those since it began."""
        falls_for = self.bank.falls_for
        return list(self._recent)[-falls_for:] if falls_for else list(self._recent)

    def _cause(self, line: Line | None) -> Cause:
        if self.bank.model.beat_kpa and self._beat < BEAT_GONE:
            return Cause.PUMP
        sudden = line is not None and line.slope_kpa_per_s <= -SUDDEN_KPA_PER_S
        return Cause.SUDDEN if sudden else Cause.CREEPING

    def _falls(self, left_s: float, now: float) -> Finding:
        """What a fall comes to until the light ends."""
        model, low_kpa = self.bank.model, self.limits.low_kpa
        line = fit(self._points(), model.sigma_kpa if model.minutes else 0.0)
        if line is None:
            return GOING_ON
        since_s, settles_s = self.bank.falls_for * model.frame_s, self._settles_s
        fell_kpa = self._held_kpa - line.at(now)[0]
        slows = since_s < YOUNG * settles_s or -line.slope_kpa_per_s * since_s < SLOWS * fell_kpa
        if settles_s and slows:
            left_s = settles_s * -math.expm1(-left_s / settles_s)
        level_kpa, unsure_kpa = line.at(now + min(left_s, AHEAD * since_s))
        cause, vacuum_kpa = self._cause(line), line.at(now)[0]
        fell = f"vacuum fell {fell_kpa:.1f} kPa in {max(0.1, since_s):.1f} s"
        told_s = now - self._called_since
        sure = unsure_kpa if told_s < TELL_S else unsure_kpa / SURE
        if level_kpa + sure < low_kpa:
            text = (
                f"{fell} and would reach {max(0.0, level_kpa):.1f} kPa before the end, limit "
                f"{low_kpa:.1f} kPa: {_WHERE[cause]}, then restart"
            )
            lost = Condition(CONTACT_LOST, True, vacuum_kpa)  # measured; its fall was judged
            return Finding(Verdict.LOST, text, lost, cause=cause)
        at_end_kpa, unsure_kpa = line.at(now + left_s)
        if at_end_kpa - unsure_kpa < low_kpa and told_s < TELL_S:
            return GOING_ON  # soon it is known better
        told = ContactWeaker(
            vacuum_kpa, self._held_kpa, since_s, -60.0 * line.slope_kpa_per_s,
            60.0 * line.unsure_kpa_per_s, str(cause),
        )  # fmt: skip
        return self._goes_on(f"{fell} to {vacuum_kpa:z.1f} kPa", vacuum_kpa, cause, told)

    def _swings(self, now: float) -> Finding:
        """What an unsteady vacuum goes down to."""
        line, low_kpa = fit(list(self._recent)), self.limits.low_kpa
        if line is None:
            return GOING_ON
        lowest_kpa, cause = line.mean_kpa - SWING * line.sd_kpa, Cause.UNSTEADY
        swings = f"vacuum unsteady by {line.sd_kpa:.2f} kPa for {now - self._called_since:.1f} s"
        if lowest_kpa < low_kpa:
            text = (
                f"{swings}, down to {lowest_kpa:z.1f} kPa, limit {low_kpa:.1f} kPa: "
                f"{_WHERE[cause]}, then restart"
            )
            lost = Condition(CONTACT_LOST, True, lowest_kpa, low_kpa)
            return Finding(Verdict.LOST, text, lost, cause=cause)
        told = ContactWeaker(
            line.mean_kpa, self._held_kpa, now - self._called_since, -60.0 * line.slope_kpa_per_s,
            60.0 * line.unsure_kpa_per_s, str(cause),
        )  # fmt: skip
        return self._goes_on(f"{swings}, down to {lowest_kpa:z.1f} kPa", lowest_kpa, cause, told)

    def _goes_on(self, what: str, kpa: float, cause: Cause, told: ContactWeaker) -> Finding:
        """No reason to hold: told once."""
        first, low_kpa = self.leak is None, self.limits.low_kpa
        self.leak = Condition(CONTACT_LEAKS, True, kpa, low_kpa)
        if not first:
            return GOING_ON
        text = (
            f"{what}, limit {low_kpa:.1f} kPa: the exposure continues above that; {_WHERE[cause]} "
            "before the next exposure"
        )
        return Finding(Verdict.LEAKS, text, self.leak, told, cause)

    def silence(self, *, now: float) -> Finding:
        """The finding when no valid gauge value has come by ``now``."""
        quiet_s, limit_s = now - self._valid_at, self.limits.gauge_silence_s
        if quiet_s <= limit_s:
            return GOING_ON
        return Finding(
            Verdict.LOST,
            f"no valid vacuum value for {quiet_s:.2f} s (limit {limit_s:.2f} s); check the gauge "
            "and its wiring",
            Condition(GAUGE_SILENT, True, quiet_s, limit_s),
            cause=Cause.GAUGE,
        )

"""The washout water: what it measures, who says so, and is it in its band? Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from platelink.events.event import Event
from platelink.events.steps import WaterInBand, WaterOutOfBand, WaterTyped

PROBE_S = 5.0
"""So old a reading of the probe says nothing any more."""
TYPED_S = 1800.0
"""Nor does one that a person typed: a bath cools."""


@dataclass(frozen=True, slots=True)
class WaterBand:
    """Band of the water's temperature in °C; outside it this long, it is reported."""

    low_c: float
    high_c: float
    delay_s: float = 5.0

    def __post_init__(self) -> None:
        if not self.low_c < self.high_c:
            raise ValueError(f"water from {self.low_c} to {self.high_c} °C: must rise")

    def __str__(self) -> str:
        return f"band {self.low_c:.1f} to {self.high_c:.1f} °C"


@dataclass(frozen=True, slots=True)
class WaterStatus:
    """As a face shows it."""

    band: WaterBand
    water_c: float | None
    """None: nobody knows it."""
    by: str | None
    """Who typed it; None: the probe."""


class Water:
    """The bath of one washout. Times are host monotonic seconds."""

    def __init__(self, band: WaterBand) -> None:
        self.band = band
        self._c, self._at = math.nan, -math.inf
        self._by: str | None = None
        self._out_since: float | None = None
        self.out = False
        """It was reported as out of its band, and is not back."""

    # --- what a face may ask ---------------------------------------------------------------

    def present_c(self, now: float) -> float | None:
        """Its temperature, as far as it is known."""
        good_s = PROBE_S if self._by is None else TYPED_S
        return self._c if now - self._at <= good_s else None

    def probed(self, now: float) -> bool:
        """The probe tells it; no person need."""
        return self._by is None and self.present_c(now) is not None

    def waits_for(self, now: float) -> str:
        """Why a washout cannot begin; empty when it can."""
        water_c = self.present_c(now)
        if water_c is None:
            return (
                f"the water temperature ({self.band}): there is no probe; measure it and enter it"
            )
        if not self._within(water_c):
            return f"the water: {water_c:.1f} °C, {self.band}; correct it and measure again"
        return ""

    def status(self, now: float) -> WaterStatus:
        """As a face shows it."""
        return WaterStatus(self.band, self.present_c(now), self._by)

    def _within(self, water_c: float) -> bool:
        return self.band.low_c <= water_c <= self.band.high_c

    # --- what is measured ------------------------------------------------------------------

    def measured(self, water_c: float | None, t: float) -> bool:
        """The probe says so; None or not finite: it says nothing, and False is returned."""
        if water_c is None or not math.isfinite(water_c):
            return False
        self._c, self._by, self._at = water_c, None, t
        return True

    def typed(self, values: Mapping[str, Any], who: str, now: float) -> tuple[WaterTyped, str]:
        """A person has measured it. ValueError says what is wrong with that."""
        water_c = values.get("water_c")
        if self.probed(now):
            raise ValueError(f"the probe measures the water, {self._c:.1f} °C")
        if isinstance(water_c, bool) or not isinstance(water_c, int | float):
            raise ValueError("enter the water temperature, a number in °C")
        if not 0.0 <= water_c <= 100.0:
            raise ValueError(f"water of {water_c:g} °C is not possible; enter 0 to 100 °C")
        self._c, self._by, self._at = float(water_c), who, now
        return WaterTyped(self._c, who), f"water {water_c:.1f} °C, {self.band}, entered by {who}"

    # --- while a stage runs ----------------------------------------------------------------

    def pause(self) -> None:
        """The time outside begins anew."""
        self._out_since = None

    def watch(self, now: float) -> tuple[Event, str] | None:
        """What is to be noted of the newest reading."""
        band, water_c = self.band, self._c
        if self._within(water_c):
            self._out_since = None
            if not self.out:
                return None
            self.out = False
            return WaterInBand(water_c), f"water {water_c:.1f} °C, {band}"
        if self._out_since is None:
            self._out_since = now
        if self.out or (self._by is None and now - self._out_since < band.delay_s):
            return None
        self.out = True
        return WaterOutOfBand(water_c), f"water {water_c:.1f} °C, {band}; correct it"

    # --- across a restart of the computer --------------------------------------------------

    def snapshot(self, now: float) -> dict[str, Any] | None:
        """What a person typed; the probe tells again."""
        if self._by is None or self.present_c(now) is None:
            return None
        return {"water_c": self._c, "by": self._by, "age_s": now - self._at}

    def resume(self, snapshot: Mapping[str, Any] | None, down_s: float | None, now: float) -> None:
        """Take it up again, if it is known how old it is."""
        if snapshot is not None and down_s is not None:
            self._c, self._by = snapshot["water_c"], snapshot["by"]
            self._at = now - snapshot["age_s"] - down_s

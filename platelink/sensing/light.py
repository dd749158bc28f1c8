"""Light sensors: counts to irradiance, and the integer weights of a standing order. Pure.

``irradiance = slope · (counts - dark)`` for each channel; the unit's irradiance is the weighted
mean of its channels. Irradiance is in mW/cm², dose in mJ/cm² = mW/cm² · s.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from platelink.link.messages import LIGHT_CHANNELS

DARK_FLOOR_COUNTS = 2.0
"""Least mean dark reading that can be subtracted: nearer to 0 the converter has cut off part of
the noise, the mean is too high by an unknown amount, and slow changes below 0 stay unseen."""
MAX_TEMP_COEFF_PER_C = 0.01
"""Steepest response accepted; keeps the correction positive over any plausible temperature."""
MAX_DARK_RISE_MW_CM2 = 0.2
"""Rise of a dark reading over the calibration's that may be drift; more is stray light."""
RISE_SHARE = 0.5
"""Of what the dose may be off: a smaller rise may be stray light all the same, which hardens the
plate and is subtracted. The calibration's dark may be as far off as that again."""
LEAST_RESPONSE = 0.5
"""Of that at the reference temperature. Less is no warm head but a wrong reading of it, and it is
not corrected for."""
MAX_COUNTS = 65_535.0
"""Top of the finest converter; mean counts above are no reading."""
MAX_SPREAD = 1000.0
"""Largest ratio of ``weight · slope`` between channels: keeps the device's integer weights exact to
better than one part in 130."""
_U16_MAX = 0xFFFF
_I32_MAX = 0x7FFF_FFFF


@dataclass(frozen=True, slots=True, kw_only=True)
class Traced:
    """How well a calibration knows the slope, by its record; in percent of the slope."""

    reference_pct: float
    """Standard uncertainty of the reference instrument."""
    certificate: str
    """Of the instrument: channels with the same one share its error."""
    fit_pct: float
    """Standard uncertainty of the line, from how its levels scatter."""
    fit_dof: int
    bow_pct: float
    """Largest departure of a parabola through the levels from the line, of the highest level."""
    top_mw_cm2: float
    """The highest level: light beyond it was not looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LightChannel:
    """One irradiance channel with its calibration."""

    dark_counts: float
    """Mean counts without light."""
    slope_mw_cm2_per_count: float
    """At ``reference_temp_c``."""
    temp_coeff_per_c: float = 0.0
    """Relative change of the sensor's response for each °C of the sensor head."""
    reference_temp_c: float = 25.0
    weight: float = 1.0
    """Share in the unit's irradiance, relative to the other channels; 0 is only watched."""
    calibrated_on: date | None = None
    due_on: date | None = None
    """Last day the calibration is good; None where no date was stated."""
    rel_uncertainty: float | None = None
    """Relative standard uncertainty (k = 1) of the slope; None where nobody stated it."""
    traced: Traced | None = None
    """Where a record of the calibration says how it is made up."""
    name: str = ""

    def __post_init__(self) -> None:
        numbers = (
            self.dark_counts,
            self.slope_mw_cm2_per_count,
            self.temp_coeff_per_c,
            self.reference_temp_c,
            self.weight,
            self.rel_uncertainty or 0.0,
        )
        if not all(map(math.isfinite, numbers)):
            raise ValueError("a calibration value is not a finite number")
        if self.slope_mw_cm2_per_count <= 0.0:
            raise ValueError("slope_mw_cm2_per_count must be greater than 0")
        if self.dark_counts > MAX_COUNTS:
            raise ValueError(f"dark_counts must not be above {MAX_COUNTS:.0f}")
        if self.dark_counts < 0.0 or self.weight < 0.0 or (self.rel_uncertainty or 0.0) < 0.0:
            raise ValueError("dark_counts, weight and rel_uncertainty must not be negative")
        if abs(self.temp_coeff_per_c) > MAX_TEMP_COEFF_PER_C:
            raise ValueError(f"temp_coeff_per_c must be within ±{MAX_TEMP_COEFF_PER_C}")

    def slope_at(self, head_c: float | None) -> float:
        """mW/cm² per count with the sensor head at this temperature (None: as calibrated)."""
        if head_c is None or self.temp_coeff_per_c == 0.0:
            return self.slope_mw_cm2_per_count
        response = 1.0 + self.temp_coeff_per_c * (head_c - self.reference_temp_c)
        return self.slope_mw_cm2_per_count / (response if response >= LEAST_RESPONSE else 1.0)


@dataclass(frozen=True, slots=True)
class CalibrationDue:
    """A light channel whose calibration is past its date."""

    channel: int
    name: str
    due_on: date
    days_over: int

    @property
    def text(self) -> str:
        """Findings, the limit, what to do next."""
        days = "1 day" if self.days_over == 1 else f"{self.days_over} days"
        return (
            f"calibration of {self.name} was due on {self.due_on.isoformat()}, {days} ago; "
            "calibrate it and enter the new values and date"
        )


@dataclass(frozen=True, slots=True)
class OrderScale:
    """Integer weights of a standing order and what they mean.

    ``sum(weight · counts) - bias`` of one tick is ``counts_per_mw_tick`` times the irradiance in
    mW/cm², exact where all channels see the same irradiance but for the bias' rounding (at most
    ``0.5 / counts_per_mw_tick`` mW/cm²); where they do not, to within ``rounding``."""

    weight: tuple[int, int, int, int]
    bias: int
    counts_per_mw_tick: float
    rounding: float
    """Worst relative error of any channel's share that comes from rounding its weight."""

    def counts_per_mj_cm2(self, tick_s: float) -> float:
        """Order sum for 1 mJ/cm² at this tick length."""
        return self.counts_per_mw_tick / tick_s

    def dose_for(self, order_sum: int, tick_s: float) -> float:
        """Plain dose, mJ/cm², at this order sum."""
        return order_sum / self.counts_per_mj_cm2(tick_s)


@dataclass(frozen=True, slots=True)
class LightSensors:
    """The unit's 1 to 4 light channels; weights are normalised to sum 1."""

    channels: tuple[LightChannel, ...]
    max_dark_rise_mw_cm2: float = MAX_DARK_RISE_MW_CM2
    """Largest rise of a dark reading over the calibration's that is taken for drift."""
    _terms: tuple[tuple[float, float, float, float, float], ...] = field(
        init=False, repr=False, compare=False
    )
    _by_temperature: bool = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not 1 <= len(self.channels) <= LIGHT_CHANNELS:
            raise ValueError(f"{len(self.channels)} light channels: must be 1 to {LIGHT_CHANNELS}")
        total = sum(c.weight for c in self.channels)
        if total <= 0.0:
            raise ValueError("all light channels have weight 0: give at least one a weight")
        channels = tuple(replace(c, weight=c.weight / total) for c in self.channels)
        shares = [c.weight * c.slope_mw_cm2_per_count for c in channels if c.weight > 0.0]
        if max(shares) > MAX_SPREAD * min(shares):
            raise ValueError(
                f"weight · slope of the light channels differ by a factor of "
                f"{max(shares) / min(shares):.0f}, limit {MAX_SPREAD:.0f}; leave the weakest out"
            )
        terms = tuple(
            (c.weight, c.slope_mw_cm2_per_count, c.dark_counts, c.temp_coeff_per_c,
             c.reference_temp_c)
            for c in channels
        )  # fmt: skip
        object.__setattr__(self, "channels", channels)
        object.__setattr__(self, "_terms", terms)
        object.__setattr__(self, "_by_temperature", any(c.temp_coeff_per_c for c in channels))

    def irradiance_mw_cm2(self, mean_counts: Sequence[float], head_c: float | None) -> float:
        """Weighted mean irradiance. Counts are given for every channel, in order; a value below
        dark comes out negative, so that noise around dark averages to zero."""
        return self.irradiances_mw_cm2(mean_counts, head_c)[0]

    def irradiances_mw_cm2(
        self, mean_counts: Sequence[float], head_c: float | None
    ) -> tuple[float, tuple[float, ...]]:
        """Weighted mean irradiance, and that of each channel by itself."""
        total = 0.0
        each = []
        if head_c is None or not self._by_temperature:
            for (weight, slope, dark, _, _), counts in zip(self._terms, mean_counts, strict=True):
                irradiance = slope * (counts - dark)
                total += weight * irradiance
                each.append(irradiance)
            return total, tuple(each)
        for (weight, slope, dark, coeff, reference), counts in zip(
            self._terms, mean_counts, strict=True
        ):
            response = 1.0 + coeff * (head_c - reference)
            irradiance = slope * (counts - dark) / (response if response >= LEAST_RESPONSE else 1.0)
            total += weight * irradiance
            each.append(irradiance)
        return total, tuple(each)

    def can_correct(self, head_c: float) -> bool:
        """A head of this temperature can be; else its reading is wrong."""
        for _, _, _, coeff, reference in self._terms:
            if not 1.0 + coeff * (head_c - reference) >= LEAST_RESPONSE:
                return False
        return True

    def saturated(self, max_counts: Iterable[int], adc_max: int) -> bool:
        """True when a weighted channel touched the top of its converter: its mean is too low."""
        for term, counts in zip(self._terms, max_counts, strict=False):
            if counts >= adc_max and term[0] > 0.0:
                return True
        return False

    def dark_problem(
        self, dark_counts: Sequence[float], *, expected_mw_cm2: float, tolerance_pct: float
    ) -> str:
        """Why these mean dark counts cannot be used; empty when they can. The light expected and
        what its dose may be off say how much stray light could hide in them."""
        could_hide_mw_cm2 = RISE_SHARE * tolerance_pct / 100.0 * expected_mw_cm2
        most_mw_cm2 = min(self.max_dark_rise_mw_cm2, could_hide_mw_cm2)
        for c, label, counts in zip(self.channels, self.labels(), dark_counts, strict=True):
            if counts > MAX_COUNTS:
                return f"dark reading of {label} is {counts:.0f} counts, which no converter gives"
            if c.weight == 0.0:
                continue
            if not counts >= DARK_FLOOR_COUNTS:
                return (
                    f"dark reading of {label} is {counts:.2f} counts, at least "
                    f"{DARK_FLOOR_COUNTS:.0f} are needed; raise the sensor's offset or check its "
                    "wiring"
                )
            rise = (counts - c.dark_counts) * c.slope_mw_cm2_per_count
            if rise > most_mw_cm2:
                return (
                    f"dark reading of {label} is {counts:.1f} counts, {rise:.2g} mW/cm² above "
                    f"{c.dark_counts:.1f} counts (limit {most_mw_cm2:.2g} mW/cm²); "
                    "keep stray light off the sensor, or calibrate it again; then restart"
                )
        return ""

    def with_dark(self, dark_counts: Sequence[float]) -> LightSensors:
        """The same sensors with newly measured dark counts."""
        pairs = zip(self.channels, dark_counts, strict=True)
        channels = tuple(replace(c, dark_counts=dark) for c, dark in pairs)
        return replace(self, channels=channels)

    def order_weights(self, head_c: float | None) -> OrderScale:
        """Weights and bias of a standing order with the head at this temperature.

        The scale is the largest at which every weight fits u16 and the bias i32."""
        slopes = [c.slope_at(head_c) for c in self.channels]
        shares = [c.weight * slope for c, slope in zip(self.channels, slopes, strict=True)]
        dark = sum(share * c.dark_counts for share, c in zip(shares, self.channels, strict=True))
        scale = _U16_MAX / max(shares)
        if dark * scale > 0.99 * _I32_MAX:  # the rest is room for the rounding of the weights
            scale = 0.99 * _I32_MAX / dark
        weights = [round(scale * share) for share in shares]
        bias = round(sum(w * c.dark_counts for w, c in zip(weights, self.channels, strict=True)))
        per_mw = sum(w / slope for w, slope in zip(weights, slopes, strict=True))
        rounding = max(
            abs(w / (per_mw * share) - 1.0)
            for w, share in zip(weights, shares, strict=True)
            if share > 0.0
        )
        w0, w1, w2, w3 = [*weights, 0, 0, 0][:LIGHT_CHANNELS]
        return OrderScale((w0, w1, w2, w3), bias, per_mw, rounding)

    def labels(self) -> tuple[str, ...]:
        """Name of each channel, ``light 0`` where none was given."""
        return tuple(c.name or f"light {i}" for i, c in enumerate(self.channels))

    def calibration_due(self, today: date) -> tuple[CalibrationDue, ...]:
        """The channels whose calibration is past its date."""
        return tuple(
            CalibrationDue(i, label, c.due_on, (today - c.due_on).days)
            for i, (c, label) in enumerate(zip(self.channels, self.labels(), strict=True))
            if c.due_on is not None and today > c.due_on
        )

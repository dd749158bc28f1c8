"""A calibration: what was compared with which reference, the line through it, how sure it is. Pure.

``value = offset + gain · x``. For light x is counts above dark, corrected to the head's reference
temperature, and offset is 0: the dark is measured before every exposure. For vacuum, oven and head
x is the value as the configured characteristic tells it.

The reference's error is common to all levels: it does not average over them, nor over sensors that
were compared with the same instrument (same ``Instrument.certificate``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from platelink.sensing.light import LightChannel, Traced
from platelink.sensing.temperature import TemperatureSensor
from platelink.sensing.vacuum import GaugeKind, VacuumSensor

Covariance = tuple[tuple[float, float], tuple[float, float]]
U_K = 2.0
"""Coverage factor of an expanded uncertainty where nothing else is said."""


class Quantity(StrEnum):
    """What a sensor measures."""

    LIGHT = "light"
    VACUUM = "vacuum"
    OVEN = "oven"
    HEAD = "head"


UNIT = {
    Quantity.LIGHT: "mW/cm²", Quantity.VACUUM: "kPa", Quantity.OVEN: "°C", Quantity.HEAD: "°C",
}  # fmt: skip


class Cause(StrEnum):
    """Why it was calibrated: what a step against the calibration before may mean."""

    ROUTINE = "routine"
    NEW_SENSOR = "new sensor"
    CLEANED = "cleaned sensor"
    NEW_LAMPS = "new lamps"


def quantity_of(sensor: str) -> Quantity:
    """``light 2`` is light; ValueError for what is no sensor."""
    return Quantity(sensor.partition(" ")[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """The reference instrument, as its certificate says."""

    name: str
    certificate: str
    """Number of the certificate: two calibrations with the same share the instrument's error."""
    due_on: date
    u_rel: float = 0.0
    """Expanded uncertainty, relative to the reading."""
    u_abs: float = 0.0
    """Expanded uncertainty, in the quantity's unit; both parts are added as squares."""
    k: float = U_K
    resolution: float = 0.0
    """Last digit of what it shows, in the quantity's unit."""

    def u_at(self, value: float) -> float:
        """Standard uncertainty at this reading."""
        return math.hypot(self.u_rel * value, self.u_abs) / self.k


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """A settled stretch of one input."""

    mean: float
    rms: float
    """Scatter of single conversions about the mean, counts."""
    u_mean: float
    """Standard uncertainty of the mean, counts, with what follows on itself."""
    n: int
    """Conversions."""
    low: int | None = None
    high: int | None = None
    """Lowest and highest single conversion; None where the device does not tell them."""
    head_c: float | None = None
    """Temperature of the light sensors' head meanwhile."""
    supply_v: float | None = None
    """The converter's reference meanwhile, as the device measured it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One comparison: what the reference showed, and what the sensor read."""

    reference: float
    x: float
    """See the file's first lines; for light without the correction to the reference temperature."""
    counts: Counts


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """The line that a calibration found."""

    offset: float
    gain: float
    covariance: Covariance
    """Of offset and gain, from how the levels scatter: the reference's own error is not in it."""
    dof: int
    residuals: tuple[float, ...]
    """Reference minus line, one for each level, in the quantity's unit."""
    residual_sd: float
    bow: float
    """Largest departure of a parabola through the levels from the line, in the quantity's unit."""
    x_low: float
    x_high: float
    """Between these the line was looked at."""

    def value(self, x: float) -> float:
        """The line at x."""
        return self.offset + self.gain * x

    def u_fit(self, x: float) -> float:
        """Standard uncertainty at x from the scatter of the levels."""
        (oo, og), (_, gg) = self.covariance
        return math.sqrt(max(0.0, oo + 2.0 * og * x + gg * x * x))

    def u_bow(self) -> float:
        """Standard uncertainty that the curvature seen leaves (rectangular within the bow)."""
        return self.bow / math.sqrt(3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """One finished calibration of one sensor."""

    sensor: str
    """``light 0`` and so on, ``vacuum``, ``oven``, ``head``."""
    revision: int
    cause: Cause
    instrument: Instrument
    dark: Counts | None
    """Light only."""
    levels: tuple[Level, ...]
    line: Line
    made_by: str
    made_at_utc: datetime
    due_on: date
    settings: dict[str, Any]
    """The sensor's configuration as it read meanwhile: with another one x means something else."""
    approved_by: str | None = None

    @property
    def name(self) -> str:
        """``light 0@3``."""
        return f"{self.sensor}@{self.revision}"

    @property
    def quantity(self) -> Quantity:
        """What is measured."""
        return quantity_of(self.sensor)

    def u_at(self, x: float) -> float:
        """Standard uncertainty at x: line, curvature, and the reference instrument."""
        line = self.line
        return math.hypot(line.u_fit(x), line.u_bow(), self.instrument.u_at(line.value(x)))

    def expanded_u(self) -> float:
        """U (k = 2) at the highest level, in the quantity's unit."""
        return U_K * self.u_at(self.line.x_high)

    def covers(self, value: float) -> bool:
        """The value lies where the line was looked at; light reaches down to the dark."""
        ends = sorted((self.line.value(self.line.x_low), self.line.value(self.line.x_high)))
        low = 0.0 if self.quantity is Quantity.LIGHT else ends[0]
        return low <= value <= ends[1]


def calibrated_light(channel: LightChannel, by: Calibration) -> LightChannel:
    """The channel with this calibration in place of the configured one."""
    line, top = by.line, by.line.value(by.line.x_high)
    return replace(
        channel,
        dark_counts=channel.dark_counts if by.dark is None else by.dark.mean,
        slope_mw_cm2_per_count=line.gain,
        calibrated_on=by.made_at_utc.date(),
        due_on=by.due_on,
        rel_uncertainty=by.u_at(line.x_high) / top,
        traced=Traced(
            reference_pct=100.0 * by.instrument.u_at(top) / top,
            certificate=by.instrument.certificate,
            fit_pct=100.0 * line.u_fit(line.x_high) / top,
            fit_dof=max(1, line.dof),
            bow_pct=100.0 * line.bow / top,
            top_mw_cm2=top,
        ),
    )


def calibrated_gauge(gauge: VacuumSensor, by: Calibration) -> VacuumSensor:
    """The gauge with this calibration's line behind its own; both are straight."""
    offset = -by.line.offset if gauge.kind is GaugeKind.GAUGE else by.line.offset
    return replace(
        gauge,
        kpa_low=offset + by.line.gain * gauge.kpa_low,
        kpa_high=offset + by.line.gain * gauge.kpa_high,
    )


@dataclass(frozen=True, slots=True)
class CalibratedTemperature:
    """A temperature input with a calibration's line behind its characteristic."""

    sensor: TemperatureSensor
    line: Line

    def temperature_c(self, mean_counts: float, cold_junction_c: float | None) -> float | None:
        """See ``TemperatureSensor``."""
        t_c = self.sensor.temperature_c(mean_counts, cold_junction_c)
        return None if t_c is None else self.line.value(t_c)

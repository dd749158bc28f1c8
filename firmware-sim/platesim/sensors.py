"""Sensors: from physical quantities to converter counts. Gain, offset, temperature, noise, bits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
U16 = NDArray[np.uint16]

COLUMNS = 7
"""Columns of an analog block: four light channels, then vacuum, oven, head temperature."""
VACUUM, OVEN, HEAD = 4, 5, 6


@dataclass(frozen=True, slots=True)
class LightSensor:
    """UV sensor with its amplifier and converter. All default values are invented."""

    full_scale_mw_cm2: float = 15.0
    gain: float = 1.0
    """True responsivity over the nominal one; what a calibration has to find."""
    dark_counts: float = 18.4
    """Pedestal: the dark does not sit at 0, where half the noise would be cut off."""
    dark_counts_per_c: float = 0.0
    temperature_coefficient_per_c: float = -0.0012
    """Change of responsivity per degree of the sensor head, from ``reference_c``."""
    reference_c: float = 25.0
    noise_lsb: float = 0.7
    """White noise, rms."""
    adc_bits: int = 10

    @property
    def counts_per_mw_cm2(self) -> float:
        """True slope at the reference temperature."""
        return self.gain * ((1 << self.adc_bits) - 1 - self.dark_counts) / self.full_scale_mw_cm2

    def counts(self, irradiance_mw_cm2: F64 | float, head_c: F64) -> F64:
        """Counts before noise, rounding and clipping."""
        warmer = head_c - self.reference_c
        slope = self.counts_per_mw_cm2 * (1.0 + self.temperature_coefficient_per_c * warmer)
        dark = self.dark_counts + self.dark_counts_per_c * warmer
        counts: F64 = irradiance_mw_cm2 * slope + dark
        return counts


@dataclass(frozen=True, slots=True)
class LinearSensor:
    """A gauge with a straight line: counts = zero_counts + counts_per_unit · value."""

    zero_counts: float
    counts_per_unit: float
    noise_lsb: float = 0.6
    adc_bits: int = 10

    def counts(self, value: F64) -> F64:
        """Counts before noise, rounding and clipping."""
        return value * self.counts_per_unit + self.zero_counts


@dataclass(frozen=True, slots=True)
class SensorParameters:
    """All sensors of a unit. All default values are invented."""

    light: tuple[LightSensor, ...] = (LightSensor(),)
    """One a channel; fewer than channels: the last one again."""
    vacuum: LinearSensor = LinearSensor(zero_counts=41.0, counts_per_unit=9.0)
    """Per kPa below the local atmosphere, or per kPa absolute."""
    vacuum_is_absolute: bool = False
    oven: LinearSensor = LinearSensor(zero_counts=20.0, counts_per_unit=8.0)
    """Per °C."""
    head: LinearSensor = LinearSensor(zero_counts=50.0, counts_per_unit=10.0)
    """Per °C."""
    ambient_c: float = 23.0
    head_rise_c: float = 14.0
    """The sensor head warms by this much under lit lamps."""
    head_s: float = 240.0
    """Time constant of the head's temperature."""

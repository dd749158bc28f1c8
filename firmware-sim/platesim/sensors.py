"""Sensors: from physical quantities to converter counts. Gain, offset, temperature, noise, bits."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platelink.link.messages import WATER_CHANNEL

F64 = NDArray[np.float64]
U16 = NDArray[np.uint16]

COLUMNS = 7
"""Columns of an analog block: four light channels, then vacuum, oven, head temperature."""
VACUUM, OVEN, HEAD = 4, 5, 6
WATER = WATER_CHANNEL
"""In the place of the fourth light channel."""


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
class GaugeNoise:
    """What a gauge adds to its white noise; none by default. All in counts, rms."""

    slow_lsb: float = 0.0
    """First-order autoregressive, AR(1): noise that remembers itself for ``slow_s``."""
    slow_s: float = 0.2
    heavy_lsb: float = 0.0
    """Heavy-tailed: Student's t with ``heavy_dof`` degrees of freedom, above 2."""
    heavy_dof: float = 3.0


class GaugeNoiseSource:
    """Draws it, tick by tick; the same seed, the same noise."""

    __slots__ = ("_noise", "_rng", "_slow", "_tick_s")

    def __init__(self, noise: GaugeNoise, seed: int, tick_s: float) -> None:
        self._noise, self._tick_s = noise, tick_s
        self._rng = np.random.default_rng((seed, 7))
        self._slow = 0.0

    def ticks(self, n: int) -> F64:
        """Counts to add to the next ``n`` ticks."""
        noise, out = self._noise, np.zeros(n)
        if noise.heavy_lsb:
            scale = noise.heavy_lsb / math.sqrt(noise.heavy_dof / (noise.heavy_dof - 2.0))
            out += scale * self._rng.standard_t(noise.heavy_dof, n)
        if noise.slow_lsb:
            keeps = math.exp(-self._tick_s / noise.slow_s)
            drawn = noise.slow_lsb * math.sqrt(1.0 - keeps * keeps) * self._rng.standard_normal(n)
            for i, step in enumerate(drawn):
                self._slow = keeps * self._slow + float(step)
                out[i] += self._slow
        return out


@dataclass(frozen=True, slots=True)
class SensorParameters:
    """All sensors of a unit. All default values are invented."""

    light: tuple[LightSensor, ...] = (LightSensor(),)
    """One a channel; fewer than channels: the last one again."""
    vacuum: LinearSensor = LinearSensor(zero_counts=41.0, counts_per_unit=9.0)
    """Per kPa below the local atmosphere, or per kPa absolute."""
    vacuum_is_absolute: bool = False
    vacuum_noise: GaugeNoise = GaugeNoise()
    oven: LinearSensor = LinearSensor(zero_counts=20.0, counts_per_unit=8.0)
    """Per °C."""
    head: LinearSensor = LinearSensor(zero_counts=50.0, counts_per_unit=10.0)
    """Per °C."""
    water: LinearSensor | None = None
    """Per °C; None: there is no probe in the washout."""
    ambient_c: float = 23.0
    head_rise_c: float = 14.0
    """The sensor head warms by this much under lit lamps."""
    head_s: float = 240.0
    """Time constant of the head's temperature."""

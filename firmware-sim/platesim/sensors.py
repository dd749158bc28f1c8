"""Sensors: from physical quantities to converter counts. Gain, offset, temperature, noise, bits."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platelink.link.messages import WATER_CHANNEL

F64 = NDArray[np.float64]
U16 = NDArray[np.uint16]

COLUMNS = 8
"""Columns of an analog block: four light channels, then vacuum, oven, head temperature, bandgap."""
VACUUM, OVEN, HEAD, BANDGAP = 4, 5, 6, 7
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
    filter_s: float = 0.0
    """Time constant of the amplifier's first-order filter (R_f C_f)."""
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


class Filter:
    """The amplifier of one light channel: a first-order filter, sampled once a tick. Its gain for
    steady light is exactly 1."""

    __slots__ = ("_past", "_seen", "_weights")

    REACH = 20.0
    """Time constants after which nothing is left of light: 2e-9 of it."""

    def __init__(self, filter_s: float, tick_s: float, chunk: int) -> None:
        taps = max(1, math.ceil(self.REACH * filter_s / tick_s))
        weights = np.exp(-np.arange(taps) * tick_s / filter_s) if filter_s else np.ones(1)
        self._weights = weights / weights.sum()
        self._past = np.zeros(taps)
        self._seen = np.zeros(chunk)

    def chunk_over(self) -> None:
        """The next chunk begins."""
        self._past = np.concatenate((self._past, self._seen))[-len(self._past) :]

    def make(self, at: int, light: F64 | float) -> F64:
        """The filtered light from tick ``at`` of the chunk on; made again where it is other."""
        self._seen[at:] = light
        known = np.concatenate((self._past, self._seen))[at + 1 :]
        made: F64 = np.convolve(known, self._weights, "valid")
        return made


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
    swing_lsb: float = 0.0
    """Second-order autoregressive, AR(2): swings of ``swing_hz`` that die away within
    ``swing_s`` and are stirred again."""
    swing_hz: float = 0.5
    swing_s: float = 1.0
    tone_lsb: float = 0.0
    """A pump's tone that the gauge picks up."""
    tone_hz: float = 3.1
    saw_lsb: float = 0.0
    """A sawtooth, as of a pump that cycles: slowly down and up again within ``saw_rise_s``."""
    saw_s: float = 8.0
    saw_rise_s: float = 0.4


class GaugeNoiseSource:
    """Draws it, tick by tick; the same seed, the same noise."""

    __slots__ = ("_noise", "_now", "_rng", "_slow", "_swing", "_tick_s")

    def __init__(self, noise: GaugeNoise, seed: int, tick_s: float) -> None:
        self._noise, self._tick_s = noise, tick_s
        self._rng = np.random.default_rng((seed, 7))
        self._slow, self._swing = 0.0, (0.0, 0.0)
        self._now = 0

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
        if noise.swing_lsb:
            self._add_swing(out)
        t_s = self._tick_s * np.arange(self._now, self._now + n)
        self._now += n
        if noise.tone_lsb:
            out += math.sqrt(2.0) * noise.tone_lsb * np.sin(2.0 * math.pi * noise.tone_hz * t_s)
        if noise.saw_lsb:
            rises = noise.saw_rise_s / noise.saw_s
            at = t_s / noise.saw_s % 1.0
            saw = np.where(at < rises, at / rises, (1.0 - at) / (1.0 - rises)) - 0.5
            out += math.sqrt(12.0) * noise.saw_lsb * saw
        return out

    def _add_swing(self, out: F64) -> None:
        """A pair of conjugate poles."""
        noise = self._noise
        keeps = math.exp(-self._tick_s / noise.swing_s)
        one = 2.0 * keeps * math.cos(2.0 * math.pi * noise.swing_hz * self._tick_s)
        two = -keeps * keeps
        share = (1.0 + two) * ((1.0 - two) ** 2 - one * one) / (1.0 - two)
        newest, before = self._swing
        drawn = noise.swing_lsb * math.sqrt(share) * self._rng.standard_normal(out.size)
        for i, step in enumerate(drawn):
            newest, before = one * newest + two * before + float(step), newest
            out[i] += newest
        self._swing = newest, before


@dataclass(frozen=True, slots=True)
class Converter:
    """What a converter does to what it is given; ideal by default. All values are invented."""

    bow_lsb: float = 0.0
    """Integral non-linearity: this much too high in the middle of the range, none at its ends."""
    dnl_lsb: float = 0.0
    """Differential non-linearity: every other step is this much wider, the one between narrower."""
    reference_v: float = 5.0
    """Its reference, which is the supply. Counts of what does not hang on it are by
    ``NOMINAL_V`` / reference_v of what they would be."""
    reference_v_per_s: float = 0.0
    """Drift of the supply."""
    bandgap_v: float | None = None
    """The chip's own, 1.0 to 1.2 V from chip to chip; None: the device does not measure it."""

    def bent(self, counts: F64, top: float) -> F64:
        """Counts of a straight converter as this one gives them, before rounding."""
        if self.bow_lsb:
            share = np.clip(counts / top, 0.0, 1.0)
            counts = counts + 4.0 * self.bow_lsb * share * (1.0 - share)
        if self.dnl_lsb:  # shifts the thresholds on either side of an odd code apart
            counts = counts + 0.5 * self.dnl_lsb * np.sin(math.pi * counts)
        return counts


NOMINAL_V = 5.0


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
    converter: Converter = Converter()
    ambient_c: float = 23.0
    head_rise_c: float = 14.0
    """The sensor head warms by this much under lit lamps."""
    head_s: float = 240.0
    """Time constant of the head's temperature."""

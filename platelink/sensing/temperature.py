"""Temperature inputs: linear sensor, thermocouple or Pt100 behind an amplifier, counts to °C. Pure.

All end in one of the device's converters: ``volts = counts / 2^bits · adc_reference_v``, and the
sensor's own signal is ``(volts · 1000 - offset_mv) / gain``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

from platelink.sensing.thermoelectric import Thermocouple, pt100_c

_LOOKS = 1000


def reach_c(sensor: TemperatureSensor, adc_bits: int) -> tuple[float, float] | None:
    """Lowest and highest temperature that the sensor can ever tell; None where it can tell none.
    Where its cold junction is measured, as of 25 °C there."""
    top = (1 << adc_bits) - 1
    told = [
        t_c
        for n in range(_LOOKS + 1)
        if (t_c := sensor.temperature_c(0.5 + (top - 1) * n / _LOOKS, 25.0)) is not None
    ]
    return (min(told), max(told)) if told else None


class TemperatureSensor(Protocol):
    """What the converter needs of any of them."""

    def temperature_c(self, mean_counts: float, cold_junction_c: float | None) -> float | None:
        """°C, or None where the signal is outside the sensor's limits (broken or shorted wire).
        ``cold_junction_c`` is the temperature of the amplifier's terminals, where known."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Amplifier:
    """From counts to the sensor's own millivolts, and the band of °C that is believed."""

    adc_bits: int
    adc_reference_v: float = 5.0
    gain: float = 1.0
    offset_mv: float = 0.0
    """At the amplifier's output, for a sensor signal of 0."""
    low_c: float = -40.0
    high_c: float = 150.0

    def __post_init__(self) -> None:
        if self.gain <= 0.0 or self.adc_reference_v <= 0.0:
            raise ValueError("gain and adc_reference_v must be greater than 0")
        if self.low_c >= self.high_c:
            raise ValueError("low_c must be below high_c")

    def sensor_mv(self, mean_counts: float) -> float | None:
        """The sensor's signal; None at either end of the converter, where it shows nothing."""
        top = (1 << self.adc_bits) - 1
        if not 0.0 < mean_counts < top:
            return None
        volts_mv = mean_counts / (top + 1) * self.adc_reference_v * 1000.0
        return (volts_mv - self.offset_mv) / self.gain

    def believed(self, t_c: float | None) -> float | None:
        """``t_c`` when it is inside the band."""
        return t_c if t_c is not None and self.low_c <= t_c <= self.high_c else None


@dataclass(frozen=True, slots=True)
class LinearSensor:
    """A sensor with a straight characteristic: ``mv = mv_at_0c + mv_per_c · t``."""

    amplifier: Amplifier
    mv_per_c: float
    mv_at_0c: float = 0.0

    def __post_init__(self) -> None:
        if self.mv_per_c == 0.0:
            raise ValueError("mv_per_c must not be 0")

    def temperature_c(self, mean_counts: float, cold_junction_c: float | None) -> float | None:
        """See ``TemperatureSensor``."""
        mv = self.amplifier.sensor_mv(mean_counts)
        if mv is None:
            return None
        return self.amplifier.believed((mv - self.mv_at_0c) / self.mv_per_c)


@dataclass(frozen=True, slots=True)
class ThermocoupleSensor:
    """A thermocouple on an amplifier without compensation of its own."""

    amplifier: Amplifier
    thermocouple: Thermocouple
    cold_junction_c: float | None = None
    """Fixed temperature of the terminals; None takes the measured one, and no value without it."""
    _cold_mv: float | None = field(init=False, repr=False, compare=False, default=None)

    def __post_init__(self) -> None:
        if self.cold_junction_c is None:
            return
        couple = self.thermocouple
        if not couple.low_c <= self.cold_junction_c <= couple.high_c:
            raise ValueError(f"cold_junction_c must be within {couple.low_c} and {couple.high_c}")
        object.__setattr__(self, "_cold_mv", couple.emf_mv(self.cold_junction_c))

    def temperature_c(self, mean_counts: float, cold_junction_c: float | None) -> float | None:
        """See ``TemperatureSensor``."""
        mv = self.amplifier.sensor_mv(mean_counts)
        if mv is None:
            return None
        if self._cold_mv is not None:
            t_c = self.thermocouple.temperature_at_emf_c(mv + self._cold_mv)
        elif cold_junction_c is not None:
            t_c = self.thermocouple.temperature_c(mv, cold_junction_c)
        else:
            return None
        return self.amplifier.believed(t_c)


@dataclass(frozen=True, slots=True)
class Pt100Sensor:
    """A Pt100 fed with a constant current."""

    amplifier: Amplifier
    current_ma: float
    lead_ohm: float = 0.0
    """Resistance of the leads that is measured with the sensor."""

    def __post_init__(self) -> None:
        if self.current_ma <= 0.0:
            raise ValueError("current_ma must be greater than 0")

    def temperature_c(self, mean_counts: float, cold_junction_c: float | None) -> float | None:
        """See ``TemperatureSensor``."""
        mv = self.amplifier.sensor_mv(mean_counts)
        if mv is None:
            return None
        return self.amplifier.believed(pt100_c(mv / self.current_ma - self.lead_ohm))

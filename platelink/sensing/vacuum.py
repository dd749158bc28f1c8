"""Vacuum gauges: voltage or 4-20 mA transmitters, gauge or absolute, to kPa below atmosphere. Pure.

``vacuum_kpa`` is pressure below the *local* atmosphere, positive; ``kpa_abs`` is absolute. Whether
a pressure is gauge or absolute belongs to the quantity, never to its unit (NIST SP 811, 7.4).
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol

STANDARD_ATMOSPHERE_KPA = 101.325
IMPLAUSIBLE_KPA = 2.0
"""How far below absolute zero a gauge's own error may take a reading."""
OPEN_LOOP_MA = 3.6
SHORTED_MA = 21.0
"""Failure information of a 4-20 mA signal (NAMUR NE 43, from memory)."""
RAIL_SHARE = 0.05
"""A voltage further outside its span than this share of it is a broken or shorted wire (common
practice, no source)."""
_I_LOW_MA, _I_HIGH_MA = 4.0, 20.0


class GaugeKind(StrEnum):
    """What the transmitter's pressure is measured against."""

    GAUGE = "gauge"  # the air around it
    ABSOLUTE = "absolute"


class Signal(StrEnum):
    """How the transmitter tells its pressure."""

    VOLTAGE = "voltage"
    CURRENT = "current"


class GaugeFault(StrEnum):
    """Why a reading is not a number."""

    RANGE = "signal out of range"
    IMPLAUSIBLE = "pressure below absolute zero"


class Gauge(Protocol):
    """What the converter needs of any vacuum gauge."""

    def vacuum_kpa(self, mean_counts: float) -> float | GaugeFault:
        """kPa below the local atmosphere, or why there is none."""
        ...


def standard_barometer_kpa(altitude_m: float) -> float:
    """Mean air pressure at an altitude below 11 km (ISO 2533 / US Standard Atmosphere 1976)."""
    exponent = 9.80665 * 0.0289644 / (8.31432 * 0.0065)
    return float(STANDARD_ATMOSPHERE_KPA * (1.0 - 0.0065 * altitude_m / 288.15) ** exponent)


class ReachingGauge(ABC):
    """What any gauge says of the vacuum it can show."""

    __slots__ = ()
    kind: GaugeKind
    barometer_kpa: float

    @abstractmethod
    def highest_vacuum_kpa(self) -> float:
        """Most vacuum that it can show here: its span, or all the air there is."""

    def kpa_abs(self, vacuum_kpa: float) -> float:
        """Absolute pressure at this vacuum."""
        return self.barometer_kpa - vacuum_kpa

    def reach_problem(self, vacuum_kpa: float) -> str:
        """Why this vacuum can never be read here; empty when it can."""
        if vacuum_kpa >= self.barometer_kpa:
            return (
                f"a vacuum of {vacuum_kpa:.1f} kPa is more than the air pressure of "
                f"{self.barometer_kpa:.1f} kPa here; ask for less, or correct the barometer"
            )
        highest = self.highest_vacuum_kpa()
        if vacuum_kpa > highest:
            return (
                f"a vacuum of {vacuum_kpa:.1f} kPa is beyond the gauge's {highest:.1f} kPa; "
                "ask for less, or fit a gauge with more span"
            )
        return ""

    def band_problem(self, low_kpa: float, high_kpa: float) -> str:
        """Why one of these limits can never be read here; empty when both can. A vacuum that the
        air itself forbids needs no gauge to stay below it."""
        forbidden = high_kpa >= self.barometer_kpa
        return self.reach_problem(low_kpa) or ("" if forbidden else self.reach_problem(high_kpa))


@dataclass(frozen=True, slots=True, kw_only=True)
class VacuumSensor(ReachingGauge):
    """A transmitter with a straight characteristic from ``kpa_low`` to ``kpa_high``.

    Both are readings of the transmitter (gauge: negative below atmosphere) at the low and the high
    end of its signal. With ``signal`` voltage these ends are ``volts_low`` and ``volts_high``; a
    transmitter fed from the converter's own reference is ratiometric, and the reference's true
    value cancels. With ``signal`` current they are 4 and 20 mA through ``shunt_ohm``."""

    kpa_low: float
    kpa_high: float
    adc_bits: int
    kind: GaugeKind = GaugeKind.GAUGE
    barometer_kpa: float = STANDARD_ATMOSPHERE_KPA
    signal: Signal = Signal.VOLTAGE
    adc_reference_v: float = 5.0
    volts_low: float = 0.5
    volts_high: float = 4.5
    shunt_ohm: float = 250.0
    _valid_counts: tuple[float, float] = field(init=False, repr=False, compare=False)
    _line: tuple[float, float] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if self.kpa_low == self.kpa_high:
            raise ValueError("kpa_low and kpa_high are equal: the gauge would have no span")
        if not math.isfinite(self.barometer_kpa) or self.barometer_kpa <= 0.0:
            raise ValueError("barometer_kpa must be a number greater than 0")
        counts_per_v = 2**self.adc_bits / self.adc_reference_v
        if self.signal is Signal.VOLTAGE:
            low, high = self.volts_low, self.volts_high
            margin = RAIL_SHARE * (high - low)
            valid = low - margin, high + margin
        else:
            low, high = (self.shunt_ohm * i / 1000.0 for i in (_I_LOW_MA, _I_HIGH_MA))
            valid = self.shunt_ohm * OPEN_LOOP_MA / 1000.0, self.shunt_ohm * SHORTED_MA / 1000.0
        if not 0.0 <= low < high <= self.adc_reference_v:
            raise ValueError(
                f"signal from {low:.3g} to {high:.3g} V: must rise within 0 and the converter's "
                f"{self.adc_reference_v:.3g} V"
            )
        slope = (self.kpa_high - self.kpa_low) / ((high - low) * counts_per_v)
        top = 2**self.adc_bits - 1.5  # a converter at its last count shows no pressure any more
        bottom = 0.5 if low > 0.0 else 0.0  # a live zero that reads 0 is a broken wire
        valid_counts = max(valid[0] * counts_per_v, bottom), min(valid[1] * counts_per_v, top)
        object.__setattr__(self, "_valid_counts", valid_counts)
        object.__setattr__(self, "_line", (self.kpa_low - slope * low * counts_per_v, slope))

    def vacuum_kpa(self, mean_counts: float) -> float | GaugeFault:
        """kPa below the local atmosphere; small negative values are noise at atmosphere."""
        low, high = self._valid_counts
        if not low <= mean_counts <= high:
            return GaugeFault.RANGE
        offset, slope = self._line
        pressure = offset + slope * mean_counts
        vacuum = -pressure if self.kind is GaugeKind.GAUGE else self.barometer_kpa - pressure
        return vacuum if vacuum <= self.barometer_kpa + IMPLAUSIBLE_KPA else GaugeFault.IMPLAUSIBLE

    def highest_vacuum_kpa(self) -> float:
        """Most vacuum this gauge can show here: its span, or all the air there is."""
        pressure = min(self.kpa_low, self.kpa_high)
        reach = -pressure if self.kind is GaugeKind.GAUGE else self.barometer_kpa - pressure
        return min(self.barometer_kpa, reach)

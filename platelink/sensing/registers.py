"""An instrument on a bus: what its registers tell, in kPa and °C, and what of that can be. Pure.

``value = (number · scale + offset)`` in the instrument's own unit. Registers hold 16 bits, the high
byte first (Modbus Application Protocol V1.1b3, 4.2, from memory); which of two registers is the
high one, each maker decides.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass, replace
from enum import StrEnum

from platelink.sensing.calibration import Calibration, Quantity
from platelink.sensing.vacuum import (
    IMPLAUSIBLE_KPA,
    STANDARD_ATMOSPHERE_KPA,
    GaugeFault,
    GaugeKind,
    ReachingGauge,
)

Told = float | GaugeFault


class Form(StrEnum):
    """How a number stands in registers."""

    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    FLOAT32 = "float32"


_CODES = {
    Form.INT16: "h", Form.UINT16: "H", Form.INT32: "i", Form.UINT32: "I", Form.FLOAT32: "f",
}  # fmt: skip
NO_VALUE = {
    Form.INT16: (-0x8000, 0x7FFF),
    Form.UINT16: (0xFFFF, 0x7FFF, 0x8000),
    Form.INT32: (-0x8000_0000, 0x7FFF_FFFF),
    Form.UINT32: (0xFFFF_FFFF, 0x7FFF_FFFF, 0x8000_0000),
}
"""Numbers that instruments tell where their sensor is broken or missing (common practice, no
source). One that lies within the range of what can be is a value all the same."""


NO_FLOAT = 1e-9
"""Of the range of an instrument: nearer to 0, and not 0, is no float that it measured (the last
digit of a float32 is some 6e-8 of it), but one whose two registers stand in the other order."""


def size(form: Form) -> int:
    """Registers of a number."""
    return struct.calcsize(_CODES[form]) // 2


def number(registers: tuple[int, ...], form: Form, *, low_word_first: bool = False) -> float:
    """The number in registers; NaN is one. ValueError: too few of them, or none can be these."""
    if len(registers) != size(form) or not all(0 <= word <= 0xFFFF for word in registers):
        raise ValueError(f"{form} is not in registers {registers}")
    words = reversed(registers) if low_word_first else registers
    (found,) = struct.unpack(f">{_CODES[form]}", b"".join(w.to_bytes(2, "big") for w in words))
    return float(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class BusInstrument(ReachingGauge):
    """One value of one instrument; a ``Gauge`` and a ``TemperatureSensor``, whose counts are the
    number in its registers."""

    name: str
    quantity: Quantity
    slave: int
    register: int
    low: float
    """Least and greatest that can be, in the instrument's unit."""
    high: float
    poll_s: float
    stale_after_s: float
    """An older value is none."""
    holding: bool = True
    """Read with function 3; else with 4."""
    form: Form = Form.INT16
    low_word_first: bool = False
    scale: float = 1.0
    offset: float = 0.0
    unit: str = "kPa"
    factor: float = 1.0
    """``(value + shift) · factor`` is in kPa or °C."""
    shift: float = 0.0
    kind: GaugeKind = GaugeKind.GAUGE
    barometer_kpa: float = STANDARD_ATMOSPHERE_KPA
    line: tuple[float, float] = (0.0, 1.0)
    """Offset and gain of its calibration, of pressure or temperature."""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.scale) and self.scale != 0.0 and math.isfinite(self.offset)):
            raise ValueError("scale must be a number other than 0, offset a number")
        if not self.low < self.high:
            raise ValueError(f"high must be greater than low = {self.low:g} {self.unit}")

    def shown(self, raw: float) -> float:
        """As the instrument itself shows it, in its unit."""
        return raw * self.scale + self.offset

    def _base(self, shown: float) -> float:
        offset, gain = self.line
        return offset + gain * (shown + self.shift) * self.factor

    def turned(self, raw: float) -> bool:
        """A float that two registers in the other order give."""
        least = NO_FLOAT * (self.high - self.low)
        return self.form is Form.FLOAT32 and 0.0 < abs(raw * self.scale) < least

    def can_be(self, raw: float) -> bool:
        """The value of a number lies within what can be; NaN does not."""
        return self.low <= self.shown(raw) <= self.high and not self.turned(raw)

    def vacuum_kpa(self, mean_counts: float) -> Told:
        """kPa below the local atmosphere, or why there is none."""
        if not self.can_be(mean_counts):
            return GaugeFault.RANGE
        pressure = self._base(self.shown(mean_counts))
        vacuum = -pressure if self.kind is GaugeKind.GAUGE else self.barometer_kpa - pressure
        return vacuum if vacuum <= self.barometer_kpa + IMPLAUSIBLE_KPA else GaugeFault.IMPLAUSIBLE

    def temperature_c(self, mean_counts: float, cold_junction_c: float | None) -> float | None:
        """°C, or None where that cannot be."""
        return self._base(self.shown(mean_counts)) if self.can_be(mean_counts) else None

    def value(self, raw: float) -> float | None:
        """kPa below the local atmosphere, or °C; None where it cannot be."""
        if self.quantity is Quantity.OVEN:
            return self.temperature_c(raw, None)
        told = self.vacuum_kpa(raw)
        return told if isinstance(told, float) else None

    def reach_c(self) -> tuple[float, float]:
        """Least and greatest temperature that can be."""
        return self._base(self.low), self._base(self.high)

    def highest_vacuum_kpa(self) -> float:
        """Most vacuum that it can show here."""
        ends = self._base(self.low), self._base(self.high)
        if self.kind is GaugeKind.GAUGE:
            return min(self.barometer_kpa, -min(ends))
        return min(self.barometer_kpa, self.barometer_kpa - min(ends))

    def per_count(self) -> float:
        """kPa or °C of one count."""
        return abs(self.scale * self.factor)

    def digit(self) -> float:
        """kPa or °C of its last digit; 0 where that is not known."""
        return 0.0 if self.form is Form.FLOAT32 else self.per_count()

    def calibrated(self, by: Calibration) -> BusInstrument:
        """With this calibration's line behind its own; of a relative gauge the calibration is of
        the vacuum, which is the pressure with its sign turned."""
        of_vacuum = self.quantity is Quantity.VACUUM and self.kind is GaugeKind.GAUGE
        return replace(self, line=(-by.line.offset if of_vacuum else by.line.offset, by.line.gain))

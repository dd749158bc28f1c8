"""Recorded values as people read them: the unit is taken from the name of the value. Pure.

``expected_mw_cm2 = 12.0`` is shown as ``expected  12 mW/cm²``, or in the unit that was asked for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from platelink.units import DOSE, IRRADIANCE, PRESSURE, TEMPERATURE, Quantity

if TYPE_CHECKING:
    from platelink.config import Config

_DIGITS = 6
"""Significant digits: a calibration is shown as it was entered."""
_QUANTITIES = (
    ("_mj_cm2", DOSE),
    ("_mw_cm2", IRRADIANCE),
    ("_kpa", PRESSURE),
    ("_c", TEMPERATURE),
)
_PLAIN_UNITS = (
    ("_mw_cm2_per_count", "mW/cm² per count"),
    ("_kpa_per_min", "kPa/min"),
    ("_per_c", "1/°C"),
    ("_counts", "counts"),
    ("_ticks", "ticks"),
    ("_bits", "bit"),
    ("_pct", "%"),
    ("_ppm", "ppm"),
    ("_hz", "Hz"),
    ("_ms", "ms"),
    ("_s", "s"),
)


@dataclass(frozen=True, slots=True)
class Display:
    """Units to show; the defaults are platelink's own."""

    dose: str = "mJ/cm2"
    irradiance: str = "mW/cm2"
    vacuum: str = "kPa"
    temperature: str = "degC"

    @classmethod
    def of(cls, config: Config) -> Display:
        """As the configuration's [display] section says."""
        return cls(**config.display.model_dump())

    def unit(self, quantity: Quantity) -> str:
        """The unit of a kind of quantity."""
        return {
            DOSE.name: self.dose,
            IRRADIANCE.name: self.irradiance,
            PRESSURE.name: self.vacuum,
            TEMPERATURE.name: self.temperature,
        }[quantity.name]


def quantity_of(name: str) -> tuple[str, Quantity | None, str]:
    """(what it is, the kind of quantity, else its unit) of a value's name."""
    for suffix, symbol in _PLAIN_UNITS[:3]:
        if name.endswith(suffix):
            return _words(name, suffix), None, symbol
    for suffix, quantity in _QUANTITIES:
        if name.endswith(suffix):
            return _words(name, suffix), quantity, ""
    for suffix, symbol in _PLAIN_UNITS:
        if name.endswith(suffix):
            return _words(name, suffix), None, symbol
    return _words(name, ""), None, ""


def _words(name: str, suffix: str) -> str:
    return name.removesuffix(suffix).replace("_", " ")


def shown(name: str, value: Any, display: Display) -> tuple[str, str]:
    """(what it is, value with its unit) of a recorded value."""
    label, quantity, symbol = quantity_of(name)
    if isinstance(value, bool):
        return label, "yes" if value else "no"
    if not isinstance(value, int | float):
        return label, "–" if value is None else clean(str(value))
    if quantity is not None:
        unit = display.unit(quantity)
        return label, f"{_digits(quantity.to(value, unit))} {quantity.unit(unit).symbol}"
    return label, f"{_digits(value)} {symbol}".rstrip()


def _digits(value: float) -> str:
    if isinstance(value, int):
        return str(value)
    return f"{value:.{_DIGITS}g}" if math.isfinite(value) else "–"


def facts(values: dict[str, Any], display: Display, prefix: str = "") -> list[tuple[str, str]]:
    """Nested values as a flat list of (what it is, value with its unit)."""
    rows: list[tuple[str, str]] = []
    for name, value in values.items():
        inner = dict(enumerate(value)) if isinstance(value, list | tuple) else value
        if isinstance(inner, dict) and inner:
            below = {str(key): one for key, one in inner.items()}
            rows += facts(below, display, f"{prefix}{quantity_of(name)[0]} ")
        else:
            label, text = shown(name, None if inner == {} else value, display)
            rows.append((prefix + label, text))
    return rows


def clean(text: str) -> str:
    """Typed text without characters that could command a terminal."""
    return "".join(c if c.isprintable() else " " for c in text)

"""Recorded values as people read them: the unit is taken from the name of the value. Pure.

``expected_mw_cm2 = 12.0`` is shown as ``expected  12 mW/cm²``, or in the unit that was asked for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from platelink.units import DOSE, IRRADIANCE, PRESSURE, TEMPERATURE, Quantity, named

if TYPE_CHECKING:
    from platelink.forms.keys import Section

_DIGITS = 6
"""Significant digits: a calibration is shown as it was entered."""


class Configuration(Protocol):
    """What names the units to show."""

    @property
    def display(self) -> Section:
        """Section [display]."""


@dataclass(frozen=True, slots=True)
class Display:
    """Units to show; the defaults are platelink's own."""

    dose: str = "mJ/cm2"
    irradiance: str = "mW/cm2"
    vacuum: str = "kPa"
    temperature: str = "degC"

    @classmethod
    def of(cls, config: Configuration) -> Display:
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


def shown(name: str, value: Any, display: Display) -> tuple[str, str]:
    """(what it is, value with its unit) of a recorded value."""
    label, suffix = named(name)
    if isinstance(value, bool):
        return label, "yes" if value else "no"
    if not isinstance(value, int | float):
        return label, "–" if value is None else clean(str(value))
    if suffix.quantity is not None:
        unit = display.unit(suffix.quantity)
        symbol = suffix.quantity.unit(unit).symbol
        return label, f"{_digits(suffix.quantity.to(value, unit))} {symbol}"
    return label, " ".join(filter(None, (_digits(value), suffix.symbol, suffix.words)))


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
            rows += facts(below, display, f"{prefix}{named(name)[0]} ")
        else:
            label, text = shown(name, None if inner == {} else value, display)
            rows.append((prefix + label, text))
    return rows


def quantity(value: float | None, unit: str) -> str:
    """A value with its unit."""
    return "" if value is None else f"{value:.4g} {unit}".strip()


def clean(text: str) -> str:
    """Typed text without characters that could command a terminal."""
    return "".join(c if c.isprintable() else " " for c in text)

"""Quantities as people type and read them: dose, irradiance, pressure, temperature, time. Pure.

Inside, platelink knows one unit for each: mJ/cm², mW/cm², kPa, °C, s. A typed quantity always
carries its unit. Factors are exact fractions and a result is rounded once, at the end.

Factors: NIST Special Publication 811 (2008), Appendix B.8. The conventional inch of mercury is
13595.1 kg/m³ · 9.80665 m/s² · 0.0254 m = 3386.388640341 Pa exactly; inches of mercury *at a stated
temperature* differ by up to 0.3 % and are not offered.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?")
_COMMA = re.compile(r"[+-]?\d+,\d")


class UnitError(ValueError):
    """A text is not a quantity of the kind asked for; says what was read and what is accepted."""


@dataclass(frozen=True, slots=True)
class Unit:
    """``base = (value + shift) · factor``; the first spelling is the one printed in tables."""

    symbol: str
    spellings: tuple[str, ...]
    factor: Fraction
    decimals: int
    """Shown by default."""
    shift: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class Quantity:
    """One kind of quantity with its units; the first unit is the base."""

    name: str
    units: tuple[Unit, ...]
    least: Fraction | None = None
    """Least value in the base unit, where smaller ones have no meaning."""
    above: bool = False
    """True when ``least`` itself has no meaning either."""

    def parse(self, text: str) -> float:
        """The value in the base unit of ``"<number> <unit>"``; ``UnitError`` when it is not one."""
        text = text.strip()
        match = _NUMBER.match(text)
        if match is None or _COMMA.match(text):
            raise UnitError(self._refusal(text, _not_a_number(text)))
        rest = text[match.end() :].strip()
        if not rest:
            raise UnitError(self._refusal(text, "the unit is missing"))
        unit = self._find(rest)
        if unit is None:
            raise UnitError(self._refusal(text, f"unit {rest!r} is not known here"))
        value = (Fraction(match.group()) + unit.shift) * unit.factor
        if self.least is not None and (value < self.least or (self.above and value == self.least)):
            raise UnitError(f"{self.name} {text!r}: must be {self._limit(unit)}")
        return _as_float(value, f"{self.name} {text!r}")

    def to(self, value: float, unit: str) -> float:
        """A value in the base unit, in another unit. An unknown unit raises ``UnitError``."""
        if not math.isfinite(value):
            return value
        known = self.unit(unit)
        return _as_float(Fraction(value) / known.factor - known.shift, f"{value} {unit}")

    def format(self, value: float | None, unit: str, decimals: int | None = None) -> str:
        """``"60.9 kPa"``; a missing value is a dash."""
        known = self.unit(unit)
        if value is None or not math.isfinite(value):
            return f"– {known.symbol}"
        places = known.decimals if decimals is None else decimals
        shown = f"{self.to(value, unit):.{places}f}"
        if float(shown) == 0.0:
            shown = shown.removeprefix("-")
        return f"{shown} {known.symbol}"

    def unit(self, spelling: str) -> Unit:
        """The unit of this spelling."""
        unit = self._find(spelling)
        if unit is None:
            raise UnitError(f"{self.name}: unit {spelling!r} is not one of {self.accepted()}")
        return unit

    def accepted(self) -> str:
        """The units for a message: ``mJ/cm2, J/cm2, J/m2``."""
        return ", ".join(unit.spellings[0] for unit in self.units)

    def _find(self, spelling: str) -> Unit | None:
        wanted = _normal(spelling)
        for unit in self.units:
            if wanted in map(_normal, unit.spellings):
                return unit
        if wanted.startswith("M"):  # mega is not milli: never guess
            return None
        for unit in self.units:
            if wanted.lower() in (_normal(s).lower() for s in unit.spellings):
                return unit
        return None

    def _refusal(self, text: str, why: str) -> str:
        return f"{self.name} {text!r}: {why}; write a number and one of {self.accepted()}"

    def _limit(self, unit: Unit) -> str:
        assert self.least is not None
        least = float(self.least / unit.factor - unit.shift)
        relation = "greater than" if self.above else "at least"
        return f"{relation} {least:g} {unit.symbol}"


def _normal(spelling: str) -> str:
    for found, written in (("²", "2"), ("^2", "2"), ("**2", "2"), ("º", "°"), (" ", ""), (".", "")):
        spelling = spelling.replace(found, written)
    return spelling


def _not_a_number(text: str) -> str:
    if not text:
        return "nothing was given"
    if _COMMA.match(text):
        return "a comma may mean thousands or decimals; use a point and no thousands mark"
    return "it does not begin with a finite number"


def _as_float(value: Fraction, what: str) -> float:
    try:
        return float(value)
    except OverflowError:
        raise UnitError(f"{what}: too large") from None


def _units(*rows: tuple[str, str, str, int]) -> tuple[Unit, ...]:
    """Rows of symbol, spellings, factor, decimals."""
    return tuple(Unit(symbol, tuple(s.split("|")), Fraction(f), n) for symbol, s, f, n in rows)


INHG_KPA = Fraction("13595.1") * Fraction("9.80665") * Fraction("0.0254") / 1000
"""Conventional inch of mercury, NIST SP 811."""

DOSE = Quantity(
    "dose",
    _units(
        ("mJ/cm²", "mJ/cm2", "1", 1),
        ("J/cm²", "J/cm2", "1000", 3),
        ("J/m²", "J/m2", "1/10", 0),
    ),
    least=Fraction(0),
    above=True,
)
IRRADIANCE = Quantity(
    "irradiance",
    _units(("mW/cm²", "mW/cm2", "1", 2), ("W/m²", "W/m2", "1/10", 1)),
    least=Fraction(0),
)
PRESSURE = Quantity(
    "pressure",
    (
        *_units(("kPa", "kPa", "1", 1), ("mbar", "mbar|hPa", "1/10", 0)),
        Unit("inHg", ("inHg", "in Hg", '"Hg'), INHG_KPA, 1),
    ),
)
TEMPERATURE = Quantity(
    "temperature",
    (
        Unit("°C", ("degC", "°C", "C"), Fraction(1), 1),
        Unit("°F", ("degF", "°F", "F"), Fraction(5, 9), 1, shift=Fraction(-32)),
    ),
    least=Fraction("-273.15"),
)
DURATION = Quantity(
    "duration",
    _units(
        ("s", "s|sec|second|seconds", "1", 1),
        ("min", "min|minute|minutes", "60", 1),
        ("h", "h|hour|hours", "3600", 2),
        ("ms", "ms", "1/1000", 0),
    ),
    least=Fraction(0),
)


class Suffix(NamedTuple):
    """The unit that a name such as ``expected_mw_cm2`` ends in."""

    symbol: str
    quantity: Quantity | None = None
    """Where people choose the unit it is shown in."""
    words: str = ""
    """What belongs to the symbol in English."""


SUFFIXES: Mapping[str, Suffix] = {
    "_mj_cm2": Suffix("mJ/cm²", DOSE),
    "_mw_cm2": Suffix("mW/cm²", IRRADIANCE),
    "_mw_cm2_per_count": Suffix("mW/cm²", words="per count"),
    "_kpa": Suffix("kPa", PRESSURE),
    "_kpa_per_min": Suffix("kPa/min"),
    "_c": Suffix("°C", TEMPERATURE),
    "_c_per_min": Suffix("°C/min"),
    "_per_c": Suffix("1/°C"),
    "mv_per_c": Suffix("mV/°C"),
    "_kj_mol": Suffix("kJ/mol"),
    "_um": Suffix("µm"),
    "_cm2": Suffix("cm²"),
    "_lines_per_cm": Suffix("lines/cm"),
    "_m": Suffix("m"),
    "_deg": Suffix("°"),
    "_s": Suffix("s"),
    "_min": Suffix("min"),
    "_ms": Suffix("ms"),
    "_hz": Suffix("Hz"),
    "_v": Suffix("V"),
    "_mv": Suffix("mV"),
    "_ma": Suffix("mA"),
    "_ohm": Suffix("ohm"),
    "_h": Suffix("h"),
    "_days": Suffix("", words="days"),
    "_pct": Suffix("%"),
    "_pct_per_c": Suffix("%/°C"),
    "_pct_per_year": Suffix("%/year"),
    "_ppm": Suffix("ppm"),
    "_bits": Suffix("bit"),
    "_counts": Suffix("", words="counts"),
    "_ticks": Suffix("", words="ticks"),
}
"""Every unit that names of recipes, configuration and record end in; the longest ending counts."""
_NO_UNIT = Suffix("")


def named(name: str) -> tuple[str, Suffix]:
    """What a value is by its name, and its unit: "expected" and mW/cm²."""
    ending = max((end for end in SUFFIXES if name.endswith(end)), key=len, default="")
    what = name.removesuffix(ending) or name
    return what.replace("_", " "), SUFFIXES.get(ending, _NO_UNIT)

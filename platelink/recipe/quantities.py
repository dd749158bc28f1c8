"""Quantities of recipes, lots and screens as people type them: depth, area, ruling. Pure.

An inch is 2.54 cm exactly: NIST Special Publication 811 (2008), Appendix B.8.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated

from pydantic import BeforeValidator

from platelink.forms.keys import Typed, reader
from platelink.units import Quantity, Unit

_INCH_CM = Fraction("2.54")

DEPTH = Quantity(
    "depth",
    (
        Unit("µm", ("um", "µm", "μm"), Fraction(1), 1),
        Unit("mm", ("mm",), Fraction(1000), 4),
        Unit("mil", ("mil", "thou"), _INCH_CM * 10, 3),
    ),
    least=Fraction(0),
)
AREA = Quantity(
    "area",
    (
        Unit("cm²", ("cm2",), Fraction(1), 0),
        Unit("m²", ("m2",), Fraction(10_000), 4),
        Unit("in²", ("in2", "sq in"), _INCH_CM**2, 1),
    ),
    least=Fraction(0),
)
RULING = Quantity(
    "ruling",
    (
        Unit("lines/cm", ("lines/cm", "l/cm"), Fraction(1), 1),
        Unit("lines/in", ("lines/in", "lpi", "l/in"), 1 / _INCH_CM, 1),
    ),
    least=Fraction(0),
    above=True,
)

Micrometres = Annotated[float, BeforeValidator(reader(DEPTH)), Typed(DEPTH, "25 um")]
SquareCm = Annotated[float, BeforeValidator(reader(AREA)), Typed(AREA, "1.2 m2")]
LinesPerCm = Annotated[float, BeforeValidator(reader(RULING)), Typed(RULING, "120 lines/in")]

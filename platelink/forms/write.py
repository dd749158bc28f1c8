"""Writes a section as TOML that reads back as exactly the same. Pure."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from decimal import Decimal

from platelink.forms.keys import Off, Section
from platelink.forms.walk import toml_value, typed_of
from platelink.units import Quantity, Unit, UnitError


def to_toml(section: Section) -> str:
    """Every key that says something: one that is left out stands for nothing, or its default."""
    return "\n".join(_lines(section, "")) + "\n"


def typed(quantity: Quantity, value: float, *, symbol: bool = False) -> str:
    """The text with a unit that means exactly ``value``, short as a person would have typed it: in
    the base unit unless another is shorter by two characters. ``symbol``: with the unit's symbol,
    which is for reading."""
    best, least = (quantity.units[0], _plain(repr(value))), math.inf
    for unit in quantity.units:
        number = _exact(quantity, unit, value)
        cost = len(number.replace(".", "")) + (unit is not quantity.units[0])
        if number and cost < least:
            best, least = (unit, number), cost
    unit, number = best
    return f"{number} {unit.symbol if symbol else unit.spellings[0]}"


def _exact(quantity: Quantity, unit: Unit, value: float) -> str:
    """The shortest number that means exactly ``value`` in this unit; empty when none does."""
    name = unit.spellings[0]
    shown = quantity.to(value, name)
    for places in range(1, 18):
        number = _plain(f"{shown:.{places}g}")
        try:
            if quantity.parse(f"{number} {name}") == value:
                return number
        except UnitError:  # rounded to below the least that has a meaning
            continue
    return ""


def _plain(number: str) -> str:
    """Without an exponent or an empty fraction."""
    written = f"{Decimal(number):f}"
    return written.rstrip("0").rstrip(".") if "." in written else written


def _lines(section: Section, path: str) -> Iterator[str]:
    inner = []
    for name, field in type(section).model_fields.items():
        value = getattr(section, name)
        quantity = typed_of(field)
        if isinstance(value, Section) or _is_list(value):
            inner.append((name, value))
        elif value is None:
            if any(isinstance(mark, Off) for mark in field.metadata):
                yield f"{name} = false"
        elif isinstance(value, tuple):
            if value:
                yield f"{name} = {toml_value(value)}"
        elif quantity is not None:
            yield f"{name} = {json.dumps(typed(quantity.quantity, value), ensure_ascii=False)}"
        else:
            yield f"{name} = {toml_value(value)}"
    for name, value in inner:
        below = f"{path}.{name}".removeprefix(".")
        if isinstance(value, Section):
            yield from ("", f"[{below}]")
            yield from _lines(value, below)
        else:
            for one in value:
                yield from ("", f"[[{below}]]")
                yield from _lines(one, below)


def _is_list(value: object) -> bool:
    return isinstance(value, tuple) and any(isinstance(one, Section) for one in value)

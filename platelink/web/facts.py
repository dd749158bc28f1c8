"""Values named with their unit, such as ``dose_mj_cm2``, as rows that people read. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from platelink.units import named
from platelink.web.formats import QUANTITIES, Formats

DIGITS = 6
NAMES = {quantity: name for name, quantity in QUANTITIES.items()}


class Fact(NamedTuple):
    """One row."""

    name: str
    """What it is, in the words of its key; templates hand it to the catalogue."""

    value: str | bool
    """Ready to be shown, but for yes and no."""


def facts(
    values: Mapping[str, Any], f: Formats, leave: tuple[str, ...] = (), prefix: str = ""
) -> Iterator[Fact]:
    """Every value that is set, nested ones after the name of what they belong to."""
    for key, value in values.items():
        if key in leave or value in (None, [], {}, ""):
            continue
        if isinstance(value, Mapping):
            yield from facts(value, f, (), f"{prefix}{_words(key)} · ")
        elif isinstance(value, list) and isinstance(value[0], Mapping):
            for place, one in enumerate(value, start=1):
                own = one.get("name") or f"{_words(key)} {place}"
                yield from facts(one, f, ("name",), f"{prefix}{own} · ")
        else:
            name, shown = _shown(key, value, f)
            yield Fact(prefix + name, shown)


def _shown(key: str, value: Any, f: Formats) -> tuple[str, str | bool]:
    if isinstance(value, bool):
        return _words(key), value
    if isinstance(value, list):
        return _words(key), ", ".join(map(str, value))
    if not isinstance(value, int | float) or key.endswith("_id"):
        return _words(key), f.day(str(value)) if key.endswith("_on") else str(value)
    name, suffix = named(key)
    if suffix.quantity is not None:
        return name, f.quantity(value, NAMES[suffix.quantity])
    if suffix.symbol == "s":
        return name, f.duration(value)
    return name, f"{number(f, value)} {suffix.symbol}".rstrip()  # words would be English


def number(f: Formats, value: float) -> str:
    """As many digits as it has, six at most."""
    if isinstance(value, int) or value == 0.0 or not math.isfinite(value):
        return f.number(value)
    decimals = max(0, DIGITS - 1 - math.floor(math.log10(abs(value))))
    shown = f.number(value, min(decimals, 12))
    mark = f.number(0.5, 1)[1]
    return shown.rstrip("0").rstrip(mark) if mark in shown else shown


def _words(key: str) -> str:
    return key.replace("_", " ")

"""Values named with their unit, such as ``dose_mj_cm2``, as rows that people read. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple

from platelink.web.formats import Formats

DIGITS = 6


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
    for suffix, show in SHOWN.items():
        if key.endswith(suffix):
            return _words(key.removesuffix(suffix)), show(f, value)
    return _words(key), number(f, value)


def number(f: Formats, value: float) -> str:
    """As many digits as it has, six at most."""
    if isinstance(value, int) or value == 0.0 or not math.isfinite(value):
        return f.number(value)
    decimals = max(0, DIGITS - 1 - math.floor(math.log10(abs(value))))
    shown = f.number(value, min(decimals, 12))
    mark = f.number(0.5, 1)[1]
    return shown.rstrip("0").rstrip(mark) if mark in shown else shown


def _plain(unit: str) -> Callable[[Formats, float], str]:
    return lambda f, value: f"{number(f, value)} {unit}".rstrip()


def _quantity(kind: str) -> Callable[[Formats, float], str]:
    return lambda f, value: f.quantity(value, kind)


SHOWN: dict[str, Callable[[Formats, float], str]] = {
    "_mw_cm2_per_count": _plain("mW/cm²"), "_kpa_per_min": _plain("kPa/min"),
    "_per_c": _plain("1/°C"), "_kj_mol": _plain("kJ/mol"), "_counts": _plain(""),
    "_ticks": _plain(""), "_bits": _plain("bit"), "_pct": _plain("%"), "_ppm": _plain("ppm"),
    "_um": _plain("µm"), "_hz": _plain("Hz"), "_mj_cm2": _quantity("dose"),
    "_mw_cm2": _quantity("irradiance"), "_kpa": _quantity("vacuum"),
    "_c": _quantity("temperature"), "_ms": _plain("ms"), "_s": lambda f, value: f.duration(value),
}  # fmt: skip
"""How a value is shown by the end of its key; the longer endings come first."""


def _words(key: str) -> str:
    return key.replace("_", " ")

"""Canonical JSON (RFC 8785) and its SHA-256: the same content is the same bytes anywhere. Pure."""

from __future__ import annotations

import hashlib
import json
import math
from decimal import Decimal
from typing import Any

_EXACT = 2**53 - 1
"""RFC 8785 takes every number as a double, and RFC 7493 calls whole numbers exact up to here: from
2^53 on two of them share one double."""


def canonical(value: Any) -> bytes:
    """A JSON value as RFC 8785 has it. ``ValueError`` for NaN, infinity, a whole number
    beyond 2^53 - 1 and a lone surrogate; ``TypeError`` for what JSON does not know."""
    return _text(value).encode()


def sha256_of(value: Any) -> str:
    """SHA-256 of the canonical form, 64 hexadecimal digits."""
    return hashlib.sha256(canonical(value)).hexdigest()


def _text(value: Any) -> str:
    match value:
        case None | bool() | str():
            return json.dumps(value, ensure_ascii=False)
        case int() if abs(value) <= _EXACT:
            return str(value)
        case float() if math.isfinite(value):
            return _number(value)
        case int() | float():
            raise ValueError(f"{value!r} has no exact form as a JSON number")
        case list() | tuple():
            return f"[{','.join(map(_text, value))}]"
        case dict():
            # RFC 8785, 3.2.3: names are sorted by their UTF-16 code units.
            names = sorted(value, key=lambda name: name.encode("utf-16-be", "surrogatepass"))
            return f"{{{','.join(f'{_text(name)}:{_text(value[name])}' for name in names)}}}"
    raise TypeError(f"{type(value).__name__} is not a JSON value")


def _number(value: float) -> str:
    """ECMA-262, Number::toString: the shortest digits, placed by the exponent."""
    if value == 0.0:
        return "0"
    sign, figures, exponent = Decimal(repr(value)).as_tuple()
    assert isinstance(exponent, int)
    digits = "".join(map(str, figures)).rstrip("0")
    count = len(digits)
    point = len(figures) + exponent
    if count <= point <= 21:
        text = digits + "0" * (point - count)
    elif 0 < point <= 21:
        text = f"{digits[:point]}.{digits[point:]}"
    elif -6 < point <= 0:
        text = f"0.{'0' * -point}{digits}"
    else:
        fraction = f".{digits[1:]}" if count > 1 else ""
        text = f"{digits[0]}{fraction}e{point - 1:+d}"
    return f"-{text}" if sign else text

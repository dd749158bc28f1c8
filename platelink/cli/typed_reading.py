"""Readings of an experiment as a person types them: asked for one by one, or as NAME=VALUE."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from platelink.cli.group import Misuse
from platelink.cli.quantities import clean

if TYPE_CHECKING:
    from platelink.forms.keys import Section

LISTED = frozenset({"points_um", "densities", "plate_cm", "sensor_cm"})
TEXTS = frozenset({"run", "plate", "lot", "for_lot", "screen", "stock", "image", "note", "who"})
"""Keys whose value is a text, even one of digits."""


def asked_reading(model: type[Section]) -> dict[str, Any] | None:
    """One reading; None where the person has no more. Asked again until it can be."""
    from pydantic import ValidationError

    while True:
        data = {}
        for i, (name, field) in enumerate(model.model_fields.items()):
            needed = field.is_required()
            hint = f"{name} ({field.description}{'' if needed else ' Empty: left out.'})"
            typed = click.prompt(hint, default="", show_default=False).strip()
            if not typed and i == 0 and not click.confirm("another reading?", default=False):
                return None
            if typed:
                data[name] = typed_value(name, typed)
        try:
            model.model_validate(data)
        except ValidationError as error:
            for one in error.errors(include_url=False):
                place = ".".join(map(str, one["loc"]))
                click.echo(clean(f"  {place}: {one['msg']}; once more"))
            continue
        return data


def typed_value(name: str, typed: str) -> Any:
    """What was typed for a key: a number, several with blanks or commas between them, a text."""
    if name in LISTED:
        return [_number_of(one) for one in typed.replace(",", " ").split()]
    return clean(typed) if name in TEXTS else _number_of(typed)


def _number_of(typed: str) -> Any:
    """A number; a text, such as one with its unit, where it is none."""
    try:
        number = float(typed)
    except ValueError:
        return clean(typed)
    if not math.isfinite(number):
        return ""
    return int(typed) if typed.lstrip("-").isdecimal() else number


def toml_of(value: Any) -> str:
    """As a TOML file has it, here the same as JSON."""
    return json.dumps(value, ensure_ascii=False)


def pairs_of(typed: Sequence[str]) -> dict[str, Any]:
    """Values by name, of texts NAME=VALUE; an empty VALUE takes a value away."""
    found: dict[str, Any] = {}
    for one in typed:
        name, mark, text = one.partition("=")
        name = name.strip()
        if not mark or not name or name in found:
            raise Misuse(f"'{clean(one)}': write each value once, as NAME=VALUE")
        found[name] = typed_value(name, text.strip()) if text.strip() else None
    return found

"""The keys of a file's models in order, with what a person needs to know of each. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import PurePath
from typing import Any, Literal, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt
from pydantic.fields import FieldInfo

from platelink.forms.keys import Section, Typed

Loc = tuple[int | str, ...]
"""A path of keys and list indices."""


def dotted(path: Loc, *, indices: bool = True) -> str:
    """``light.channel[0].weight`` of a path."""
    text = ""
    for step in path:
        if isinstance(step, str):
            text += f".{step}"
        elif indices:
            text += f"[{step}]"
    return text.removeprefix(".")


def steps(name: str) -> Loc:
    """The path of a dotted name."""
    steps = name.replace("[", ".").replace("]", "").split(".")
    return tuple(int(step) if step.isdigit() else step for step in steps)


@dataclass(frozen=True, slots=True)
class Key:
    """One key of the file."""

    section: str
    """``light.channel``; empty for a key above all sections."""
    name: str
    field: FieldInfo
    own_example: Any = None
    """Of this section alone."""

    @property
    def description(self) -> str:
        """What it means."""
        return self.field.description or ""

    @property
    def unit(self) -> str:
        """Its unit; empty for a pure number or a text."""
        return unit_of(self.field)

    @property
    def required(self) -> bool:
        """True when the file must have it."""
        return self.field.is_required()

    @property
    def default(self) -> str:
        """As the file would have it; empty without one."""
        value = self.field.default
        return "" if self.required or value is None else toml_value(value)

    @property
    def example(self) -> str:
        """What the example sets; empty when it leaves the default."""
        own = self.own_example
        return self._extra("example") if own is None else toml_value(own)

    @property
    def written(self) -> str:
        """How the example shows a key that it does not set."""
        return self.default or self._extra("sample")

    def _extra(self, name: str) -> str:
        extra = self.field.json_schema_extra
        value = extra.get(name) if isinstance(extra, dict) else None
        return "" if value is None else toml_value(value)

    @property
    def kind(self) -> str:
        """Type and bounds: ``number, > 0, at most 10``."""
        parts = [_kind(self.field)]
        for bound in self.field.metadata:
            match bound:
                case Gt(gt=limit):
                    parts.append(f"> {limit:.10g}")
                case Ge(ge=limit):
                    parts.append(f"≥ {limit:.10g}")
                case Lt(lt=limit):
                    parts.append(f"< {limit:.10g}")
                case Le(le=limit):
                    parts.append(f"≤ {limit:.10g}")
        return ", ".join(parts)


def keys(
    model: type[Section], section: str = "", examples: Mapping[str, Any] | None = None
) -> Iterator[Key]:
    """Every key below a model: its own first, then those of its sections."""
    inner = []
    for name, field in model.model_fields.items():
        below = section_of(field)
        if below is None:
            yield Key(section, name, field, (examples or {}).get(name))
        else:
            inner.append((name, below, field.json_schema_extra))
    for name, below, extra in inner:
        own: Any = extra.get("examples") if isinstance(extra, dict) else None
        yield from keys(below, f"{section}.{name}".removeprefix("."), own)


def sections(model: type[Section], prefix: str = "") -> Iterator[tuple[str, FieldInfo]]:
    """Every section below a model with the field that holds it, outer before inner."""
    for name, field in model.model_fields.items():
        below = section_of(field)
        if below is not None:
            path = f"{prefix}.{name}".removeprefix(".")
            yield path, field
            yield from sections(below, path)


def section_of(field: FieldInfo) -> type[Section] | None:
    """The model of a field that is a section or a list of them."""
    for part in _parts(field.annotation):
        if isinstance(part, type) and issubclass(part, Section):
            return part
    return None


def is_list(field: FieldInfo) -> bool:
    """True for a list of sections, ``[[light.channel]]``."""
    return get_origin(field.annotation) is tuple


@dataclass(frozen=True, slots=True)
class Place:
    """Where pydantic's path leads."""

    path: Loc
    """As the file has it: pydantic also names the kind of an entry, which is no key."""
    field: FieldInfo | None
    """None where there is no such key, and for a list's entry as a whole."""
    holder: type[Section]
    """The section whose key it is, or would be."""
    members: Mapping[str, type[Section]]
    """The kinds of section an entry of this list can be; empty where there is one kind only."""


def place(model: type[Section], loc: Loc) -> Place:
    """The place at a path as pydantic tells it."""
    path: list[int | str] = []
    found: FieldInfo | None = None
    holder, here = model, model
    members: Mapping[str, type[Section]] = {}
    for step in loc:
        if isinstance(step, int):
            found = None
        elif step in members:
            here, members = members[step], {}
            continue
        else:
            holder = here
            found = here.model_fields.get(step)
            members = members_of(found) if found is not None else {}
            here = (section_of(found) if found is not None else None) or here
        path.append(step)
    return Place(tuple(path), found, holder, members)


def members_of(field: FieldInfo) -> Mapping[str, type[Section]]:
    """The models of a list whose entries tell by their ``kind`` which of them they are."""
    members: dict[str, type[Section]] = {}
    for part in _parts(field.annotation):
        if isinstance(part, type) and issubclass(part, Section) and "kind" in part.model_fields:
            members[get_args(part.model_fields["kind"].annotation)[0]] = part
    return members if len(members) > 1 else {}


def typed_of(field: FieldInfo) -> Typed | None:
    """The quantity of a field that may be typed with its unit."""
    parts = (*_parts(field.annotation), *field.metadata)
    return next((part for part in parts if isinstance(part, Typed)), None)


def unit_of(field: FieldInfo | None) -> str:
    """Unit of a field's number."""
    extra = field.json_schema_extra if field is not None else None
    return str(extra.get("unit", "")) if isinstance(extra, dict) else ""


def toml_value(value: Any) -> str:
    """A single value as TOML has it."""
    match value:
        case bool():
            return "true" if value else "false"
        case str() | PurePath():
            return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
        case int() | float():
            return repr(value)
        case date():
            return value.isoformat()
        case tuple():
            return f"[{', '.join(map(toml_value, value))}]"
    raise TypeError(f"{type(value).__name__} has no place in the file")


def _parts(annotation: Any) -> Iterator[Any]:
    """An annotation and everything inside it, outer before inner."""
    yield annotation
    if get_origin(annotation) is not Literal:
        for inner in get_args(annotation):
            yield from _parts(inner)


def _kind(field: FieldInfo) -> str:
    parts = [*_parts(field.annotation), *field.metadata]
    for part in parts:
        if isinstance(part, Typed):
            return f"number or text such as {json.dumps(part.sample)}"
    choices = [json.dumps(c) for part in parts if get_origin(part) is Literal for c in _args(part)]
    if choices and float in parts:
        return f"number, text with its unit, or {' or '.join(choices)}"
    if choices:
        return " or ".join(choices)
    if get_origin(field.annotation) is tuple:
        return "list of whole numbers" if int in _args(field.annotation) else "list of texts"
    for kind, word in _KINDS:
        if kind in parts:
            return word
    return "text"


_KINDS = ((bool, "true or false"), (int, "whole number"), (float, "number"), (date, "date"))


def _args(part: Any) -> tuple[Any, ...]:
    return get_args(part)

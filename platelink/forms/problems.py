"""What is wrong with a file that people wrote: all of it at once, with value, bound and unit."""

from __future__ import annotations

import difflib
import json
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from platelink.forms.keys import Section
from platelink.forms.limits import TEXT_BYTES, over, too_long
from platelink.forms.walk import Loc, Place, dotted, place, section_of, steps, unit_of

MOST = 100
"""Faults that are told of one file."""
Hide = Callable[[Loc, bool], bool]
"""(path, whether the key is unknown): True when the value must not be shown."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong with a file."""

    file: str
    key: str
    """Path of the key, ``light.channel[0].weight``; empty when it is the file itself."""
    value: str | None
    """As written; None when there is none to show."""
    text: str

    def __str__(self) -> str:
        if not self.key:
            return f"{self.file}: {self.text}"
        value = "" if self.value is None else f" = {self.value}"
        return f"{self.file}: {self.key}{value} : {self.text}"


class FormError(Exception):
    """The file cannot be used; ``problems`` says everything that is wrong with it."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("\n".join(map(str, problems)))
        self.problems = tuple(problems)


def read(path: Path, *, missing: str, kind: type[FormError]) -> str:
    """The text of a file, or an error of ``kind``. ``missing``: what to do when there is none."""
    try:
        with path.open("rb") as file:
            found = file.read(TEXT_BYTES + 1)
        if len(found) > TEXT_BYTES:
            raise kind([_whole(str(path), too_long(f"more than {TEXT_BYTES}"))])
        return found.decode("utf-8").replace("\r\n", "\n").replace("\r", "\n")
    except OSError as error:
        why = error.strerror or str(error)
        advice = missing if not path.exists() else "check its owner"
        raise kind([_whole(str(path), f"cannot be read ({why}); {advice}")]) from None
    except UnicodeDecodeError as error:
        raise kind([_whole(str(path), f"is not UTF-8 text ({error.reason})")]) from None


def parse(text: str, file: str, *, form: int, kind: type[FormError]) -> dict[str, Any]:
    """The tables of a TOML text whose ``format`` is ``form``, or an error of ``kind``."""
    limit = over(text)
    if limit is not None:
        raise kind([_whole(file, limit)])
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise kind([_whole(file, f"is not TOML: {error}")]) from None
    found = data.get("format")
    if found != form or isinstance(found, bool):
        raise kind([Problem(file, "format", shown(found), _format_text(found, form))])
    return data


def _whole(file: str, text: str) -> Problem:
    return Problem(file, "", None, text)


def _format_text(found: object, form: int) -> str:
    if found is None:
        return f"is missing; write format = {form} at the top of the file"
    if not isinstance(found, int) or isinstance(found, bool):
        return f"must be the whole number {form}"
    if found > form:
        return f"this platelink reads format {form}, the file is newer; update platelink"
    return (
        f"this platelink reads format {form}, the file is older; compare it with the example, "
        f"then write format = {form}"
    )


def never(path: Loc, unknown: bool) -> bool:
    """Nothing is hidden."""
    return False


@dataclass(frozen=True, slots=True)
class Reading:
    """A file's tables as they were read, to tell what is wrong with them."""

    model: type[Section]
    data: dict[str, Any]
    file: str
    hide: Hide = never
    words: Mapping[str, str] = field(default_factory=dict)
    """Texts for kinds of error that mean something particular in this file."""
    moved: Mapping[str, str] = field(default_factory=dict)
    """Keys that this file had once, and what to do with them."""

    def problems(self, error: ValidationError) -> list[Problem]:
        """What pydantic found, in the order of the model; of very many faults the first ones."""
        details = error.errors(include_url=False)
        found = [problem for detail in details[:MOST] for problem in self._problems(detail)]
        if len(details) > MOST:
            left = len(details) - MOST
            found.append(_whole(self.file, f"has {left} more faults; fix these first"))
        return found

    def problem(self, path: Loc, text: str, *, unknown: bool = False) -> Problem:
        """A problem of the key at a path."""
        value = _value_at(self.data, path)
        if self.hide(path, unknown):
            written: str | None = "(hidden)" if value is not None or unknown else None
        else:
            written = shown(value)
        return Problem(self.file, dotted(path), written, text)

    def _problems(self, detail: ErrorDetails) -> Iterator[Problem]:
        """The problems in one error of pydantic; a check of a whole section may hold several, each
        a line ``key: text``."""
        kind = detail["type"]
        at = place(self.model, detail["loc"])
        if kind == "value_error" and isinstance(detail["input"], dict):
            for line in _message(detail).splitlines():
                name, _, text = line.partition(": ")
                yield self.problem((*at.path, *steps(name)), text)
        elif kind == "missing":
            unit = unit_of(at.field)
            text = "is missing" + (f" (unit {unit})" if unit else "")
            yield self.problem(at.path, text + _what_for(at.field))
        elif kind == "too_short" and _value_at(self.data, at.path):
            return  # pydantic counts good entries only, and the bad ones are told
        elif kind == "extra_forbidden":
            moved = self.moved.get(dotted(at.path, indices=False))
            yield self.problem(at.path, moved or _unknown(at, detail["input"]), unknown=True)
        elif kind.startswith("union_tag"):
            context = detail.get("ctx", {})
            name = str(context["discriminator"]).strip("'")
            known = context.get("expected_tags") or ", ".join(map(repr, at.members))
            wrong = "is missing; write one of" if kind.endswith("not_found") else "must be one of"
            yield self.problem((*at.path, name), f"{wrong} {known}")
        else:
            yield self.problem(at.path, self._text(at, detail))

    def _text(self, at: Place, detail: ErrorDetails) -> str:
        kind, context, unit = detail["type"], detail.get("ctx", {}), unit_of(at.field)
        words = {**_WORDS, **self.words}
        if kind in _RELATIONS:
            bound, relation = _RELATIONS[kind]
            return f"{relation} {context[bound]:.10g} {unit}".rstrip()
        if kind in _LENGTHS:
            bound, relation = _LENGTHS[kind]
            return f"{relation} {context[bound]}"
        if kind == "literal_error":
            return f"must be {context['expected']}"
        if kind == "tuple_type":
            sections = at.field is not None and section_of(at.field) is not None
            heads = f" of sections, [[{dotted(at.path, indices=False)}]]"
            return "must be a list" + (heads if sections else ' of texts, ["…", "…"]')
        if kind in words:
            return f"{words[kind]}{f' ({unit})' if unit and 'number' in words[kind] else ''}"
        return _message(detail)


def _message(detail: ErrorDetails) -> str:
    return detail["msg"].removeprefix("Value error, ")


def _what_for(found: FieldInfo | None) -> str:
    return f"; {found.description}" if found is not None and found.description else ""


_RELATIONS = {
    "greater_than": ("gt", "must be greater than"),
    "greater_than_equal": ("ge", "must be at least"),
    "less_than": ("lt", "must be less than"),
    "less_than_equal": ("le", "must be at most"),
}
_LENGTHS = {
    "too_short": ("min_length", "least number of entries:"),
    "too_long": ("max_length", "greatest number of entries:"),
}
_WORDS = {
    "finite_number": "must be a finite number",
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "string_type": "must be a text in quotes",
    "bool_type": "must be true or false",
    "date_type": "must be a date such as 2026-01-15, without quotes",
    "model_type": "must be a section",
    "model_attributes_type": "must be a section",
    "path_type": "must be a text in quotes",
    "is_instance_of": "must be a text in quotes",
    "string_too_short": "must not be empty",
}


def _unknown(at: Place, value: object) -> str:
    names = list(at.holder.model_fields)
    near = difflib.get_close_matches(str(at.path[-1]), names, n=1)
    what = "section" if isinstance(value, dict) else "key"
    advice = f"did you mean {near[0]}?" if near else f"known are {', '.join(names)}"
    return f"is not a known {what}; {advice}"


def shown(value: object) -> str | None:
    """A value as the file has it; tables and lists are too long to repeat."""
    if value is None or isinstance(value, dict | list | tuple):
        return None
    if isinstance(value, str | bool):
        return json.dumps(value, ensure_ascii=False)
    return str(value)


def _value_at(data: Any, path: Loc) -> Any:
    for step in path:
        if isinstance(data, dict):
            data = data.get(step)
        elif isinstance(data, list) and isinstance(step, int) and step < len(data):
            data = data[step]
        else:
            return None
    return data

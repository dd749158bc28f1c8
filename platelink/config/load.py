"""Reads the configuration file: everything that is wrong with it is told at once."""

from __future__ import annotations

import difflib
import json
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from platelink.config.keys import Section
from platelink.config.model import FORMAT, SECRETS, Config, RecorderConfig, faults
from platelink.config.walk import field_at, section_at, unit_of

_Model = TypeVar("_Model", bound=Section)
_WITH_SECRETS = ("broker", "store")


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong with a configuration file."""

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


class ConfigError(Exception):
    """The file cannot be used; ``problems`` says everything that is wrong with it."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("\n".join(map(str, problems)))
        self.problems = tuple(problems)


def load(path: Path | str) -> Config:
    """The configuration of a unit's daemon; ``ConfigError`` lists everything wrong."""
    path = Path(path)
    return _config(_read(path), path)


def loads(text: str, file: str = "platelink.toml") -> Config:
    """``load`` of a text; its paths are relative to the directory of ``file``."""
    return _config(_parse(text, file), Path(file))


def load_recorder(path: Path | str) -> RecorderConfig:
    """The recorder's part of the same file; the sections of a unit may be there or not."""
    path = Path(path)
    data = _read(path)
    of_unit = Config.model_fields.keys() - RecorderConfig.model_fields.keys()
    return _validate(RecorderConfig, {k: v for k, v in data.items() if k not in of_unit}, path)


def _config(data: dict[str, Any], path: Path) -> Config:
    config = _validate(Config, data, path)
    problems = [
        Problem(str(path), name, _value_at(data, name), text) for name, text in faults(config)
    ]
    if problems:
        raise ConfigError(problems)
    return config


def _read(path: Path) -> dict[str, Any]:
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        why = error.strerror or str(error)
        advice = "write one, starting from the example" if not path.exists() else "check its owner"
        raise ConfigError([_whole(str(path), f"cannot be read ({why}); {advice}")]) from None
    except UnicodeDecodeError as error:
        raise ConfigError([_whole(str(path), f"is not UTF-8 text ({error.reason})")]) from None
    return _parse(text, str(path))


def _parse(text: str, file: str) -> dict[str, Any]:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([_whole(file, f"is not TOML: {error}")]) from None
    found = data.get("format")
    if found != FORMAT or isinstance(found, bool):
        raise ConfigError([Problem(file, "format", _shown(found), _format_text(found))])
    return data


def _whole(file: str, text: str) -> Problem:
    return Problem(file, "", None, text)


def _format_text(found: object) -> str:
    if found is None:
        return f"is missing; write format = {FORMAT} at the top of the file"
    if not isinstance(found, int) or isinstance(found, bool):
        return f"must be the whole number {FORMAT}"
    if found > FORMAT:
        return f"this platelink reads format {FORMAT}, the file is newer; update platelink"
    return (
        f"this platelink reads format {FORMAT}, the file is older; compare it with the example, "
        f"then write format = {FORMAT}"
    )


def _validate(model: type[_Model], data: dict[str, Any], path: Path) -> _Model:
    try:
        return model.model_validate(data, context={"base": path.absolute().parent})
    except ValidationError as error:
        problems = [
            problem
            for detail in error.errors(include_url=False)
            for problem in _problems(model, detail, data, str(path))
        ]
        raise ConfigError(problems) from None


def _problems(
    model: type[Section], detail: ErrorDetails, data: dict[str, Any], file: str
) -> Iterator[Problem]:
    """The problems in one error of pydantic; a check of a whole section may hold several, each a
    line ``key: text``."""
    path, kind = detail["loc"], detail["type"]
    found = field_at(model, path)
    if kind == "value_error" and isinstance(detail["input"], dict):
        for line in _message(detail).splitlines():
            name, _, text = line.partition(": ")
            dotted = _dotted((*path, name))
            yield Problem(file, dotted, _value_at(data, dotted), text)
        return
    dotted = _dotted(path)
    if kind == "missing":
        unit = unit_of(found)
        text = "is missing" + (f" (unit {unit})" if unit else "")
        yield Problem(file, dotted, None, text + _what_for(found))
    elif kind == "extra_forbidden":
        # a misspelt password must not be shown either
        value = "(hidden)" if path[0] in _WITH_SECRETS else _value_at(data, dotted)
        yield Problem(file, dotted, value, _unknown(model, path, detail["input"]))
    else:
        yield Problem(file, dotted, _value_at(data, dotted), _text(found, detail))


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
_WORDS = {
    "finite_number": "must be a finite number",
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "string_type": "must be a text in quotes",
    "bool_type": "must be true or false",
    "date_type": "must be a date such as 2026-01-15, without quotes",
    "model_type": "must be a section",
    "tuple_type": "must be a list of sections, [[light.channel]]",
    "path_type": "must be a text in quotes",
    "is_instance_of": "must be a text in quotes",
    "string_too_short": "must not be empty",
    "string_pattern_mismatch": "must begin with http:// or https:// and a name",
}


def _text(found: FieldInfo | None, detail: ErrorDetails) -> str:
    kind, context, unit = detail["type"], detail.get("ctx", {}), unit_of(found)
    if kind in _RELATIONS:
        bound, words = _RELATIONS[kind]
        return f"{words} {context[bound]:.10g} {unit}".rstrip()
    if kind == "literal_error":
        return f"must be {context['expected']}"
    if kind in _WORDS:
        return f"{_WORDS[kind]}{f' ({unit})' if unit and 'number' in _WORDS[kind] else ''}"
    return _message(detail)


def _unknown(model: type[Section], path: tuple[int | str, ...], value: object) -> str:
    names = list(section_at(model, path[:-1]).model_fields)
    near = difflib.get_close_matches(str(path[-1]), names, n=1)
    what = "section" if isinstance(value, dict) else "key"
    advice = f"did you mean {near[0]}?" if near else f"known are {', '.join(names)}"
    return f"is not a known {what}; {advice}"


def _dotted(path: tuple[int | str, ...]) -> str:
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else f".{step}"
    return text.removeprefix(".")


def _shown(value: object) -> str | None:
    """A value as the file has it; tables and lists are too long to repeat."""
    if value is None or isinstance(value, dict | list | tuple):
        return None
    if isinstance(value, str | bool):
        return json.dumps(value, ensure_ascii=False)
    return str(value)


def _value_at(data: Any, dotted: str) -> str | None:
    for step in dotted.replace("[", ".").replace("]", "").split("."):
        if isinstance(data, dict):
            data = data.get(step)
        elif isinstance(data, list) and step.isdigit():
            data = data[int(step)]
        else:
            return None
    name = dotted.rpartition(".")[2]
    return "(hidden)" if data is not None and name in SECRETS else _shown(data)

"""The configuration for people: settings in force, the example file, the table of keys."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from platelink.config.model import Config, effective
from platelink.forms.keys import Section
from platelink.forms.walk import Key, is_list, keys, sections, toml_value

_LEFT_OUT = frozenset({"alerts", "broker", "jetstream", "modbus", "shop", "stamping", "store"})
"""Optional services, and sensors that others take the place of: in the example, but commented
out."""
_HEADER = (
    "Configuration of one platelink unit. All values are invented: enter your own.",
    "A line that begins with '#' and a setting shows its default, or how it is written.",
    "Numbers are in the unit of their key's name; where a text with a unit stands as a value,",
    "a number would do as well.",
)


def show(config: Section) -> str:
    """The settings in force as TOML; defaults are marked, secrets hidden, unset keys left out."""
    return "\n".join(_show(config, "", effective(config))) + "\n"


def _show(section: Section, path: str, values: dict[str, Any]) -> Iterator[str]:
    inner = []
    for name in type(section).model_fields:
        value = getattr(section, name)
        if _holds_keys(value):
            inner.append((name, value))
        elif value is not None:
            shown = values[name] if values[name] == "(hidden)" else value
            mark = "" if name in section.model_fields_set else "  # default"
            yield f"{name} = {toml_value(shown)}{mark}"
    for name, value in inner:
        below = f"{path}.{name}".removeprefix(".")
        if isinstance(value, Section):
            yield from ("", f"[{below}]")
            yield from _show(value, below, values[name])
        else:
            for one, plain in zip(value, values[name], strict=True):
                yield from ("", f"[[{below}]]")
                yield from _show(one, below, plain)


def _holds_keys(value: object) -> bool:
    """True of a section and of a list of them; a list of texts is a value."""
    return isinstance(value, Section) or (
        isinstance(value, tuple) and bool(value) and isinstance(value[0], Section)
    )


def example() -> str:
    """A complete file with every key explained; it loads as it stands."""
    lines = [f"# {line}" for line in _HEADER]
    by_section: dict[str, list[Key]] = {}
    for key in keys(Config):
        by_section.setdefault(key.section, []).append(key)
    lines += _example_keys(by_section[""], off=False)
    for path, field in sections(Config):
        off = path.partition(".")[0] in _LEFT_OUT
        head = f"[[{path}]]" if is_list(field) else f"[{path}]"
        lines += ["", "", *_prose(field.description or "")]
        lines.append(f"#{head}" if off else head)
        lines += _example_keys(by_section[path], off=off)
    return "\n".join(lines) + "\n"


def _example_keys(group: list[Key], *, off: bool) -> Iterator[str]:
    for key in group:
        facts = "; ".join(filter(None, (key.unit, key.kind)))
        yield ""
        yield from _prose(f"{key.description} ({facts})")
        if key.example:
            yield f"{'#' if off else ''}{key.name} = {key.example}"
        else:
            yield f"#{key.name} = {key.written}"


def _prose(text: str) -> Iterator[str]:
    for line in textwrap.wrap(" ".join(text.split()), 96):
        yield f"# {line}"

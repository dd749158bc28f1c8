"""The keys of a file as Markdown tables, generated from its models."""

from __future__ import annotations

from collections.abc import Collection

from pydantic.fields import FieldInfo

from platelink.forms.keys import Section
from platelink.forms.walk import is_list, keys, sections

_HEAD = ("| key | value | unit | default | meaning |", "| --- | --- | --- | --- | --- |")


def key_table(
    model: type[Section], path: str = "", *, heading: str = "", leave: Collection[str] = ()
) -> str:
    """All keys below a model that stands at ``path``, a table for each section; the model's own
    keys come under ``heading``. ``leave``: paths of sections, and of own keys, left out."""
    lines: list[str] = []
    here = None
    known = dict(sections(model, path))
    for key in keys(model, path):
        if {key.section, f"{key.section}.{key.name}"} & set(leave):
            continue
        if key.section != here:
            here = key.section
            above = (heading,) if here == path else _heading(here, known[here])
            lines += ["", *above, "", *_HEAD]
        default = "required" if key.required else f"`{key.default}`" if key.default else "none"
        cells = (f"`{key.name}`", key.kind, key.unit, default, key.description)
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines).lstrip("\n") + "\n"


def _heading(path: str, field: FieldInfo) -> tuple[str, ...]:
    head = f"[[{path}]]" if is_list(field) else f"[{path}]"
    return f"## `{head}`", "", field.description or ""

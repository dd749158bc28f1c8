"""Writes the tables of keys into the page on recipes: ``python -m platelink.recipe.docs FILE``."""

from __future__ import annotations

import sys
from collections.abc import Iterator

from platelink.forms.tables import key_table
from platelink.forms.walk import keys, sections
from platelink.forms.written import between, part
from platelink.recipe.model import Recipe
from platelink.recipe.steps import KINDS, StepSection

BEGIN, END = "<!-- keys of a recipe, generated -->\n", "<!-- end of keys -->\n"


def tables() -> str:
    """The keys of a recipe, of every step, and of each kind of step."""
    return "\n".join(_tables())


def _tables() -> Iterator[str]:
    inside = {path for path, _ in sections(Recipe) if path.startswith("step")}
    yield key_table(Recipe, heading="## Above the steps", leave=inside)
    common = {f"step.{name}" for name in StepSection.model_fields} - {"step.kind"}
    yield key_table(StepSection, "step", heading="## Every `[[step]]`")
    for kind in KINDS:
        word = next(key for key in keys(kind, "step") if key.name == "kind").kind
        heading = f"## `[[step]]` with `kind = {word}`\n\n{kind.__doc__ or ''}".rstrip()
        own = common - {f"step.{name}" for name in kind.__annotations__}
        yield key_table(kind, "step", heading=heading, leave=own)


def page(text: str) -> str:
    """The page with its tables as they must be."""
    return between(text, BEGIN, END, tables())


def main(arguments: list[str]) -> int:
    """Write the tables into the page."""
    return part(arguments, "platelink.recipe.docs", page)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

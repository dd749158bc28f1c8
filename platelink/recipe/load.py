"""Recipes from TOML, and back. Everything wrong with a file is told at once."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from platelink.canonical import canonical
from platelink.forms.problems import FormError, Reading, parse, read
from platelink.recipe.model import FORMAT, Recipe, repeated


class RecipeFileError(FormError):
    """The file is not a recipe; ``problems`` says everything that is wrong with it."""


def load(path: Path | str) -> Recipe:
    """The recipe in a file; ``RecipeFileError`` lists everything wrong."""
    path = Path(path)
    missing = "begin with an example: platelink recipe example"
    return loads(read(path, missing=missing, kind=RecipeFileError), str(path))


def loads(text: str, file: str = "recipe.toml") -> Recipe:
    """``load`` of a text."""
    return recipe_of(parse(text, file, form=FORMAT, kind=RecipeFileError), file)


def recipe_of(data: dict[str, Any], file: str) -> Recipe:
    """The recipe of tables as TOML or JSON has them; ``file`` names them in what is wrong."""
    try:
        return Recipe.model_validate(data)
    except ValidationError as error:
        reading = Reading(Recipe, data, file)
        problems = reading.problems(error)
        problems += [reading.problem(path, text) for path, text in repeated(data)]
        raise RecipeFileError(list(dict.fromkeys(problems))) from None


def from_content(content: Any) -> Recipe:
    """The recipe of a content as plain JSON values; ``ValueError`` when it is none."""
    return loads_content(canonical(content).decode())


def loads_content(text: str) -> Recipe:
    """The recipe of a canonical content; ``ValueError`` (pydantic's) when it is none."""
    return Recipe.model_validate(json.loads(text))

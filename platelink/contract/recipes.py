"""Recipes and their revisions. Data only."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from platelink.contract.base import Answer, Json, Request, Utc, Why
from platelink.contract.words import ChangeKind, RevisionState

TEXT_CHARACTERS = 64 << 10
"""Of a recipe as a text; a long one has some five thousand."""


class RecipeFile(Request):
    """A recipe as a file has it."""

    toml: Annotated[str, Field(max_length=TEXT_CHARACTERS)]
    why: Why = ""


class Signed(Answer):
    """Who brought a revision into a state."""

    state: str
    who: str
    why: str
    at_utc: Utc


class Revision(Answer):
    """A revision of a recipe without its content."""

    recipe: str
    revision: int
    name: str
    state: RevisionState
    hash: str
    life: list[Signed]


class RecipeListed(Revision):
    """A revision in a list."""

    title: str
    stock: str | None


class Recipes(Answer):
    """Recipes."""

    recipes: list[RecipeListed]


class RecipeWhole(Revision):
    """A revision with its content."""

    content: Json
    revisions: list[Revision]


class Change(Answer):
    """One difference; ``step`` is empty for the recipe as a whole."""

    step: str
    kind: ChangeKind
    text: str


class Diff(Answer):
    """What differs between two revisions."""

    same: bool
    changes: list[Change]


class Checked(Answer):
    """What is wrong with a recipe, or what it would change."""

    ok: bool
    problems: list[str]
    recipe: str | None
    hash: str | None
    against: str | None
    changes: list[Change]


class Added(Revision):
    """A new draft, and what it changes."""

    against: str | None
    changes: list[Change]

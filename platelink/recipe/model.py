"""A recipe: how a plate is made, as data. Its content has a hash, not how it is typed. Pure.

The words of other trades go into names, instructions and prompts; the kinds of step are the same.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Annotated, Any, Literal, Self

from pydantic import model_validator

from platelink.canonical import canonical, sha256_of
from platelink.forms.keys import LISTED, Line, Paragraph, PlainName, Section, key, table
from platelink.forms.walk import Loc, dotted
from platelink.recipe.plate_kind import PlateSection, faults
from platelink.recipe.steps import ExposeStep, Step

FORMAT = 1
_NAMED = ("stage", "point", "check")
_ADDED = frozenset({"reciprocity", "plate", "dither_pct"})
"""Keys that came later: where they say nothing they are no part of a content."""


class ReciprocitySection(Section):
    """How the plate stock answers to weak and strong light: effect ~ irradiance^p · time
    (Schwarzschild's law). Left out, dose alone counts."""

    p: float = key(
        "Exponent p. Below 1 weak light does less than its dose says, above 1 more.", ge=0.5, le=1.5
    )
    p_uncertainty: float | None = key(
        "Standard uncertainty (k = 1) of p; left out, 0.05 is assumed and marked so.",
        None,
        ge=0.0,
        le=0.5,
    )
    reference_mw_cm2: float = key(
        "Irradiance at which the doses of this recipe were found; there a second counts the same "
        "for every p.",
        unit="mW/cm2",
        gt=0.0,
        le=1000.0,
    )


class Recipe(Section):
    """How one kind of plate is made."""

    format: Literal[1] = key("Format of this file.")
    id: PlainName = key("Name of the recipe; its revisions are numbered under it.")
    title: Line = key("Its name for people.")
    description: Paragraph | None = key("What it is for, and why it is as it is.", None)
    stock: PlainName | None = key(
        "Plate stock it was made for; a lot of another stock is refused. Left out: any.", None
    )
    reciprocity: ReciprocitySection | None = table(
        "How its plate stock answers to weak and strong light.", None
    )
    plate: PlateSection | None = table(
        "What kind of plate it is, and with it what its steps may be.", None
    )
    step: Annotated[tuple[Step, ...], LISTED] = table("The steps in order.", min_length=1)

    @model_validator(mode="after")
    def _check(self) -> Self:
        found = (*repeated(self.content()), *faults(self.plate, self.step))
        wrong = [f"{dotted(path)}: {text}" for path, text in found]
        if wrong:
            raise ValueError("\n".join(wrong))
        return self

    def content(self) -> dict[str, Any]:
        """All keys, defaults included, as plain JSON values in platelink's own units. A recipe
        without a key of ``_ADDED`` keeps the hash it had before there was any."""
        content = self.model_dump(mode="json")
        for section in (content, *content["step"]):
            for name in _ADDED & section.keys():
                if section[name] is None:
                    del section[name]
        return content

    def canonical(self) -> str:
        """The content as canonical JSON, from which ``loads_content`` makes the same recipe."""
        return canonical(self.content()).decode()

    def content_hash(self) -> str:
        """SHA-256 of the canonical content."""
        return sha256_of(self.content())

    def screens(self) -> tuple[str, ...]:
        """Names of the screens its exposures need, each once, in order."""
        named = (step.screen for step in self.step if isinstance(step, ExposeStep))
        return tuple(dict.fromkeys(name for name in named if name is not None))


def repeated(content: Any) -> Iterator[tuple[Loc, str]]:
    """(path, text) of names that stand twice where each must be once. Takes any content, also that
    of a file with other faults."""
    for at, entries in _lists(content):
        names = Counter(one.get("name") for one in entries if _named(one))
        seen: set[str] = set()
        for i, one in enumerate(entries):
            if not _named(one) or names[one["name"]] == 1:
                continue
            if one["name"] in seen:
                yield (*at, i, "name"), "is the name of an entry above; each has its own"
            seen.add(one["name"])


def _named(one: Any) -> bool:
    return isinstance(one, dict) and isinstance(one.get("name"), str)


def _lists(content: Any) -> Iterator[tuple[Loc, list[Any]]]:
    """Every list of named entries with its path."""
    steps = content.get("step") if isinstance(content, dict) else None
    if not isinstance(steps, list):
        return
    yield ("step",), steps
    for i, step in enumerate(steps):
        for name in _NAMED:
            entries = step.get(name) if isinstance(step, dict) else None
            if isinstance(entries, list):
                yield ("step", i, name), entries

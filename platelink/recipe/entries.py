"""Entries of the store: what was done to a recipe or a thing, by whom and when. Data only."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

from pydantic import JsonValue


class About(StrEnum):
    """What an entry is about."""

    RECIPE = "recipe"
    LOT = "lot"
    SCREEN = "screen"
    FILM = "film"
    ITEM = "item"


class Act(StrEnum):
    """What was done. Not every act is of every thing."""

    ADDED = "added"
    APPROVED = "approved"
    RETIRED = "retired"
    OPENED = "opened"
    USED = "used"
    COUNTED = "counted"
    CHANGED = "changed"
    CLOSED = "closed"
    KEPT = "kept"
    DONE = "done"


class Entry(NamedTuple):
    """One entry, never changed. ``number`` has no holes and is a reader's cursor."""

    number: int
    about: About
    name: str
    act: Act
    at_utc: datetime
    who: str
    why: str
    """Empty where no reason was asked for."""
    ref: str | None
    """What a use was for: the same use told twice is counted once."""
    body: dict[str, JsonValue]

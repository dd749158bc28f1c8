"""Entries of the store of people: what was done about a person, by whom and when. Data only."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

from pydantic import JsonValue

NOT_KNOWN = "not known"
"""Who gave a wrong secret: anybody may have."""
ITSELF = "platelink"


class Act(StrEnum):
    """What was done."""

    ADDED = "added"
    ROLE_CHANGED = "role changed"
    SECRET_CHANGED = "secret changed"  # noqa: S105 -- a word, no secret
    CLOSED = "closed"
    OPENED = "opened again"
    UNLOCKED = "unlocked"
    SIGNED_IN = "signed in"
    REFUSED = "sign-in refused"
    LOCKED = "locked out"
    SIGNED_OUT = "signed out"


class Entry(NamedTuple):
    """One entry, never changed. ``number`` has no holes and is a reader's cursor."""

    number: int
    name: str
    """As it was given to the person; empty where nobody has the name that was tried."""
    act: Act
    at_utc: datetime
    who: str
    why: str
    body: dict[str, JsonValue]

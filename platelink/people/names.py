"""Names of people: which may be given, and when two are the same. Pure."""

from __future__ import annotations

import unicodedata

LONGEST = 60


def key(name: str) -> str:
    """The same for names that differ in case or in how accents are composed only."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", name).casefold())


def fault(name: str) -> str | None:
    """What is wrong with a name to be given, and what to do; None when nothing is."""
    if not name or name != name.strip():
        return "a name has 1 to 60 characters and no space before or after; correct it"
    if len(name) > LONGEST:
        return f"the name has {len(name)} characters; use no more than {LONGEST}"
    if not name.isprintable():
        return "the name has a character that cannot be shown; use letters, digits, plain spaces"
    return None

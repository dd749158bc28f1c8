"""Opening a unit's journal at the daemon's start: a damaged one does not keep the unit from it."""

from __future__ import annotations

from pathlib import Path

from platelink.record.anew import Anew, began, set_aside
from platelink.record.errors import JournalDamaged, JournalDiskError
from platelink.record.journal import Journal
from platelink.record.sentinel import MAGIC


def open_or_anew(path: Path, *, unit: str, new_uuid: str) -> tuple[Journal, Anew | None]:
    """``Journal.open``; where the file is damaged, emptied or taken away, a fresh journal, and what
    became of the one before. JournalUnusable for what only a person can decide."""
    why = _gone(path)
    if not why:
        try:
            return Journal.open(path, unit=unit, new_uuid=new_uuid), None
        except JournalDamaged as error:
            why = str(error)
    try:
        aside = set_aside(path)
    except OSError as error:
        raise JournalDiskError(f"{why}; it cannot be set aside ({error.strerror})") from error
    journal = Journal.open(path, unit=unit, new_uuid=new_uuid)
    return journal, Anew(aside, why, "", 0, (), people=False)


def _gone(path: Path) -> str:
    """Why there is no journal although there was one; empty where that is not so."""
    if not began(path):
        return ""
    if not path.exists():
        return f"{path} is gone"
    with path.open("rb") as file:  # before SQLite has it: closing it later would drop its locks
        head = file.read(len(MAGIC))
    if head == MAGIC:
        return ""
    return f"{path} is {'overwritten' if head else 'empty'}"

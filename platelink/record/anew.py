"""A journal that is damaged is set aside, with all that lies beside it, and a fresh one begun."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from platelink.ledger.database import Database
from platelink.record.ballast import Ballast
from platelink.record.errors import JournalFull, NotAJournal
from platelink.record.schema import JOURNAL

HELPERS = ("", "-wal", "-shm")
"""Files of one SQLite database."""


class Anew(NamedTuple):
    """A journal was begun anew, because the one before is damaged."""

    aside: Path
    """Where that one is now."""
    why: str
    uuid: str
    """Of the one before; empty where it could not be read."""
    entries: int
    """How many it had, as far as is known."""
    runs: tuple[str, ...]
    """Runs that go on in the fresh one: it has their start, and nothing else of before."""
    people: bool
    """The one before remembered that people were entered."""


def set_aside(path: Path) -> Path:
    """Rename the file and what SQLite keeps beside it; where it is now. ``OSError`` when that
    cannot be. A file that is gone has nothing to be set aside but its log."""
    number = 1
    while any(_with(aside := path.with_name(f"{path.name}.damaged-{number}"))):
        number += 1
    for helper in HELPERS:
        with suppress(FileNotFoundError):
            path.with_name(path.name + helper).rename(aside.with_name(aside.name + helper))
    return aside


def remove(path: Path) -> None:
    """Take away a fresh journal that came to nothing."""
    for helper in HELPERS:
        path.with_name(path.name + helper).unlink(missing_ok=True)


def _with(aside: Path) -> Iterator[bool]:
    return (aside.with_name(aside.name + helper).exists() for helper in HELPERS)


def began(path: Path) -> bool:
    """True where a journal lay here before, as what it leaves beside it tells."""
    return any(path.with_name(path.name + name).exists() for name in (".ballast", "-wal"))


class Pair(NamedTuple):
    """Connections to one file: of the appending thread, and of the one that waits for the disk."""

    writes: Database
    syncs: Database

    def close(self) -> None:
        """Both."""
        for database in self:
            database.close()


def opened(path: Path, unit: str, new_uuid: str) -> Pair:
    """The file opened, and begun where it is not."""
    writes = Database(path, JOURNAL, read_only=False)
    try:
        if writes.rows("SELECT 1 FROM sqlite_master WHERE name = 'copy'"):
            raise NotAJournal(
                f"{path} is a copy of a unit's journal, into which no unit writes; set another "
                "[journal] path"
            )
        if not writes.rows("SELECT 1 FROM journal"):
            writes.execute("INSERT INTO journal VALUES (1, ?, ?)", (new_uuid, unit))
        return Pair(writes, Database(path, JOURNAL, read_only=False, any_thread=True))
    except BaseException:
        writes.close()
        raise


def opened_for(path: Path, unit: str, new_uuid: str, ballast: Ballast) -> Pair:
    """The file opened, on a full disk with a part of what is set aside: there may be light that
    only this daemon can stop."""
    try:
        return opened(path, unit, new_uuid)
    except JournalFull:
        if not ballast.release_start():
            raise
        return opened(path, unit, new_uuid)

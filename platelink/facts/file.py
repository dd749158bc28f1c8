"""A facts file, whatever it is made of: made, brought up to its source, opened to be asked.

Each batch is one commit with the cursor, so that a killed process loses nothing but time. What
cannot be trusted is made anew: a damaged file, another source's, one that knows more than there is.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from platelink.facts import rows, verify
from platelink.facts.derive import Made
from platelink.facts.schema import FACTS
from platelink.ledger.database import Database
from platelink.ledger.errors import StoreError, StoreUnavailable, StoreUnusable
from platelink.ledger.kind import Fault
from platelink.ledger.lock import WriterLock, held

Progress = Callable[[int, int], None]
"""Gets the newest entry known, and the newest there is."""


@dataclass(frozen=True, slots=True)
class Cursor:
    """How far a facts file knows its source: a journal, or what was imported."""

    uuid: str
    unit: str
    number: int
    """The newest entry known; 0: none."""
    entry: int = 0
    """Checksum of the newest known entry that holds no samples."""
    lamps: tuple[int, ...] = ()
    """When other lamps were put in, ms."""


@dataclass(frozen=True, slots=True)
class Brought:
    """What was done to bring the file up."""

    entries: int
    made: int
    anew: str
    """Why it was made anew; empty where it was not."""


class Source(Protocol):
    """What the facts follow from."""

    def strange(self, cursor: Cursor) -> str:
        """Why a file that knows so much is not of it as it is now; empty where it is."""

    def behind(self, cursor: Cursor | None) -> int:
        """So much of it is not known."""

    def follow(self, db: Database, progress: Progress, most_s: float) -> tuple[int, int]:
        """Batch by batch to the newest; entries and made that were taken up."""


def bring_up(
    source: Source, path: Path, *, anew: bool = False, whole: bool = False,
    progress: Progress = lambda *_: None, most_s: float = math.inf,
) -> Brought:  # fmt: skip
    """Make the file, or bring it up to the newest of its source; ``anew`` from the first one on.
    ``whole``: look at all of it first, however large it is. No batch is begun after ``most_s``.
    StoreUnavailable where another process is at it, StoreUnusable where the file cannot be
    written."""
    with _locked(path):
        why = "as asked" if anew else _distrusted(source, path, whole)
        if why and path.exists():
            discard(path)
        verify.unseal(path)
        db = Database(path, FACTS, read_only=False)
        try:
            entries, made = source.follow(db, progress, most_s)
        finally:
            db.close()
        verify.seal(path)
    return Brought(entries, made, why)


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    lock = WriterLock(path, FACTS)
    try:
        yield
    finally:
        lock.release()


def discard(path: Path) -> None:
    """The file with all that is beside it but its lock."""
    verify.unseal(path)
    for name in (path.name, path.name + "-journal", path.name + "-wal", path.name + "-shm"):
        path.with_name(name).unlink(missing_ok=True)


def _distrusted(source: Source, path: Path, whole: bool) -> str:
    """Why the file must be made anew; empty where it need not."""
    if not path.exists():
        return "there was none"
    try:
        db = Database(path, FACTS, read_only=False)
    except StoreError as error:
        # What is not ours, or cannot be written just now, is not thrown away.
        if isinstance(error, StoreUnavailable) or not os.access(path, os.W_OK) or not _ours(path):
            raise
        return str(error)
    try:
        look = whole or not verify.sealed(path) or path.stat().st_size <= verify.ALWAYS_BYTES
        found = verify.faults(db) if look else []
        return f"it was damaged: {found[0]}" if found else strange(source, db)
    finally:
        db.close()


def _ours(path: Path) -> bool:
    """A file with the mark of facts, or none that anybody could read."""
    head = path.read_bytes()[:100] if path.stat().st_size < 1 << 20 else path.open("rb").read(100)
    mark = int.from_bytes(head[68:72], "big")
    return mark == FACTS.application_id or path.name.endswith(
        (".facts.sqlite", ".facts.imported.sqlite")
    )


def cursor_of(db: Database) -> Cursor | None:
    """How far the file knows its source; None before its first batch."""
    found = db.rows("SELECT uuid, unit, number, entry, lamps, sum FROM cursor")
    if not found:
        return None
    *row, checksum = found[0]
    if verify.cursor_sum(tuple(row)) != checksum:
        raise FACTS.error(Fault.DAMAGED, db.path, "the cursor is not what was written")
    uuid, unit, number, entry, lamps = row
    return Cursor(uuid, unit, number, entry, tuple(json.loads(lamps)))


def strange(source: Source, db: Database) -> str:
    """Why the file is not of its source as that is now; empty where it is."""
    try:
        cursor = cursor_of(db)
    except StoreUnusable as error:
        return str(error)
    return source.strange(cursor) if cursor is not None else ""


def enter(db: Database, cursor: Cursor, made: Sequence[Made], unread: dict[int, str]) -> None:
    """One commit: facts, their days, and how far they know their source."""
    with db.transaction():
        rows.write(db, made)
        read = ((number,) for one in made for number in (one.number, *one.parts))
        db.execute_each("DELETE FROM unread WHERE number = ?", read)
        db.execute_each("INSERT OR REPLACE INTO unread VALUES (?, ?)", unread.items())
        for day in {one.day for one in made}:
            db.execute("DELETE FROM days WHERE day = ?", (day,))
            db.execute(f"INSERT INTO days {verify.DAYS.format('day = ?')}", (day,))
        row = (cursor.uuid, cursor.unit, cursor.number, cursor.entry, json.dumps(cursor.lamps))
        db.execute("DELETE FROM cursor")
        db.execute(
            "INSERT INTO cursor VALUES (1, ?, ?, ?, ?, ?, ?)", (*row, verify.cursor_sum(row))
        )


# --- opened to be asked -------------------------------------------------------------------


@contextmanager
def opened(
    source: Source,
    path: Path,
    progress: Progress = lambda *_: None,
    most_s: float = math.inf,
) -> Iterator[Database]:
    """The facts up to the newest of their source, to read. While another process brings them up
    they are read as far as they are, and so they are after ``most_s``; ``behind`` says how far that
    is."""
    db = _ready(source, path)
    if db is None:
        try:
            bring_up(source, path, progress=progress, most_s=most_s)
        except StoreUnavailable:
            if not held(path):
                raise
        db = Database(path, FACTS, read_only=True)
    try:
        yield db
    except StoreUnusable:
        verify.unseal(path)  # the next to ask looks at all of it
        raise
    finally:
        db.close()


def _ready(source: Source, path: Path) -> Database | None:
    """The file, if nothing is to be done about it."""
    if not verify.sealed(path) or path.stat().st_size <= verify.ALWAYS_BYTES:
        return None
    try:
        db = Database(path, FACTS, read_only=True)
    except StoreError:
        return None
    try:
        if not strange(source, db) and not source.behind(cursor_of(db)):
            return db
    except StoreError:
        pass
    db.close()
    return None

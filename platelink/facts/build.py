"""Brings the facts file up to its journal: by whoever asks, never by the daemon.

Each batch of entries is one commit with the cursor, so that a killed process loses nothing but
time. What cannot be trusted is made anew: a damaged file, another journal's, one that knows entries
the journal does not have.
"""

from __future__ import annotations

import json
import math
import os
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from platelink.events.event import EventName
from platelink.facts import rows, verify
from platelink.facts.derive import Made, sum_of
from platelink.facts.gather import Gathered
from platelink.facts.schema import FACTS
from platelink.facts.workers import Digesting, beside
from platelink.ledger.database import Database
from platelink.ledger.errors import StoreError, StoreUnavailable, StoreUnusable
from platelink.ledger.kind import Fault
from platelink.ledger.lock import WriterLock, held
from platelink.record.reader import JournalReader

BATCH = 10_000
"""Entries of the journal in one commit."""
MANY = BATCH
"""Entries for which other processes are begun: they take half a second to be there."""
Progress = Callable[[int, int], None]
"""Gets the newest entry known, and the newest there is."""


@dataclass(frozen=True, slots=True)
class Cursor:
    """How far a facts file knows its journal."""

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


def facts_beside(journal: Path) -> Path:
    """Where the facts of a journal lie."""
    return journal.with_name(journal.stem + ".facts.sqlite")


def bring_up(
    journal: JournalReader, path: Path, *, anew: bool = False, whole: bool = False,
    progress: Progress = lambda *_: None, most_s: float = math.inf, processes: int = 0,
) -> Brought:  # fmt: skip
    """Make the file, or bring it up to the journal's newest entry; ``anew`` from the first one on.
    ``whole``: look at all of it first, however large it is. No batch is begun after ``most_s``.
    ``processes`` digest samples beside this one, where there is much to do. StoreUnavailable where
    another process is at it, StoreUnusable where the file cannot be written."""
    with _locked(path):
        why = "as asked" if anew else _distrusted(journal, path, whole)
        if why and path.exists():
            discard(path)
        verify.unseal(path)
        db = Database(path, FACTS, read_only=False)
        try:
            few = behind(journal, db) < MANY
            with beside(0 if few else processes) as digesting:
                entries, made = _follow(journal, db, digesting, progress, most_s)
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


def _distrusted(journal: JournalReader, path: Path, whole: bool) -> str:
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
        return f"it was damaged: {found[0]}" if found else strange(journal, db)
    finally:
        db.close()


def _ours(path: Path) -> bool:
    """A file with the mark of facts, or none that anybody could read."""
    head = path.read_bytes()[:100] if path.stat().st_size < 1 << 20 else path.open("rb").read(100)
    mark = int.from_bytes(head[68:72], "big")
    return mark == FACTS.application_id or path.name.endswith(".facts.sqlite")


def cursor_of(db: Database) -> Cursor | None:
    """How far the file knows its journal; None before its first batch."""
    found = db.rows("SELECT uuid, unit, number, entry, lamps, sum FROM cursor")
    if not found:
        return None
    *row, checksum = found[0]
    if verify.cursor_sum(tuple(row)) != checksum:
        raise FACTS.error(Fault.DAMAGED, db.path, "the cursor is not what was written")
    uuid, unit, number, entry, lamps = row
    return Cursor(uuid, unit, number, entry, tuple(json.loads(lamps)))


def strange(journal: JournalReader, db: Database) -> str:
    """Why the file is not of this journal as it is now; empty where it is."""
    try:
        cursor = cursor_of(db)
    except StoreUnusable as error:
        return str(error)
    if cursor is None:
        return ""
    if cursor.uuid != journal.uuid or cursor.unit != journal.unit:
        return "it was of another journal"
    newest = journal.last_number()
    if newest < cursor.number:
        return f"it knew entry {cursor.number}, and the journal ends at {newest}: a backup?"
    if _entry(journal, cursor.number) != cursor.entry:
        return f"the journal's entries up to {cursor.number} are others: a backup?"
    return ""


def behind(journal: JournalReader, db: Database) -> int:
    """Entries of the journal that the file does not know."""
    cursor = cursor_of(db)
    return journal.last_number() - (cursor.number if cursor else 0)


def _entry(journal: JournalReader, number: int) -> int:
    """Samples are left out: they may be stored otherwise once their run is over."""
    found = journal.rows(
        "SELECT number, kind, run_id, at_ms, body FROM entries "
        "WHERE number <= ? AND kind <> 'samples' ORDER BY number DESC LIMIT 1", number,
    )  # fmt: skip
    return sum_of(*found[0]) if found else 0


def _follow(
    journal: JournalReader, db: Database, digesting: Digesting, progress: Progress, most_s: float
) -> tuple[int, int]:
    """Batch by batch to the newest entry; entries and made that were taken up. One batch is read
    before the one before it is entered, so that nobody waits for the digests."""
    entries = made = 0
    end = time.monotonic() + most_s
    cursor = cursor_of(db) or Cursor(journal.uuid, journal.unit, 0)
    waiting: _Batch | None = None
    while True:
        numbers = journal.rows(
            "SELECT number, run_id FROM entries WHERE number > ? ORDER BY number LIMIT ?",
            cursor.number, BATCH,
        )  # fmt: skip
        over = not numbers or time.monotonic() > end
        coming = None if over else _Batch(journal, cursor, numbers, digesting)
        if waiting is not None:
            found = waiting.gathered.made()
            enter(db, waiting.cursor, found, waiting.unread)
            entries, made = entries + waiting.entries, made + len(found)
            progress(waiting.cursor.number, journal.last_number())
        if coming is None:
            return entries, made
        waiting, cursor = coming, coming.cursor


class _Batch:
    """Some entries after those that are known, and what they tell of."""

    def __init__(
        self, journal: JournalReader, known: Cursor, numbers: Sequence[tuple[int, str]],
        digesting: Digesting,
    ) -> None:  # fmt: skip
        first, last = numbers[0][0], numbers[-1][0]
        self.entries = len(numbers)
        changed, touched = _unit_events(journal, first, last)
        lamps = (*known.lamps, *changed)
        run_ids = {run_id for _, run_id in numbers if run_id is not None} | touched
        self.unread: dict[int, str] = {}
        self.cursor = Cursor(known.uuid, known.unit, last, _entry(journal, last), lamps)
        self.gathered = Gathered(journal, run_ids, lamps, self.unread.__setitem__, digesting)


def enter(db: Database, cursor: Cursor, made: Sequence[Made], unread: dict[int, str]) -> None:
    """One commit: facts, their days, and how far they know the journal."""
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


def _unit_events(journal: JournalReader, first: int, last: int) -> tuple[tuple[int, ...], set[str]]:
    """When lamps were changed; and runs of which something was told outside of them."""
    lamps: list[int] = []
    touched: set[str] = set()
    for at_ms, name, of_run in journal.rows(
        "SELECT at_ms, json_extract(body, '$.name'), json_extract(body, '$.data.of_run') "
        "FROM entries WHERE number BETWEEN ? AND ? AND run_id IS NULL AND json_valid(body)",
        first, last,
    ):  # fmt: skip
        if name == EventName.LAMPS_CHANGED:
            lamps.append(at_ms)
        elif isinstance(of_run, str):
            touched.add(of_run)
        elif name == EventName.ALARM:
            open_then = journal.rows(
                "SELECT run_id FROM runs LEFT JOIN ends USING (run_id) WHERE state IS NULL"
            )
            touched |= {run_id for (run_id,) in open_then}
    return tuple(lamps), touched


# --- opened to be asked -------------------------------------------------------------------


@contextmanager
def facts_of(
    journal: JournalReader,
    path: Path,
    progress: Progress = lambda *_: None,
    most_s: float = math.inf,
    processes: int = 0,
) -> Iterator[Database]:
    """The facts up to the journal's newest entry, to read. While another process brings them up
    they are read as far as they are, and so they are after ``most_s``; ``behind`` says how far that
    is."""
    db = _ready(journal, path)
    if db is None:
        try:
            bring_up(journal, path, progress=progress, most_s=most_s, processes=processes)
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


def _ready(journal: JournalReader, path: Path) -> Database | None:
    """The file, if nothing is to be done about it."""
    if not verify.sealed(path) or path.stat().st_size <= verify.ALWAYS_BYTES:
        return None
    try:
        db = Database(path, FACTS, read_only=True)
    except StoreError:
        return None
    try:
        if not strange(journal, db) and not behind(journal, db):
            return db
    except StoreError:
        pass
    db.close()
    return None

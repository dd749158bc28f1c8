"""Brings the facts file up to its journal: by whoever asks, never by the daemon."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from platelink.events.event import EventName
from platelink.facts import file
from platelink.facts.derive import sum_of
from platelink.facts.file import Brought, Cursor, Progress, cursor_of, enter
from platelink.facts.gather import Gathered
from platelink.facts.workers import Digesting, beside
from platelink.ledger.database import Database
from platelink.record.reader import JournalReader

BATCH = 10_000
"""Entries of the journal in one commit."""
MANY = BATCH
"""Entries for which other processes are begun: they take half a second to be there."""


def facts_beside(journal: Path) -> Path:
    """Where the facts of a journal lie."""
    return journal.with_name(journal.stem + ".facts.sqlite")


def bring_up(
    journal: JournalReader, path: Path, *, anew: bool = False, whole: bool = False,
    progress: Progress = lambda *_: None, most_s: float = math.inf, processes: int = 0,
) -> Brought:  # fmt: skip
    """``file.bring_up`` by the journal, to its newest entry."""
    of = OfJournal(journal, processes)
    return file.bring_up(of, path, anew=anew, whole=whole, progress=progress, most_s=most_s)


@contextmanager
def facts_of(
    journal: JournalReader, path: Path, progress: Progress = lambda *_: None,
    most_s: float = math.inf, processes: int = 0,
) -> Iterator[Database]:  # fmt: skip
    """``file.opened`` by the journal, up to its newest entry."""
    with file.opened(OfJournal(journal, processes), path, progress, most_s) as db:
        yield db


def behind(journal: JournalReader, db: Database) -> int:
    """Entries of the journal that the file does not know."""
    return OfJournal(journal).behind(cursor_of(db))


class OfJournal:
    """A journal, as facts follow from it. ``processes`` digest samples beside this one, where there
    is much to do."""

    def __init__(self, journal: JournalReader, processes: int = 0) -> None:
        self._journal, self._processes = journal, processes

    def strange(self, cursor: Cursor) -> str:
        """Why a file that knows so much is not of this journal as it is now."""
        journal = self._journal
        if cursor.uuid != journal.uuid or cursor.unit != journal.unit:
            return "it was of another journal"
        newest = journal.last_number()
        if newest < cursor.number:
            return f"it knew entry {cursor.number}, and the journal ends at {newest}: a backup?"
        if _entry(journal, cursor.number) != cursor.entry:
            return f"the journal's entries up to {cursor.number} are others: a backup?"
        return ""

    def behind(self, cursor: Cursor | None) -> int:
        """Entries that are not known."""
        return self._journal.last_number() - (cursor.number if cursor else 0)

    def follow(self, db: Database, progress: Progress, most_s: float) -> tuple[int, int]:
        """Batch by batch to the newest entry; entries and made that were taken up. One batch is
        read before the one before it is entered, so that nobody waits for the digests."""
        few = self.behind(cursor_of(db)) < MANY
        with beside(0 if few else self._processes) as digesting:
            return self._follow(db, digesting, progress, most_s)

    def _follow(
        self, db: Database, digesting: Digesting, progress: Progress, most_s: float
    ) -> tuple[int, int]:
        journal = self._journal
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


def _entry(journal: JournalReader, number: int) -> int:
    """Samples are left out: they may be stored otherwise once their run is over."""
    found = journal.rows(
        "SELECT number, kind, run_id, at_ms, body FROM entries "
        "WHERE number <= ? AND kind <> 'samples' ORDER BY number DESC LIMIT 1", number,
    )  # fmt: skip
    return sum_of(*found[0]) if found else 0


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

"""A copy of one journal of one unit, of the entries that the broker gave.

The file is a journal like the unit's own, so that whatever reads a journal reads it; but entries
may come in any order, and what has not come is a hole. An entry of a run waits beside the journal
until the run's start has come. What is not published is not in it: the device's own sums, from
which a dose is integrated again, and the seals.
"""

from __future__ import annotations

import os
from bisect import bisect_right
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from platelink.codec import check_block, encode
from platelink.events.event import EventName
from platelink.ledger.by import to_ms
from platelink.ledger.database import Database
from platelink.ledger.lock import WriterLock
from platelink.publish.holdings import split_id
from platelink.publish.payloads import block_of, read_entry
from platelink.publish.ranges import Ranges, holes, joined
from platelink.record.chunk import stub_of
from platelink.record.errors import JournalRefused, NotAJournal
from platelink.record.facts import CORRECT_AGAIN
from platelink.record.reader import JournalReader
from platelink.record.schema import JOURNAL
from platelink.runs import AnyEntry, RunEnd, RunEvent, RunSamples, RunStart

COPY = "copy"
"""The table that marks a copy: no daemon writes into such a file."""
MOST_RANGES = 2000
"""An honest journal has one, and some more while something is missing."""
OTHER = (
    "number {} is another entry in the copy: two units write under one name and from one journal, "
    "as after a card was copied, or its journal was put back; compare with the unit itself "
    "(platelink verify)"
)
WAL_BYTES = 4 << 20
"""A longer log is moved into the file."""
_BESIDE = {"id", "run_id", "unit", "at_utc", "kind"}
_INSERT = "INSERT INTO entries (number, kind, run_id, at_ms, body) VALUES (?, ?, ?, ?, ?)"
_MADE = (
    # Of a unit's own journal these hold; here entries come in any order.
    "DROP TRIGGER entries_without_holes",
    "DROP TRIGGER entries_after_end",
    f"CREATE TABLE {COPY} (site TEXT NOT NULL) STRICT",
    # Entries of runs whose start has not come, and those whose samples the unit has removed.
    """CREATE TABLE waiting (number INTEGER PRIMARY KEY, run_id TEXT NOT NULL,
        removed INTEGER NOT NULL, body TEXT NOT NULL) STRICT""",
    "CREATE INDEX waiting_by_run ON waiting (run_id)",
    # Corrections by the run they are of: one that comes late must not undo a later one.
    """CREATE TABLE corrections (run_id TEXT NOT NULL, number INTEGER NOT NULL,
        PRIMARY KEY (run_id, number)) STRICT, WITHOUT ROWID""",
)
_ISLANDS = (
    "SELECT min(number), max(number) FROM (SELECT number, number - row_number() OVER "
    "(ORDER BY number) AS island FROM (SELECT number FROM entries UNION ALL "
    "SELECT number FROM waiting)) GROUP BY island"
)


class Copy:
    """The writing half; one writer at a time. Errors are those of a journal."""

    def __init__(self, path: Path, *, site: str, unit: str, journal: str) -> None:
        self._lock = WriterLock(path, JOURNAL)
        try:
            new = not path.exists()
            self._db = Database(path, JOURNAL, read_only=False)
            try:
                self._begin(site, unit, journal)
                self.held: Ranges = joined(self._db.rows(_ISLANDS))
            except BaseException:
                self._db.close()
                raise
            if new:  # its name, and those of the folders that may be as new as it is
                for folder in path.parents[:3]:
                    _sync_folder(folder)
        except BaseException:
            self._lock.release()
            raise

    def _begin(self, site: str, unit: str, journal: str) -> None:
        database = self._db
        with database.transaction():
            if COPY not in database.tables():
                if database.rows("SELECT 1 FROM journal"):
                    raise NotAJournal(
                        f"{database.path} is a unit's own journal, no copy of one: set another "
                        "[fleet] path"
                    )
                for statement in _MADE:
                    database.execute(statement)
                database.execute(f"INSERT INTO {COPY} VALUES (?)", (site,))  # noqa: S608 -- fixed
                database.execute("INSERT INTO journal VALUES (1, ?, ?)", (journal, unit))
            found = database.rows(f"SELECT uuid, unit, site FROM journal, {COPY}")  # noqa: S608
        if found != [(journal, unit, site)]:
            raise NotAJournal(f"{database.path} is a copy of another journal: {found!r:.200}")

    def close(self) -> None:
        """Close the file."""
        with suppress(Exception):  # what was taken is durable; only the log stays beside it
            self._db.checkpoint(backfill=True)
        self._db.close()
        self._lock.release()

    @property
    def missing(self) -> Ranges:
        """Numbers below the newest one that have not come."""
        return holes(self.held)

    def take(self, entries: Sequence[AnyEntry]) -> list[tuple[AnyEntry, str]]:
        """Keep what is not here yet; it is on disk when this returns. Those that contradict what is
        here, with the reason: they are not kept, and stop no other. JournalError: none was kept."""
        refused: list[tuple[AnyEntry, str]] = []
        new: list[int] = []
        with self._db.transaction():
            for entry in entries:
                number = split_id(entry.id)[1]
                if self._has(number) or number in new:
                    if not self._is(number, entry):
                        refused.append((entry, OTHER.format(number)))
                    continue
                try:
                    with self._db.part():
                        self._take(number, entry)
                except (JournalRefused, ValueError) as fault:
                    refused.append((entry, str(fault)))
                else:
                    new.append(number)
        found = self._db.checkpoint(backfill=False)
        if found.wal_bytes > WAL_BYTES:
            self._db.checkpoint(backfill=True)
        self._hold(new)
        return refused

    def _has(self, number: int) -> bool:
        at = bisect_right(self.held, number, key=lambda one: one[0])
        return at > 0 and number <= self.held[at - 1][1]

    def _is(self, number: int, entry: AnyEntry) -> bool:
        """What is held under this number is this entry, as far as a number that was given twice
        cannot agree by chance. Not its content: samples may have been removed since."""
        rows = self._db.rows("SELECT kind, run_id, at_ms FROM entries WHERE number = ?", (number,))
        if not rows:
            sql = "SELECT body FROM waiting WHERE number = ?"
            held = [read_entry(body.encode()) for (body,) in self._db.rows(sql, (number,))]
            rows = [(one.kind, one.run_id, to_ms(one.at_utc)) for one in held]
        return rows == [(entry.kind, entry.run_id, to_ms(entry.at_utc))]

    def _hold(self, numbers: Sequence[int]) -> None:
        """Nearly always they follow the newest one."""
        if not numbers:
            return
        more = joined((number, number) for number in numbers)
        if self.held and len(more) == 1 and more[0][0] == self.held[-1][1] + 1:
            self.held = (*self.held[:-1], (self.held[-1][0], more[0][1]))
        else:
            self.held = joined((*self.held, *more))

    # --- one entry -------------------------------------------------------------------------

    def _take(self, number: int, entry: AnyEntry) -> None:
        if len(self.held) >= MOST_RANGES and not (self._has(number - 1) or self._has(number + 1)):
            raise ValueError(f"more than {MOST_RANGES} holes between the entries of this journal")
        run_id = entry.run_id
        removed = isinstance(entry, RunSamples) and not entry.ticks
        begun = run_id is None or isinstance(entry, RunStart) or self._begun(run_id)
        if removed or not begun:
            self._db.execute(
                "INSERT INTO waiting VALUES (?, ?, ?, ?)",
                (number, run_id, int(removed), entry.model_dump_json()),
            )
            return
        match entry:
            case RunStart():
                self._start(number, entry)
            case RunSamples():
                self._samples(number, entry)
            case _:
                self._insert(number, entry, entry.model_dump_json(exclude=_BESIDE))
        if isinstance(entry, RunEnd):
            sql = "INSERT INTO ends (run_id, number, state) VALUES (?, ?, ?)"
            self._db.execute(sql, (run_id, number, entry.state))
        elif isinstance(entry, RunEvent) and entry.name == EventName.PLATE_CORRECTED:
            of_run = entry.data.get("of_run")
            if run_id is None and isinstance(of_run, str):
                sql = "INSERT INTO corrections (run_id, number) VALUES (?, ?)"
                self._db.execute(sql, (of_run, number))
                self._correct_again(of_run, after=number)

    def _begun(self, run_id: str) -> bool:
        return bool(self._db.rows("SELECT 1 FROM runs WHERE run_id = ?", (run_id,)))

    def _insert(self, number: int, entry: AnyEntry, body: str) -> None:
        self._db.execute(_INSERT, (number, entry.kind, entry.run_id, to_ms(entry.at_utc), body))

    def _start(self, number: int, start: RunStart) -> None:
        self._db.execute(
            "INSERT INTO runs (run_id, number, started_ms, step, plate, operator) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            (start.run_id, number, to_ms(start.at_utc), start.step, start.plate, start.operator),
        )
        self._insert(number, start, start.model_dump_json(exclude=_BESIDE))
        self._correct_again(start.run_id, after=0)
        waiting = self._db.rows(
            "SELECT number, body FROM waiting WHERE run_id = ? AND NOT removed ORDER BY number",
            (start.run_id,),
        )
        for one, body in waiting:
            with suppress(JournalRefused, ValueError), self._db.part():
                self._take(one, read_entry(body.encode()))
                self._db.execute("DELETE FROM waiting WHERE number = ?", (one,))

    def _samples(self, number: int, entry: RunSamples) -> None:
        block = block_of(entry)
        check_block(block)
        self._insert(number, entry, stub_of(entry.first_sample, len(block)))
        body = encode(block, entry.first_sample)
        self._db.execute("INSERT INTO blocks (number, body) VALUES (?, ?)", (number, body))

    def _correct_again(self, of_run: str, *, after: int) -> None:
        """Corrections of a run that came before what they are later than, in their order."""
        rows = self._db.rows(
            "SELECT body FROM corrections JOIN entries USING (number) "
            "WHERE corrections.run_id = ? AND number > ? ORDER BY number",
            (of_run, after),
        )
        for row in rows:
            for statement in CORRECT_AGAIN:
                self._db.execute(statement, row)


def _sync_folder(folder: Path) -> None:
    """A new file has its name for good."""
    fd = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def is_copy(reader: JournalReader) -> bool:
    """Whether this file is a copy."""
    return bool(reader.rows("SELECT 1 FROM sqlite_master WHERE name = ?", COPY))


def held_in(reader: JournalReader) -> Ranges:
    """Numbers of the entries that came, those that wait included."""
    return joined(reader.rows(_ISLANDS))


def waiting_in(reader: JournalReader, run_id: str) -> tuple[int, int]:
    """Of a run that has begun: entries that contradict it, and those whose samples the unit had
    removed before they came."""
    sql = "SELECT count(*), coalesce(sum(removed), 0) FROM waiting WHERE run_id = ?"
    ((count, removed),) = reader.rows(sql, run_id)
    return count - removed, removed

"""The recorder's own journal: what the broker was told is safe, until the store surely has it.

SQLite, flushed to disk with every commit, because the broker forgets a message as soon as it is
acknowledged. Rows hold ready lines with their final times, so that sending them again gives the
very same points. Confirmed rows are deleted: the file stays small.
"""

from __future__ import annotations

import fcntl
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, NamedTuple, TypeVar

from platelink.publish.intake import Accepted, Rejected, read_entry
from platelink.publish.lines import UNKNOWN_STEP, Point, line, points_of
from platelink.publish.topics import Address
from platelink.publish.upload import Row
from platelink.runs import AnyEntry, RunStart

T = TypeVar("T")

SCHEMA_VERSION = 1
DEAD_LETTERS_KEPT = 10_000
DEAD_LETTER_BYTES = 65_536

_SCHEMA = """
CREATE TABLE source(id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
-- Entries already taken, by the journal they come from and their number in it.
CREATE TABLE seen(source INTEGER NOT NULL REFERENCES source(id), number INTEGER NOT NULL,
    at_ms INTEGER NOT NULL, PRIMARY KEY(source, number)) STRICT, WITHOUT ROWID;
CREATE TABLE run(site TEXT NOT NULL, unit TEXT NOT NULL, run_id TEXT NOT NULL,
    step TEXT NOT NULL, at_ms INTEGER NOT NULL, PRIMARY KEY(site, unit, run_id))
    STRICT, WITHOUT ROWID;
-- The last point of every series: times must rise strictly, or the store keeps one of two.
CREATE TABLE series(name TEXT PRIMARY KEY, last_ms INTEGER NOT NULL, last_order INTEGER NOT NULL,
    at_ms INTEGER NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE row(number INTEGER PRIMARY KEY AUTOINCREMENT, lines TEXT NOT NULL,
    line_count INTEGER NOT NULL, at_ms INTEGER NOT NULL) STRICT;
-- Entries of runs whose start, which tells the step, has not come yet.
CREATE TABLE waiting(number INTEGER PRIMARY KEY AUTOINCREMENT, site TEXT NOT NULL,
    unit TEXT NOT NULL, run_id TEXT NOT NULL, payload BLOB NOT NULL, at_ms INTEGER NOT NULL) STRICT;
CREATE TABLE dead_letter(number INTEGER PRIMARY KEY AUTOINCREMENT, at_ms INTEGER NOT NULL,
    stage TEXT NOT NULL CHECK (stage IN ('received', 'upload')), topic TEXT NOT NULL,
    payload BLOB NOT NULL, reason TEXT NOT NULL) STRICT;
CREATE TABLE counter(name TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT, WITHOUT ROWID;
"""


class RecorderJournalError(Exception):
    """The journal cannot be used: in use, not writable, disk full; the text says what to do."""


class DeadLetter(NamedTuple):
    number: int
    at_ms: int
    stage: str
    topic: str
    payload: bytes
    reason: str


@dataclass(frozen=True, slots=True)
class Counts:
    """Totals over the life of the journal, and what it holds now."""

    received: int = 0
    duplicates: int = 0
    dead_letters: int = 0
    confirmed_lines: int = 0
    moved_times: int = 0
    """Points whose time was moved to the next free millisecond."""
    unknown_steps: int = 0
    """Entries recorded with step 'unknown', because the start of their run did not come."""
    rows: int = 0
    waiting: int = 0


class RecorderJournal:
    """One writer at a time (lock file). Wall times in ms since 1970 come in as ``utc_ms``."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = _lock(path)
        try:
            self._db = sqlite3.connect(path, isolation_level=None)
            try:
                self._prepare()
            except sqlite3.Error:
                self._db.close()
                raise
        except sqlite3.Error as fault:
            self._lock.close()
            raise RecorderJournalError(_text(path, fault)) from fault

    def close(self) -> None:
        self._db.close()
        self._lock.close()

    def commit(self, batch: Sequence[Accepted | Rejected], *, utc_ms: int) -> list[Row]:
        """Take a batch in one transaction; durable when it returns. The rows to upload.
        RecorderJournalError: nothing of the batch was taken."""
        return self._transaction(lambda: self._take_all(batch, utc_ms))

    def release_waiting(self, *, before_ms: int, utc_ms: int) -> list[Row]:
        """Give up waiting for the start of runs whose entries wait since before ``before_ms``."""
        query = "SELECT DISTINCT site, unit, run_id FROM waiting WHERE at_ms < ?"
        if not (late := self._read(query, before_ms)):
            return []

        def release() -> list[Row]:
            rows: list[Row] = []
            for site, unit, run_id in late:
                released = self._start_run(site, unit, run_id, UNKNOWN_STEP, utc_ms)
                self._count("unknown_steps", len(released))
                rows += released
            return rows

        return self._transaction(release)

    def rows(self) -> list[Row]:
        """Everything not yet confirmed, in order."""
        return [Row(*r) for r in self._read("SELECT number, line_count FROM row ORDER BY number")]

    def lines_of(self, rows: Iterable[Row]) -> str:
        """The lines of these rows, as one text."""
        query = "SELECT lines FROM row WHERE number = ?"
        return "\n".join(self._read(query, row.number)[0][0] for row in rows)

    def confirm(self, rows: Sequence[Row]) -> None:
        """Forget rows that the store surely has."""

        def forget() -> None:
            self._db.executemany("DELETE FROM row WHERE number = ?", [(r.number,) for r in rows])
            self._count("confirmed_lines", sum(row.lines for row in rows))

        self._transaction(forget)

    def set_aside(self, row: Row, reason: str, *, utc_ms: int) -> None:
        """Move a row that the store refuses to the dead letters."""

        def move() -> None:
            (lines,) = self._read("SELECT lines FROM row WHERE number = ?", row.number)[0]
            self._bury("upload", "", lines.encode(), reason, utc_ms)
            self._db.execute("DELETE FROM row WHERE number = ?", (row.number,))

        self._transaction(move)

    def retry_set_aside(self, *, utc_ms: int) -> list[Row]:
        """Take back all rows that the store refused, after its fault was mended."""

        def back() -> list[Row]:
            query = "SELECT number, payload FROM dead_letter WHERE stage = 'upload' ORDER BY number"
            rows = []
            for number, payload in self._read(query):
                self._db.execute("DELETE FROM dead_letter WHERE number = ?", (number,))
                rows.append(self._add_row(payload.decode().split("\n"), utc_ms))
            return rows

        return self._transaction(back)

    def forget_before(self, before_ms: int) -> None:
        """Drop what is only kept to know duplicates and order. A duplicate of something older
        is then sent to the store again, which is harmless."""

        def drop() -> None:
            for table in ("seen", "series", "run"):
                self._db.execute(f"DELETE FROM {table} WHERE at_ms < ?", (before_ms,))  # noqa: S608

        self._transaction(drop)
        try:
            # Gives back a page per step; execute() would make only one step.
            self._db.executescript("PRAGMA incremental_vacuum(1000);")
        except sqlite3.Error as fault:
            raise RecorderJournalError(_text(self.path, fault)) from fault

    def dead_letters(self, limit: int = 100) -> list[DeadLetter]:
        """The newest first."""
        return _dead_letters(self._db, limit)

    def counts(self) -> Counts:
        return _counts(self._db)

    def _prepare(self) -> None:
        db = self._db
        db.execute("PRAGMA auto_vacuum = INCREMENTAL")
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA foreign_keys = ON")
        ((version,),) = db.execute("PRAGMA user_version").fetchall()
        if version == 0:
            db.executescript(
                f"BEGIN IMMEDIATE; {_SCHEMA} PRAGMA user_version = {SCHEMA_VERSION}; COMMIT;"
            )
        elif version != SCHEMA_VERSION:
            raise sqlite3.DatabaseError(
                f"its format is {version}, this program reads {SCHEMA_VERSION}: update it"
            )

    def _take_all(self, batch: Sequence[Accepted | Rejected], utc_ms: int) -> list[Row]:
        rows: list[Row] = []
        for item in batch:
            self._count("received", 1)
            if isinstance(item, Rejected):
                self._bury("received", item.topic, item.payload, item.reason, utc_ms)
            elif self._is_new(item.entry.id, utc_ms):
                rows += self._take(item, utc_ms)
            else:
                self._count("duplicates", 1)
        return rows

    def _take(self, item: Accepted, utc_ms: int) -> list[Row]:
        entry, address = item.entry, item.address
        if entry.run_id is None:
            return self._add(item.entry, address, "", utc_ms)
        key = (address.site, address.unit, entry.run_id)
        if isinstance(entry, RunStart):
            own = self._add(entry, address, entry.step, utc_ms)
            return own + self._start_run(*key, entry.step, utc_ms)
        known = self._read("SELECT step FROM run WHERE site = ? AND unit = ? AND run_id = ?", *key)
        if known:
            return self._add(entry, address, known[0][0], utc_ms)
        self._db.execute(
            "INSERT INTO waiting(site, unit, run_id, payload, at_ms) VALUES (?, ?, ?, ?, ?)",
            (*key, item.payload, utc_ms),
        )
        return []

    def _start_run(self, site: str, unit: str, run_id: str, step: str, utc_ms: int) -> list[Row]:
        """Fix the step of a run for good, and let its waiting entries go."""
        key = (site, unit, run_id)
        self._db.execute("INSERT OR IGNORE INTO run VALUES (?, ?, ?, ?, ?)", (*key, step, utc_ms))
        where = "WHERE site = ? AND unit = ? AND run_id = ?"
        query = f"SELECT payload FROM waiting {where} ORDER BY number"  # noqa: S608
        rows: list[Row] = []
        for (payload,) in self._read(query, *key):
            entry = read_entry(payload)
            rows += self._add(entry, Address(site, unit, run_id, entry.kind), step, utc_ms)
        self._db.execute(f"DELETE FROM waiting {where}", key)  # noqa: S608
        return rows

    def _add(self, entry: AnyEntry, address: Address, step: str, utc_ms: int) -> list[Row]:
        """Turn an entry into lines with their final times."""
        order = split_id(entry.id)[1]
        last: dict[str, tuple[int, int]] = {}
        lines = []
        for point in points_of(entry, address, step=step, order=order):
            lines.append(line(point, self._free_ms(point, last)))
        self._db.executemany(
            "INSERT OR REPLACE INTO series VALUES (?, ?, ?, ?)",
            [(name, ms, place, utc_ms) for name, (ms, place) in last.items()],
        )
        return [self._add_row(lines, utc_ms)] if lines else []

    def _free_ms(self, point: Point, last: dict[str, tuple[int, int]]) -> int:
        """The point's time, or the next free millisecond of its series. A point that comes after
        a later one of its series was sent again after a loss: its own time is right."""
        before = last.get(point.series)
        if before is None:
            query = "SELECT last_ms, last_order FROM series WHERE name = ?"
            known = self._read(query, point.series)
            before = known[0] if known else (-1, -1)
        last_ms, last_order = before
        if point.order < last_order:
            last[point.series] = before
            return point.at_ms
        at_ms = max(point.at_ms, last_ms + 1)
        if at_ms != point.at_ms:
            self._count("moved_times", 1)
        last[point.series] = (at_ms, point.order)
        return at_ms

    def _is_new(self, entry_id: str, utc_ms: int) -> bool:
        source, number = split_id(entry_id)
        self._db.execute("INSERT OR IGNORE INTO source(name) VALUES (?)", (source,))
        done = self._db.execute(
            "INSERT OR IGNORE INTO seen SELECT id, ?, ? FROM source WHERE name = ?",
            (number, utc_ms, source),
        )
        return done.rowcount == 1

    def _bury(self, stage: str, topic: str, payload: bytes, reason: str, utc_ms: int) -> None:
        """A rejected message is cut to a size that can be kept; refused lines stay whole, so
        that they can be sent again."""
        kept = payload if stage == "upload" else payload[:DEAD_LETTER_BYTES]
        self._db.execute(
            "INSERT INTO dead_letter(at_ms, stage, topic, payload, reason) VALUES (?, ?, ?, ?, ?)",
            (utc_ms, stage, topic, kept, reason),
        )
        self._count("dead_letters", 1)
        self._db.execute(
            "DELETE FROM dead_letter WHERE stage = 'received' AND number <= "
            "(SELECT max(number) FROM dead_letter) - ?",
            (DEAD_LETTERS_KEPT,),
        )

    def _count(self, name: str, more: int) -> None:
        self._db.execute(
            "INSERT INTO counter VALUES (?, ?) ON CONFLICT(name) DO UPDATE "
            "SET value = value + excluded.value",
            (name, more),
        )

    def _add_row(self, lines: Sequence[str], utc_ms: int) -> Row:
        done = self._db.execute(
            "INSERT INTO row(lines, line_count, at_ms) VALUES (?, ?, ?)",
            ("\n".join(lines), len(lines), utc_ms),
        )
        assert done.lastrowid is not None
        return Row(done.lastrowid, len(lines))

    def _read(self, query: str, *values: str | int) -> list[Any]:
        return self._db.execute(query, values).fetchall()

    def _transaction(self, work: Callable[[], T]) -> T:
        try:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                result = work()
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise
        except sqlite3.Error as fault:
            raise RecorderJournalError(_text(self.path, fault)) from fault
        return result


def look(path: Path, limit: int = 20) -> tuple[Counts, list[DeadLetter]]:
    """Counts and newest dead letters of a journal that a running recorder may have in use."""
    try:
        db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
        try:
            return _counts(db), _dead_letters(db, limit)
        finally:
            db.close()
    except sqlite3.Error as fault:
        raise RecorderJournalError(f"recorder journal {path} is not readable: {fault}") from fault


def _counts(db: sqlite3.Connection) -> Counts:
    totals = dict(db.execute("SELECT name, value FROM counter").fetchall())
    (rows,) = db.execute("SELECT count(*) FROM row").fetchone()
    (waiting,) = db.execute("SELECT count(*) FROM waiting").fetchone()
    return Counts(**totals, rows=rows, waiting=waiting)


def _dead_letters(db: sqlite3.Connection, limit: int) -> list[DeadLetter]:
    query = (
        "SELECT number, at_ms, stage, topic, payload, reason FROM dead_letter "
        "ORDER BY number DESC LIMIT ?"
    )
    return [DeadLetter(*row) for row in db.execute(query, (limit,)).fetchall()]


def split_id(entry_id: str) -> tuple[str, int]:
    """Journal and number of an entry's id "<journal>-<number>"; any other id is a journal of its
    own with one entry."""
    source, _, number = entry_id.rpartition("-")
    if source and number.isascii() and number.isdigit() and len(number) <= 18:
        return source, int(number)
    return entry_id, 0


def _lock(path: Path) -> IO[bytes]:
    lock_path = path.with_name(path.name + ".lock")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = lock_path.open("ab")
    except OSError as fault:
        text = f"recorder journal {path} is not writable ({fault}): check its folder"
        raise RecorderJournalError(text) from fault
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as fault:
        lock.close()
        text = f"recorder journal {path} is in use: end the other recorder, or give this one a file"
        raise RecorderJournalError(text) from fault
    return lock


def _text(path: Path, fault: sqlite3.Error) -> str:
    return f"recorder journal {path}: {fault}; check free space and that it can be written"

"""The recorder's own journal: what the broker was told is safe, until the store surely has it.

SQLite, flushed to disk with every commit, because the broker forgets a message as soon as it is
acknowledged. Rows hold ready lines with their final times, so that sending them again gives the
very same points. Confirmed rows are deleted: the file stays small.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from pathlib import Path

from platelink.ledger.database import Database
from platelink.ledger.kind import Fault
from platelink.ledger.lock import WriterLock
from platelink.ledger.readable import unreadable
from platelink.publish.holdings import Holdings, split_id
from platelink.publish.intake import Accepted, Rejected, judge
from platelink.publish.lines import OUTSIDE, UNKNOWN, RunTags, points_of
from platelink.publish.payloads import read_entry
from platelink.publish.recorder_schema import (
    RECORDER,
    DamagedRowError,
    MessageRefusedError,
    RecorderJournalError,
)
from platelink.publish.times import Times
from platelink.publish.topics import Address
from platelink.publish.upload import Row
from platelink.runs import AnyEntry, RunStart

DEAD_LETTERS_KEPT = 10_000
DEAD_LETTER_BYTES = 65_536

REASON_LIMIT = 300
"""Characters of what is kept of the reason: it may repeat what was sent."""
TEXTS_KEPT = 2000
"""Rows whose lines stay in memory until they are written: the newest need not be read again."""


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
    early: int = 0
    """Messages whose time is ahead of the recorder's clock."""


@dataclass(slots=True)
class _New:
    """What a transaction gathers in memory, written with its end: most messages are lines only."""

    lines: list[list[str]] = field(default_factory=list)
    """Of each message that has any."""
    counts: Counter[str] = field(default_factory=Counter)
    rows: list[Row] = field(default_factory=list)
    texts: dict[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Work:
    """A message to be taken."""

    message: Accepted | Rejected
    early: int | None = None
    """Its number among those that waited; None of one that has just come."""


class RecorderJournal:
    """One writer at a time (lock file). Wall times in ms since 1970 come in as ``utc_ms``."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise RECORDER.error(Fault.CLOSED_DIRECTORY, path, fault.strerror) from fault
        self._lock = WriterLock(path, RECORDER)
        try:
            self._db = Database(path, RECORDER, read_only=False)
        except BaseException:
            self._lock.release()
            raise
        self.holdings = Holdings(self._db)
        self._times = Times(self._db)
        self._new = _New()
        self._runs: dict[tuple[str, str, str], RunTags] = {}
        """Of runs whose start has come."""
        self._texts: dict[int, str] = {}
        """Lines of rows that this process has committed and that are not written yet."""
        found = self._db.rows("SELECT seq FROM sqlite_sequence WHERE name = 'row'")
        self._newest_row: int = found[0][0] if found else 0

    def close(self) -> None:
        self._db.close()
        self._lock.release()

    def commit(self, batch: Sequence[Accepted | Rejected], *, utc_ms: int) -> list[Row]:
        """Take a batch in one transaction; durable when it returns. The rows to upload.
        RecorderJournalError: nothing of the batch was taken."""
        return self._take_all([_Work(message) for message in batch], utc_ms)

    def release_waiting(self, *, before_ms: int, utc_ms: int) -> list[Row]:
        """Give up waiting for the start of runs whose entries wait since before ``before_ms``."""
        query = "SELECT DISTINCT site, unit, run_id FROM waiting WHERE at_ms < ?"
        late = self._db.rows(query, (before_ms,))
        if not late:
            return []
        with self._transaction(utc_ms) as new:
            for site, unit, run_id in late:
                before = len(new.lines)
                self._start_run(site, unit, run_id, UNKNOWN, utc_ms)
                new.counts["unknown_steps"] += len(new.lines) - before
        return new.rows

    def release_early(self, *, utc_ms: int) -> list[Row]:
        """Take the messages whose time is no longer too far ahead."""
        query = "SELECT number, topic, payload FROM early WHERE due_ms <= ? ORDER BY number"
        works = [
            _Work(judge(topic, payload, utc_ms=utc_ms), number)
            for number, topic, payload in self._db.rows(query, (utc_ms,))
        ]
        return self._take_all(works, utc_ms) if works else []

    def rows(self) -> list[Row]:
        """Everything not yet confirmed, in order."""
        found = self._db.rows("SELECT number, line_count FROM row ORDER BY number")
        return [Row(number, n if isinstance(n, int) and n > 0 else 1) for number, n in found]

    def came_ms(self, row: Row) -> int | None:
        """When the row's message was taken."""
        found = self._db.rows("SELECT at_ms FROM row WHERE number = ?", (row.number,))
        return found[0][0] if found else None

    def lines_of(self, rows: Iterable[Row]) -> str:
        """The lines of these rows, as one text."""
        return "\n".join(self._lines_of(row.number) for row in rows)

    def _lines_of(self, number: int) -> str:
        if (known := self._texts.pop(number, None)) is not None:
            return known
        try:
            return self._kept(number).decode()
        except (LookupError, UnicodeDecodeError):
            damage = LookupError("its lines are damaged")
            text = unreadable(self.path, f"row {number}", damage)
            raise DamagedRowError(text) from None

    def _kept(self, number: int) -> bytes:
        """The lines of a row as the file has them; LookupError where there are none."""
        query = "SELECT CAST(lines AS BLOB) FROM row WHERE number = ?"
        found = self._db.rows(query, (number,))
        if not (found and found[0][0]):
            raise LookupError(number)
        lines: bytes = found[0][0]
        return lines

    def confirm(self, rows: Sequence[Row]) -> None:
        """Forget rows that the store surely has."""
        with self._transaction(0) as new:
            self._db.execute_each("DELETE FROM row WHERE number = ?", [(r.number,) for r in rows])
            new.counts["confirmed_lines"] += sum(row.lines for row in rows)

    def set_aside(self, row: Row, reason: str, *, utc_ms: int) -> None:
        """Move a row that the store refuses to the dead letters."""
        with self._transaction(utc_ms):
            try:
                lines = self._kept(row.number)
            except LookupError:
                lines = b""
            self._bury("upload", "", lines, reason, utc_ms)
            self._db.execute("DELETE FROM row WHERE number = ?", (row.number,))

    def forget_before(self, before_ms: int) -> None:
        """Drop what is only kept to know order, and what nobody needs of what is held."""
        with self._transaction(before_ms):
            self._runs.clear()
            self._times.mistrust()
            for table in ("series", "run"):
                self._db.execute(f"DELETE FROM {table} WHERE at_ms < ?", (before_ms,))  # noqa: S608
            self.holdings.forget()
        self._db.shrink(pages=1000)

    def counts(self) -> Counts:
        named = {field.name for field in fields(Counts)}
        found = self._db.rows("SELECT name, value FROM counter")
        totals: dict[str, int] = {name: value for name, value in found if name in named}
        ((rows, waiting, early),) = self._db.rows(
            "SELECT (SELECT count(*) FROM row), (SELECT count(*) FROM waiting), "
            "(SELECT count(*) FROM early)"
        )
        return Counts(**totals, rows=rows, waiting=waiting, early=early)

    @contextmanager
    def _transaction(self, utc_ms: int) -> Iterator[_New]:
        """One commit of what is done inside and of what was gathered in memory meanwhile."""
        try:
            with self._db.transaction():
                yield self._new
                self._settle(self._new, utc_ms)
            self._newest_row += len(self._new.lines)
            if len(self._texts) < TEXTS_KEPT:
                self._texts.update(self._new.texts)
        except BaseException:  # what the file holds is the truth
            self._mistrust()
            raise
        finally:
            self._new = _New()

    def _mistrust(self) -> None:
        self.holdings.mistrust()
        self._times.mistrust()
        self._runs.clear()

    def _settle(self, new: _New, utc_ms: int) -> None:
        self.holdings.settle(utc_ms=utc_ms)
        self._times.settle(utc_ms=utc_ms)
        numbers = range(self._newest_row + 1, self._newest_row + 1 + len(new.lines))
        for number, lines in zip(numbers, new.lines, strict=True):
            new.texts[number] = "\n".join(lines)
            new.rows.append(Row(number, len(lines)))
        self._db.execute_each(
            "INSERT INTO row(number, lines, line_count, at_ms) VALUES (?, ?, ?, ?)",
            [(row.number, new.texts[row.number], row.lines, utc_ms) for row in new.rows],
        )
        self._db.execute_each(
            "INSERT INTO counter VALUES (?, ?) ON CONFLICT(name) DO UPDATE "
            "SET value = value + excluded.value",
            [(name, more) for name, more in new.counts.items() if more],
        )

    def _take_all(self, works: Sequence[_Work], utc_ms: int) -> list[Row]:
        """Take messages in one transaction. Where one is not taken, whatever is the matter with it,
        that one goes aside: it must not stop the others. The journal's own faults are raised."""
        try:
            with self._transaction(utc_ms) as new:
                for work in works:
                    self._begin(work)
                    self._take_one(work, utc_ms)
        except Exception as fault:
            if _is_of_the_journal(fault):
                raise
            return self._take_each(works, utc_ms)
        return new.rows

    def _take_each(self, works: Sequence[_Work], utc_ms: int) -> list[Row]:
        """The same, each as a part of its own."""
        rows: list[Row] = []
        try:
            with self._db.transaction():
                for work in works:
                    try:
                        with self._db.part(), self._transaction(utc_ms) as new:
                            self._begin(work)
                            self._take_one(work, utc_ms)
                    except Exception as fault:
                        if _is_of_the_journal(fault):
                            raise
                        with self._transaction(utc_ms) as new:
                            self._begin(work)
                            self._bury_message(work.message, f"not taken: {fault!r}", utc_ms)
                    rows += new.rows
        except BaseException:
            self._mistrust()
            raise
        return rows

    def _begin(self, work: _Work) -> None:
        if work.early is None:
            self._new.counts["received"] += 1
        else:
            self._db.execute("DELETE FROM early WHERE number = ?", (work.early,))

    def _take_one(self, work: _Work, utc_ms: int) -> None:
        match work:
            case _Work(Accepted() as message, None):
                self._take_new(message, utc_ms)
            case _Work(Accepted() as message):
                self._take(message, utc_ms)
            case _Work(Rejected() as message, None):
                self._bury_message(message, message.reason, utc_ms)

    def _take_new(self, item: Accepted, utc_ms: int) -> None:
        address = item.address
        if self.holdings.holds(address.site, address.unit, item.entry.id):
            self._new.counts["duplicates"] += 1
            return
        if item.due_ms > utc_ms:
            self._db.execute(
                "INSERT INTO early(due_ms, topic, payload) VALUES (?, ?, ?)",
                (item.due_ms, item.topic, item.payload),
            )
        else:
            self._take(item, utc_ms)
        self.holdings.take(address.site, address.unit, item.entry.id, utc_ms=utc_ms)

    def _take(self, item: Accepted, utc_ms: int) -> None:
        entry, address = item.entry, item.address
        if entry.run_id is None:
            self._add(item.entry, address, OUTSIDE)
            return
        key = (address.site, address.unit, entry.run_id)
        if isinstance(entry, RunStart):
            run = RunTags(entry.step, entry.slot)
            self._add(entry, address, run)
            self._start_run(*key, run, utc_ms)
        elif (known := self._run(key)) is not None:
            self._add(entry, address, known)
        else:
            self._db.execute(
                "INSERT INTO waiting(site, unit, run_id, payload, at_ms) VALUES (?, ?, ?, ?, ?)",
                (*key, item.payload, utc_ms),
            )

    def _run(self, key: tuple[str, str, str]) -> RunTags | None:
        """Of a run whose start has come."""
        if key not in self._runs:
            query = "SELECT step, slot FROM run WHERE site = ? AND unit = ? AND run_id = ?"
            for found in self._db.rows(query, key):
                self._runs[key] = RunTags(*found)
        return self._runs.get(key)

    def _start_run(self, site: str, unit: str, run_id: str, run: RunTags, utc_ms: int) -> None:
        """Fix the tags of a run for good, and let its waiting entries go."""
        key = (site, unit, run_id)
        self._db.execute(
            "INSERT OR IGNORE INTO run(site, unit, run_id, step, slot, at_ms) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            (*key, *run, utc_ms),
        )
        where = "WHERE site = ? AND unit = ? AND run_id = ?"
        query = f"SELECT payload FROM waiting {where} ORDER BY number"  # noqa: S608
        for (payload,) in self._db.rows(query, key):
            try:
                entry = read_entry(payload)
            except ValueError as error:  # damaged since it came: the others of the run go on
                self._bury("received", "", _bytes(payload), f"damaged: {error}", utc_ms)
                continue
            self._add(entry, Address(site, unit, run_id, entry.kind), run)
        self._db.execute(f"DELETE FROM waiting {where}", key)  # noqa: S608

    def _add(self, entry: AnyEntry, address: Address, run: RunTags) -> None:
        """Turn an entry into lines with their final times."""
        source, number = split_id(entry.id)
        points = points_of(entry, address, run, order=number)
        if points is not None and points.fields:
            times, moved = self._times.free(points, source if number else "")
            self._new.counts["moved_times"] += moved
            self._new.lines.append(points.lines(times))

    def _bury_message(self, item: Accepted | Rejected, reason: str, utc_ms: int) -> None:
        self._bury("received", item.topic, item.payload, reason, utc_ms)

    def _bury(self, stage: str, topic: str, payload: bytes, reason: str, utc_ms: int) -> None:
        """A rejected message is cut to a size that can be kept; refused lines stay whole, so
        that they can be sent again."""
        stored = payload if stage == "upload" else payload[:DEAD_LETTER_BYTES]
        self._db.execute(
            "INSERT INTO dead_letter(at_ms, stage, topic, payload, reason) VALUES (?, ?, ?, ?, ?)",
            (utc_ms, stage, topic, stored, ascii(reason[:REASON_LIMIT])[1:-1]),
        )
        self._new.counts["dead_letters"] += 1
        self._db.execute(
            "DELETE FROM dead_letter WHERE stage = 'received' AND number <= "
            "(SELECT max(number) FROM dead_letter) - ?",
            (DEAD_LETTERS_KEPT,),
        )


def _is_of_the_journal(fault: Exception) -> bool:
    """No fault of one message."""
    refused = isinstance(fault, MessageRefusedError)
    return isinstance(fault, RecorderJournalError) and not refused


def _bytes(payload: object) -> bytes:
    return payload if isinstance(payload, bytes) else str(payload).encode()

"""The recorder's own journal: what the broker was told is safe, until the store surely has it.

SQLite, flushed to disk with every commit, because the broker forgets a message as soon as it is
acknowledged. Rows hold ready lines with their final times, so that sending them again gives the
very same points. Confirmed rows are deleted: the file stays small.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields
from pathlib import Path

from platelink.ledger.database import Database
from platelink.ledger.kind import Fault, Kind
from platelink.ledger.lock import WriterLock
from platelink.ledger.readable import unreadable
from platelink.publish.holdings import Holdings, split_id
from platelink.publish.intake import Accepted, Rejected, judge, read_entry
from platelink.publish.lines import UNKNOWN_STEP, Point, line, points_of
from platelink.publish.topics import Address
from platelink.publish.upload import Row
from platelink.runs import AnyEntry, RunStart

DEAD_LETTERS_KEPT = 10_000
DEAD_LETTER_BYTES = 65_536

REASON_LIMIT = 300
"""Characters of what is kept of the reason: it may repeat what was sent."""
MOVED_LIMIT_MS = 60_000
"""A point further back than this is not moved: the one before it was ahead, or the clock is set."""

_SCHEMA = (
    "CREATE TABLE source(id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
    # Entries already taken, by the journal they come from and their number in it.
    """\
CREATE TABLE seen(source INTEGER NOT NULL REFERENCES source(id), number INTEGER NOT NULL,
    at_ms INTEGER NOT NULL, PRIMARY KEY(source, number)) STRICT, WITHOUT ROWID""",
    """\
CREATE TABLE run(site TEXT NOT NULL, unit TEXT NOT NULL, run_id TEXT NOT NULL,
    step TEXT NOT NULL, at_ms INTEGER NOT NULL, PRIMARY KEY(site, unit, run_id))
    STRICT, WITHOUT ROWID""",
    # The last point of every series: times must rise strictly, or the store keeps one of two.
    """\
CREATE TABLE series(name TEXT PRIMARY KEY, last_ms INTEGER NOT NULL, last_order INTEGER NOT NULL,
    at_ms INTEGER NOT NULL) STRICT, WITHOUT ROWID""",
    """\
CREATE TABLE row(number INTEGER PRIMARY KEY AUTOINCREMENT, lines TEXT NOT NULL,
    line_count INTEGER NOT NULL, at_ms INTEGER NOT NULL) STRICT""",
    # Entries of runs whose start, which tells the step, has not come yet.
    "CREATE TABLE waiting(number INTEGER PRIMARY KEY AUTOINCREMENT, site TEXT NOT NULL,\n"
    "    unit TEXT NOT NULL, run_id TEXT NOT NULL, payload BLOB NOT NULL, at_ms INTEGER NOT NULL) "
    "STRICT",
    """\
CREATE TABLE dead_letter(number INTEGER PRIMARY KEY AUTOINCREMENT, at_ms INTEGER NOT NULL,
    stage TEXT NOT NULL CHECK (stage IN ('received', 'upload')), topic TEXT NOT NULL,
    payload BLOB NOT NULL, reason TEXT NOT NULL) STRICT""",
    "CREATE TABLE counter(name TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT, WITHOUT ROWID",
)
_RANGES = (
    # Entries held, of each journal of each unit: "<site>/<unit>/<journal>".
    """\
CREATE TABLE held(source INTEGER NOT NULL REFERENCES source(id), first INTEGER NOT NULL,
    last INTEGER NOT NULL, at_ms INTEGER NOT NULL, PRIMARY KEY(source, first))
    STRICT, WITHOUT ROWID""",
    # Until now a source was a journal, whoever sent it: known again where one unit sent all.
    """\
UPDATE source SET name = (SELECT site || '/' || unit || '/' FROM run LIMIT 1) || name
    WHERE (SELECT count(*) FROM (SELECT DISTINCT site, unit FROM run)) = 1""",
    """\
INSERT INTO held SELECT source, min(number), max(number), max(at_ms) FROM (
    SELECT seen.*, number - row_number() OVER (PARTITION BY source ORDER BY number) AS island
    FROM seen JOIN source ON id = source WHERE instr(name, '/')) GROUP BY source, island""",
    "DROP TABLE seen",
    "DELETE FROM source WHERE NOT instr(name, '/')",
    # Messages whose time is ahead of this computer's clock, until it is not.
    """\
CREATE TABLE early(number INTEGER PRIMARY KEY AUTOINCREMENT, due_ms INTEGER NOT NULL,
    topic TEXT NOT NULL, payload BLOB NOT NULL) STRICT""",
)


class RecorderJournalError(Exception):
    """The journal cannot be used: in use, not writable, disk full; the text says what to do."""


class MessageRefusedError(RecorderJournalError):
    """One message cannot be kept as it is; the journal is well."""


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


_TEXT = "recorder journal {path}: {error}; check free space and that it can be written"
RECORDER = Kind(
    name="recorder journal",
    application_id=0,
    migrations=(_SCHEMA, _RANGES),
    pragmas=(
        "auto_vacuum = INCREMENTAL",
        "journal_mode = WAL",
        "synchronous = FULL",
        "foreign_keys = ON",
    ),
    open_wait_s=5.0,
    write_wait_s=5.0,
    errors=dict.fromkeys(Fault, RecorderJournalError) | {Fault.REFUSED: MessageRefusedError},
    texts=dict.fromkeys(Fault, _TEXT)
    | {
        Fault.OTHER_KIND: "recorder journal {path} is another kind of file: give this recorder one "
        "of its own",
        Fault.NEWER: "recorder journal {path}: its format is {version}, this program reads "
        "{known}: update it",
        Fault.CLOSED_DIRECTORY: "recorder journal {path} is not writable ({error}): check its "
        "folder",
        Fault.IN_USE: "recorder journal {path} is in use: end the other recorder, or give this one "
        "a file",
    },
)


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

    def close(self) -> None:
        self._db.close()
        self._lock.release()

    def commit(self, batch: Sequence[Accepted | Rejected], *, utc_ms: int) -> list[Row]:
        """Take a batch in one transaction; durable when it returns. The rows to upload.
        RecorderJournalError: nothing of the batch was taken."""
        with self._db.transaction():
            return self._take_all(batch, utc_ms)

    def release_waiting(self, *, before_ms: int, utc_ms: int) -> list[Row]:
        """Give up waiting for the start of runs whose entries wait since before ``before_ms``."""
        query = "SELECT DISTINCT site, unit, run_id FROM waiting WHERE at_ms < ?"
        rows: list[Row] = []
        if late := self._db.rows(query, (before_ms,)):
            with self._db.transaction():
                for site, unit, run_id in late:
                    released = self._start_run(site, unit, run_id, UNKNOWN_STEP, utc_ms)
                    self._count("unknown_steps", len(released))
                    rows += released
        return rows

    def release_early(self, *, utc_ms: int) -> list[Row]:
        """Take the messages whose time is no longer too far ahead."""
        query = "SELECT number, topic, payload FROM early WHERE due_ms <= ? ORDER BY number"
        rows: list[Row] = []
        if due := self._db.rows(query, (utc_ms,)):
            with self._db.transaction():
                for number, topic, payload in due:
                    self._db.execute("DELETE FROM early WHERE number = ?", (number,))
                    message = judge(topic, payload, utc_ms=utc_ms)
                    if isinstance(message, Accepted):
                        rows += self._whole(message, self._take, utc_ms)
        return rows

    def rows(self) -> list[Row]:
        """Everything not yet confirmed, in order."""
        found = self._db.rows("SELECT number, line_count FROM row ORDER BY number")
        return [Row(number, lines or 0) for number, lines in found]

    def lines_of(self, rows: Iterable[Row]) -> str:
        """The lines of these rows, as one text."""
        query = "SELECT lines FROM row WHERE number = ?"
        found = [(row.number, self._db.rows(query, (row.number,))) for row in rows]
        bad = [n for n, lines in found if not (lines and isinstance(lines[0][0], str))]
        if bad:
            raise RecorderJournalError(
                unreadable(self.path, f"row {bad[0]}", LookupError("its lines are damaged"))
            )
        return "\n".join(lines[0][0] for _, lines in found)

    def confirm(self, rows: Sequence[Row]) -> None:
        """Forget rows that the store surely has."""
        with self._db.transaction():
            self._db.execute_each("DELETE FROM row WHERE number = ?", [(r.number,) for r in rows])
            self._count("confirmed_lines", sum(row.lines for row in rows))

    def set_aside(self, row: Row, reason: str, *, utc_ms: int) -> None:
        """Move a row that the store refuses to the dead letters."""
        with self._db.transaction():
            self._bury("upload", "", self.lines_of([row]).encode(), reason, utc_ms)
            self._db.execute("DELETE FROM row WHERE number = ?", (row.number,))

    def forget_before(self, before_ms: int) -> None:
        """Drop what is only kept to know order, and what nobody needs of what is held."""
        with self._db.transaction():
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

    def _take_all(self, batch: Sequence[Accepted | Rejected], utc_ms: int) -> list[Row]:
        rows: list[Row] = []
        for item in batch:
            self._count("received", 1)
            if isinstance(item, Rejected):
                self._bury("received", item.topic, item.payload, item.reason, utc_ms)
            else:
                rows += self._whole(item, self._take_new, utc_ms)
        return rows

    def _whole(
        self, item: Accepted, take: Callable[[Accepted, int], list[Row]], utc_ms: int
    ) -> list[Row]:
        """Take a message or put it aside, whatever is the matter with it: what one message is
        must not stop the others. The journal's own faults are raised."""
        try:
            with self._db.part():
                return take(item, utc_ms)
        except Exception as fault:
            if isinstance(fault, RecorderJournalError) and not isinstance(
                fault, MessageRefusedError
            ):
                raise
            self._bury("received", item.topic, item.payload, f"not taken: {fault!r}", utc_ms)
            return []

    def _take_new(self, item: Accepted, utc_ms: int) -> list[Row]:
        address = item.address
        if not self.holdings.take(address.site, address.unit, item.entry.id, utc_ms=utc_ms):
            self._count("duplicates", 1)
            return []
        if item.due_ms > utc_ms:
            self._db.execute(
                "INSERT INTO early(due_ms, topic, payload) VALUES (?, ?, ?)",
                (item.due_ms, item.topic, item.payload),
            )
            return []
        return self._take(item, utc_ms)

    def _take(self, item: Accepted, utc_ms: int) -> list[Row]:
        entry, address = item.entry, item.address
        if entry.run_id is None:
            return self._add(item.entry, address, "", utc_ms)
        key = (address.site, address.unit, entry.run_id)
        if isinstance(entry, RunStart):
            own = self._add(entry, address, entry.step, utc_ms)
            return own + self._start_run(*key, entry.step, utc_ms)
        known = self._db.rows(
            "SELECT step FROM run WHERE site = ? AND unit = ? AND run_id = ?", key
        )
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
        for (payload,) in self._db.rows(query, key):
            try:
                entry = read_entry(payload)
            except ValueError as error:  # damaged since it came: the others of the run go on
                self._bury("received", "", _bytes(payload), f"damaged: {error}", utc_ms)
                continue
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
        self._db.execute_each(
            "INSERT OR REPLACE INTO series VALUES (?, ?, ?, ?)",
            [(name, ms, place, utc_ms) for name, (ms, place) in last.items()],
        )
        return [self._add_row(lines, utc_ms)] if lines else []

    def _free_ms(self, point: Point, last: dict[str, tuple[int, int]]) -> int:
        """The point's time, or the next free millisecond of its series. A point that comes after
        a later one of its series was sent again after a loss: its own time is right. So it is
        where the point before was far ahead: one wrong time must not move all that follow."""
        before = last.get(point.series)
        if before is None:
            query = "SELECT last_ms, last_order FROM series WHERE name = ?"
            known = self._db.rows(query, (point.series,))
            before = known[0] if known else (-1, -1)
        last_ms, last_order = before
        if point.order < last_order:
            last[point.series] = before
            return point.at_ms
        if last_ms - point.at_ms > MOVED_LIMIT_MS:
            last_ms = -1
        at_ms = max(point.at_ms, last_ms + 1)
        if at_ms != point.at_ms:
            self._count("moved_times", 1)
        last[point.series] = (at_ms, point.order)
        return at_ms

    def _bury(self, stage: str, topic: str, payload: bytes, reason: str, utc_ms: int) -> None:
        """A rejected message is cut to a size that can be kept; refused lines stay whole, so
        that they can be sent again."""
        stored = payload if stage == "upload" else payload[:DEAD_LETTER_BYTES]
        self._db.execute(
            "INSERT INTO dead_letter(at_ms, stage, topic, payload, reason) VALUES (?, ?, ?, ?, ?)",
            (utc_ms, stage, topic, stored, ascii(reason[:REASON_LIMIT])[1:-1]),
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
        ((number,),) = self._db.rows(
            "INSERT INTO row(lines, line_count, at_ms) VALUES (?, ?, ?) RETURNING number",
            ("\n".join(lines), len(lines), utc_ms),
        )
        return Row(number, len(lines))


def _bytes(payload: object) -> bytes:
    return payload if isinstance(payload, bytes) else str(payload).encode()

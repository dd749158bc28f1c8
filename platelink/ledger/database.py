"""A file of a kind as a database. The only import of sqlite3."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from platelink.ledger.kind import Fault, Kind
from platelink.ledger.private import handed

Row = tuple[Any, ...]

_FAULTS = {
    sqlite3.SQLITE_FULL: Fault.FULL,
    sqlite3.SQLITE_BUSY: Fault.LOCKED,
    sqlite3.SQLITE_LOCKED: Fault.LOCKED_HERE,
    sqlite3.SQLITE_READONLY: Fault.READ_ONLY,
    sqlite3.SQLITE_PERM: Fault.DENIED,
    sqlite3.SQLITE_NOTADB: Fault.NO_DATABASE,
    sqlite3.SQLITE_CORRUPT: Fault.DAMAGED,
    sqlite3.SQLITE_IOERR: Fault.DISK,
    sqlite3.SQLITE_CANTOPEN: Fault.NOT_OPENED,
    sqlite3.SQLITE_CONSTRAINT: Fault.REFUSED,
    sqlite3.SQLITE_TOOBIG: Fault.REFUSED,
}


class Checkpoint(NamedTuple):
    """What a checkpoint found and did; pages of the write-ahead log."""

    wal_bytes: int
    moved_pages: int
    left_pages: int


class Database:
    """One connection to a file, of the thread that made it.

    With ``any_thread`` the caller sees to it that one thread at a time uses it."""

    def __init__(
        self, path: Path, kind: Kind, *, read_only: bool, any_thread: bool = False
    ) -> None:
        self.path = path
        self.kind = kind
        self.read_only = read_only
        if read_only and not path.exists():
            raise kind.error(Fault.ABSENT, path)
        self._connection = self._connect(any_thread)
        try:
            with self.translated():
                self._prepare()
        except BaseException:
            self.close()
            raise

    def _connect(self, any_thread: bool) -> sqlite3.Connection:
        with self.translated():
            if not self.read_only and not self.path.exists():
                os.close(handed(str(self.path), os.O_WRONLY | os.O_CREAT))  # its log is the same
            connection = sqlite3.connect(
                f"{self.path.absolute().as_uri()}?mode={self._mode()}",
                uri=True,
                isolation_level=None,
                timeout=self.kind.open_wait_s,
                check_same_thread=not any_thread,
            )
        connection.text_factory = _text
        connection.create_function("folded", 1, _folded, deterministic=True)
        return connection

    def _mode(self) -> str:
        if not self.read_only:
            return "rwc"
        # Where we may not make SQLite's helper files, a file without a log is read as it is.
        fixed = (
            self.kind.logged_ahead
            and not os.access(self.path.parent, os.W_OK, effective_ids=True)
            and not self._wal.exists()
        )
        return "ro&immutable=1" if fixed else "ro"

    @property
    def _wal(self) -> Path:
        return self.path.with_name(self.path.name + "-wal")

    def _prepare(self) -> None:
        """Refuse what is not ours to open, bring an older file up to date."""
        self._identify()
        execute = self._connection.execute
        if self.read_only:
            execute("PRAGMA query_only = ON")
            return
        for pragma in self.kind.pragmas:
            execute(f"PRAGMA {pragma}")
        if self.kind.private:
            execute("PRAGMA secure_delete = ON")
        # Nothing is written to a file that is up to date: it opens on a full disk, too.
        if not os.access(self.path, os.W_OK, effective_ids=True):
            raise self.kind.error(Fault.READ_ONLY, self.path, "no right to write")
        with self.transaction():
            self._identify()  # another program may have begun it meanwhile
            version = self._pragma("user_version")
            for step in self.kind.migrations[version:]:
                for statement in step:
                    execute(statement)
            if version != self.kind.version:
                execute(f"PRAGMA application_id = {self.kind.application_id}")
                execute(f"PRAGMA user_version = {self.kind.version}")
        execute(f"PRAGMA busy_timeout = {self.kind.write_wait_s * 1e3:.0f}")

    def _identify(self) -> None:
        """Pass a file of a version we know, and one not yet begun where we may write."""
        application, version = self._pragma("application_id"), self._pragma("user_version")
        if application != self.kind.application_id or not version:
            tables = self.rows("SELECT count(*) FROM sqlite_master")[0][0]
            if application or version or tables or self.read_only:
                raise self.kind.error(Fault.OTHER_KIND, self.path)
        elif version > self.kind.version:
            raise self.kind.error(Fault.NEWER, self.path, version=version)

    def _pragma(self, name: str) -> int:
        return int(self._connection.execute(f"PRAGMA {name}").fetchone()[0])

    def execute(self, sql: str, values: Sequence[object] = ()) -> None:
        """Run one statement; outside ``transaction`` it is committed at once."""
        with self.translated():
            self._connection.execute(sql, values)

    def execute_each(self, sql: str, values: Iterable[Sequence[object]]) -> None:
        """Run one statement with each of these values."""
        with self.translated():
            self._connection.executemany(sql, values)

    def rows(self, sql: str, values: Sequence[object] = ()) -> list[Row]:
        """All rows of a query."""
        with self.translated():
            return self._connection.execute(sql, values).fetchall()

    def each(self, sql: str, values: Sequence[object] = ()) -> Iterator[Row]:
        """The rows of a query one by one, for more than memory should hold."""
        with self.translated():
            yield from self._connection.execute(sql, values)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All statements inside become one commit, or nothing does; other writers wait.

        One within another joins it; whoever catches an error in between breaks that promise."""
        if self._connection.in_transaction:
            yield
            return
        self.execute("BEGIN IMMEDIATE")
        try:
            yield
            self.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:  # SQLite itself rolls back when the disk is full
                self._connection.execute("ROLLBACK")
            raise

    @contextmanager
    def part(self) -> Iterator[None]:
        """Of a transaction: where an error is raised inside, only what is inside is not done."""
        self.execute("SAVEPOINT part")
        try:
            yield
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK TO part")
            raise
        finally:
            if self._connection.in_transaction:
                self._connection.execute("RELEASE part")

    def checkpoint(self, *, backfill: bool) -> Checkpoint:
        """Make the write-ahead log durable and, if asked, move it into the file.

        Writers go on meanwhile. Once all is moved, the next writer begins the log anew, which makes
        it wait for one page to be written: so ``backfill`` is for quiet times or a long log."""
        with self.translated():
            size = _sync(self._wal) if self._wal.exists() else 0
            if not backfill:
                return Checkpoint(size, 0, 0)
            _, pages, moved = self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        return Checkpoint(size, max(0, moved), max(0, pages - moved))

    def shrink(self, *, pages: int) -> None:
        """Give free pages back to the disk, at most so many; needs ``auto_vacuum``."""
        with self.translated():
            # Gives back a page per step; execute() would make only one step.
            self._connection.executescript(f"PRAGMA incremental_vacuum({pages});")

    def tables(self) -> list[str]:
        """Names of the tables, in order."""
        rows = self.rows(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' "
            "ORDER BY name"
        )
        return [name for (name,) in rows]

    def copy_to(self, path: Path) -> None:
        """Everything that is committed, as one new file. Who writes ahead into a log goes on
        meanwhile, others wait for the copy."""
        with self.translated():
            os.close(handed(str(path), os.O_WRONLY | os.O_CREAT | os.O_EXCL))
            copy = sqlite3.connect(path, isolation_level=None)
            try:
                self._connection.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")  # no log beside it
            finally:
                copy.close()

    def close(self) -> None:
        """Close the connection; the last one moves a write-ahead log into the file."""
        self._connection.close()

    @contextmanager
    def translated(self) -> Iterator[None]:
        """Raise SQLite's and the operating system's errors as those of the kind."""
        try:
            yield
        except sqlite3.Error as error:
            fault = _fault_of(error)
            if fault not in self.kind.errors:
                raise
            raise self.kind.error(fault, self.path, error) from error
        except UnicodeDecodeError as error:  # SQLite's own words of a damaged schema
            raise self.kind.error(Fault.DAMAGED, self.path, error.reason) from error
        except OSError as error:
            raise self.kind.error(Fault.SYSTEM, self.path, error.strerror) from error


def _folded(text: object) -> str:
    """A text in which upper and lower case are the same, in every language; SQLite knows ASCII."""
    return text.casefold() if isinstance(text, str) else str(text or "")


def _text(stored: bytes) -> str | bytes:
    """A text as it is stored; damaged, it is none, and whoever reads the row says so."""
    try:
        return stored.decode()
    except UnicodeDecodeError:
        return stored


def _fault_of(error: sqlite3.Error) -> Fault:
    code = getattr(error, "sqlite_errorcode", None)
    if code == sqlite3.SQLITE_IOERR_SHMSIZE:
        return Fault.FULL
    known = _FAULTS.get((code or 0) & 0xFF)
    if known is not None:
        return known
    # Our statements are tested: a table or column that is not there, or a text that is none, was
    # there when the file was written.
    ours = (sqlite3.ProgrammingError, sqlite3.InterfaceError, sqlite3.NotSupportedError)
    return Fault.UNFORESEEN if isinstance(error, ours) else Fault.DAMAGED


def _sync(path: Path) -> int:
    """Make a file durable; its size in bytes."""
    fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
        return os.fstat(fd).st_size
    finally:
        os.close(fd)

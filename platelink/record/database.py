"""The journal's file as a database. The only import of sqlite3 in this package.

Turns SQLite's errors into the journal's own and makes or migrates the file. The writing
connection never moves the write-ahead log into the file by itself (``wal_autocheckpoint=0``): that
waits for the disk and is ``checkpoint``'s work, from another thread.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple, NoReturn

from platelink.record.errors import (
    JournalDamaged,
    JournalDiskError,
    JournalError,
    JournalFull,
    JournalLocked,
    JournalMissing,
    JournalNewer,
    JournalReadOnly,
    JournalRefused,
    NotAJournal,
)
from platelink.record.schema import APPLICATION_ID, MIGRATIONS, READABLE_FROM, VERSION

Row = tuple[Any, ...]
_OPEN_WAIT_S = 5.0
"""Another process may be finishing a checkpoint while we open."""
_WRITE_WAIT_MS = 20
"""The control loop waits no longer than this for a lock; what it could not write it keeps."""
_WAL_KEPT_BYTES = 1 << 20
"""What is kept of the write-ahead log's file when it begins anew."""
_SHM_FULL = sqlite3.SQLITE_IOERR_SHMSIZE

_TEXTS: dict[int, tuple[type[JournalError], str]] = {
    sqlite3.SQLITE_FULL: (
        JournalFull,
        "no space left for {path}; free disk space, nothing recorded so far is lost",
    ),
    sqlite3.SQLITE_BUSY: (
        JournalLocked,
        "{path} is locked by another program; close whatever holds it open for writing",
    ),
    sqlite3.SQLITE_LOCKED: (JournalLocked, "{path} is locked within this program; try again"),
    sqlite3.SQLITE_READONLY: (
        JournalReadOnly,
        "{path} cannot be written; give this user the right to write the file and its directory",
    ),
    sqlite3.SQLITE_PERM: (JournalReadOnly, "{path}: access denied; check its owner and mode"),
    sqlite3.SQLITE_NOTADB: (NotAJournal, "{path} is not a journal; configure another path"),
    sqlite3.SQLITE_CORRUPT: (
        JournalDamaged,
        "{path} is damaged; keep it with its -wal file, restore a backup or begin a new journal, "
        "and check the disk",
    ),
    sqlite3.SQLITE_IOERR: (JournalDiskError, "the disk failed on {path}; check the disk"),
    sqlite3.SQLITE_CANTOPEN: (
        JournalDiskError,
        "{path} cannot be opened; check that this user may read it and write in its directory",
    ),
    sqlite3.SQLITE_CONSTRAINT: (JournalRefused, "{path} refused the entry"),
}


class Checkpoint(NamedTuple):
    """What a checkpoint found and did; pages of the write-ahead log."""

    wal_bytes: int
    moved_pages: int
    left_pages: int


class Database:
    """One connection to a journal file, of the thread that made it."""

    def __init__(self, path: Path, *, read_only: bool, any_thread: bool = False) -> None:
        self.path = path
        self.read_only = read_only
        if read_only and not path.exists():
            raise JournalMissing(f"{path} does not exist; nothing was recorded there yet")
        self._connection = self._connect(any_thread)
        try:
            with self.translated():
                self._prepare()
        except BaseException:
            self.close()
            raise

    def _connect(self, any_thread: bool) -> sqlite3.Connection:
        mode = "mode=rwc"
        if self.read_only:
            wal = self.path.with_name(self.path.name + "-wal")
            # Where we may not make SQLite's helper files, a file without a log is read as it is.
            fixed = (
                not os.access(self.path.parent, os.W_OK, effective_ids=True) and not wal.exists()
            )
            mode = "mode=ro&immutable=1" if fixed else "mode=ro"
        with self.translated():
            return sqlite3.connect(
                f"{self.path.absolute().as_uri()}?{mode}",
                uri=True,
                isolation_level=None,
                timeout=_OPEN_WAIT_S,
                check_same_thread=not any_thread,
            )

    def _prepare(self) -> None:
        """Refuse what is not ours to open, bring an older file up to date."""
        self._identify()
        execute = self._connection.execute
        if self.read_only:
            execute("PRAGMA query_only = ON")
            return
        execute("PRAGMA journal_mode = WAL")
        execute("PRAGMA synchronous = NORMAL")
        execute("PRAGMA wal_autocheckpoint = 0")
        execute(f"PRAGMA journal_size_limit = {_WAL_KEPT_BYTES}")
        execute("PRAGMA foreign_keys = ON")
        execute("PRAGMA recursive_triggers = ON")
        with self.transaction():
            self._migrate(self._pragma("user_version"))
        execute(f"PRAGMA busy_timeout = {_WRITE_WAIT_MS}")

    def _identify(self) -> None:
        """Pass a journal of a version we know, and a file not yet begun where we may write."""
        application, version = self._pragma("application_id"), self._pragma("user_version")
        if application != APPLICATION_ID:
            tables = self.rows("SELECT count(*) FROM sqlite_master")[0][0]
            if application or version or tables or self.read_only:
                raise NotAJournal(f"{self.path} is not a journal; configure another path")
        elif version > VERSION:
            raise JournalNewer(
                f"{self.path} has schema version {version}, this release knows {VERSION}; "
                "install the release that wrote it, or a later one"
            )
        elif self.read_only and version < READABLE_FROM:
            raise NotAJournal(f"{self.path} has schema version {version}; start the daemon on it")

    def _migrate(self, version: int) -> None:
        for step in MIGRATIONS[version:]:
            for statement in step:
                self._connection.execute(statement)
        # Written even when up to date: only a write shows that the file can be written.
        self._connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        self._connection.execute(f"PRAGMA user_version = {VERSION}")

    def _pragma(self, name: str) -> int:
        return int(self._connection.execute(f"PRAGMA {name}").fetchone()[0])

    def execute(self, sql: str, values: Sequence[object] = ()) -> None:
        """Run one statement; outside ``transaction`` it is committed at once."""
        with self.translated():
            self._connection.execute(sql, values)

    def rows(self, sql: str, values: Sequence[object] = ()) -> list[Row]:
        """All rows of a query."""
        with self.translated():
            return self._connection.execute(sql, values).fetchall()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All statements inside become one commit, or nothing does.

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

    def checkpoint(self, *, backfill: bool) -> Checkpoint:
        """Make the write-ahead log durable and, if asked, move it into the file.

        Writers go on meanwhile. Once all is moved, the next writer begins the log anew, which makes
        it wait for one page to be written: so ``backfill`` is for quiet times or a long log."""
        wal = self.path.with_name(self.path.name + "-wal")
        with self.translated():
            size = _sync(wal) if wal.exists() else 0
            if not backfill:
                return Checkpoint(size, 0, 0)
            _, pages, moved = self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        return Checkpoint(size, max(0, moved), max(0, pages - moved))

    def faults(self) -> list[str]:
        """What SQLite's own check of the whole file finds; slow on a large one."""
        found = [str(row[0]) for row in self.rows("PRAGMA integrity_check")]
        found = [] if found == ["ok"] else found
        return found + [
            f"dangling reference: {row}" for row in self.rows("PRAGMA foreign_key_check")
        ]

    def close(self) -> None:
        """Close the connection; the last one moves the log into the file."""
        self._connection.close()

    @contextmanager
    def translated(self) -> Iterator[None]:
        """Raise SQLite's and the disk's errors as the journal's own."""
        try:
            yield
        except sqlite3.Error as error:
            self._raise(error)
        except OSError as error:
            raise JournalDiskError(f"the disk failed on {self.path}: {error.strerror}") from error

    def _raise(self, error: sqlite3.Error) -> NoReturn:
        code = getattr(error, "sqlite_errorcode", None)
        if code is None:
            raise error
        known = _TEXTS.get(sqlite3.SQLITE_FULL if code == _SHM_FULL else code & 0xFF)
        if known is None:
            raise error
        kind, text = known
        raise kind(f"{text.format(path=self.path)} ({error})") from error


def _sync(path: Path) -> int:
    """Make a file durable; its size in bytes."""
    fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
        return os.fstat(fd).st_size
    finally:
        os.close(fd)

"""A store's file as a database. The only import of sqlite3 in this package.

Writes are few and each must last: every transaction waits for the disk. Two programs may write; the
second waits its turn. The file is one file, with SQLite's rollback journal beside it only while
something is written, so that it can be read from a place where nothing may be written.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from platelink.ledger.errors import StoreError, StoreRefused, StoreUnavailable, StoreUnusable

Row = tuple[Any, ...]
_WAIT_S = 10.0
"""How long another writer is waited for."""


@dataclass(frozen=True, slots=True)
class Kind:
    """What a file is: its mark, and how older ones are brought up to date.

    ``PRAGMA user_version`` counts the migrations a file has seen. A released migration is never
    changed: files made by it exist."""

    name: str
    application_id: int
    migrations: tuple[tuple[str, ...], ...]
    absent: str
    """What is said where a file to be read does not exist."""
    private: bool = False
    """Its owner alone may read it, and what is replaced in it is overwritten."""

    @property
    def version(self) -> int:
        """The newest version this release knows."""
        return len(self.migrations)


_TEXTS: dict[int, tuple[type[StoreError], str]] = {
    sqlite3.SQLITE_FULL: (StoreUnavailable, "no space left for {path}; free disk space"),
    sqlite3.SQLITE_BUSY: (
        StoreUnavailable,
        "{path} is locked by another program; close whatever holds it open for writing",
    ),
    sqlite3.SQLITE_READONLY: (
        StoreUnusable,
        "{path} cannot be written; give this user the right to write the file and its directory",
    ),
    sqlite3.SQLITE_PERM: (StoreUnusable, "{path}: access denied; check its owner and mode"),
    sqlite3.SQLITE_NOTADB: (StoreUnusable, "{path} is not a {name}; name another path"),
    sqlite3.SQLITE_CORRUPT: (
        StoreUnusable,
        "{path} is damaged; keep it, restore a backup, and check the disk",
    ),
    sqlite3.SQLITE_IOERR: (StoreUnavailable, "the disk failed on {path}; check the disk"),
    sqlite3.SQLITE_CANTOPEN: (
        StoreUnusable,
        "{path} cannot be opened; check that its directory exists and that this user may write "
        "there",
    ),
    sqlite3.SQLITE_CONSTRAINT: (StoreRefused, "{path} refused the entry"),
}


class Database:
    """One connection to a store's file, of the thread that made it.

    With ``any_thread`` the caller sees to it that one thread at a time uses it."""

    def __init__(
        self, path: Path, kind: Kind, *, read_only: bool, any_thread: bool = False
    ) -> None:
        self.path = path
        self.kind = kind
        self.read_only = read_only
        if read_only and not path.exists():
            raise StoreUnusable(f"{path} does not exist: {kind.absent}")
        mode = "ro" if read_only else "rwc"
        with self._translated():
            if kind.private and not read_only:
                path.touch(mode=0o600)  # SQLite's own journal takes over the mode
            self._connection = sqlite3.connect(
                f"{path.absolute().as_uri()}?mode={mode}",
                uri=True,
                isolation_level=None,
                timeout=_WAIT_S,
                check_same_thread=not any_thread,
            )
        try:
            with self._translated():
                self._prepare()
        except BaseException:
            self.close()
            raise

    def _prepare(self) -> None:
        """Refuse what is not ours to open, bring an older file up to date."""
        self._identify()
        execute = self._connection.execute
        if self.read_only:
            execute("PRAGMA query_only = ON")
            return
        execute("PRAGMA synchronous = EXTRA")  # FULL does not wait for the directory
        execute("PRAGMA foreign_keys = ON")
        execute("PRAGMA recursive_triggers = ON")
        execute(f"PRAGMA secure_delete = {'ON' if self.kind.private else 'OFF'}")
        with self.transaction():
            self._identify()  # another program may have begun it meanwhile
            for step in self.kind.migrations[self._pragma("user_version") :]:
                for statement in step:
                    execute(statement)
            # Written even when up to date: only a write shows that the file can be written.
            execute(f"PRAGMA application_id = {self.kind.application_id}")
            execute(f"PRAGMA user_version = {self.kind.version}")

    def _identify(self) -> None:
        """Pass a store of a version we know, and a file not yet begun where we may write."""
        application, version = self._pragma("application_id"), self._pragma("user_version")
        if application != self.kind.application_id:
            tables = self.rows("SELECT count(*) FROM sqlite_master")[0][0]
            if application or version or tables or self.read_only:
                raise StoreUnusable(f"{self.path} is not a {self.kind.name}; name another path")
        elif version > self.kind.version:
            raise StoreUnusable(
                f"{self.path} has schema version {version}, this release knows "
                f"{self.kind.version}; install the release that wrote it, or a later one"
            )

    def _pragma(self, name: str) -> int:
        return int(self._connection.execute(f"PRAGMA {name}").fetchone()[0])

    def execute(self, sql: str, values: Sequence[object] = ()) -> None:
        """Run one statement."""
        with self._translated():
            self._connection.execute(sql, values)

    def rows(self, sql: str, values: Sequence[object] = ()) -> list[Row]:
        """All rows of a query."""
        with self._translated():
            return self._connection.execute(sql, values).fetchall()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All statements inside become one commit, or nothing does; other writers wait."""
        self.execute("BEGIN IMMEDIATE")
        try:
            yield
            self.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:  # SQLite itself rolls back when the disk is full
                self._connection.execute("ROLLBACK")
            raise

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    @contextmanager
    def _translated(self) -> Iterator[None]:
        """Raise SQLite's and the disk's errors as the store's own."""
        try:
            yield
        except sqlite3.Error as error:
            self._raise(error)
        except OSError as error:
            raise StoreUnusable(
                f"{self.path} cannot be opened ({error.strerror}); check that its directory exists "
                "and that this user may write there"
            ) from error

    def _raise(self, error: sqlite3.Error) -> NoReturn:
        code = getattr(error, "sqlite_errorcode", None)
        known = None if code is None else _TEXTS.get(code & 0xFF)
        if known is None:
            raise error
        kind, text = known
        raise kind(f"{text.format(path=self.path, name=self.kind.name)} ({error})") from error
